"""WALL: what the coldest surface has to say: how much humidity it allows, and whether mist must wait for it.

In:    the surface now, as ``ceiling.coldest_surface`` gives it; what the keeper chose.
Out:   a limit for the setpoint and a hold, where a measured surface is to rule; the mould index goes on.
Never: lets an estimate hold anything: it only warns. What a thermometer showed last stands for two hours
       after it fell silent, also for the guard at the dew point; then nothing is held.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core import ceiling, mould
from controller.core.ceiling import Surface, SurfaceLimits
from controller.core.mould import MouldMemory
from controller.core.records import SurfaceHour

SMOOTH_S = 1800.0
"""A wall is slow and a thermometer shows steps: the limit follows in half an hour."""
CLEAR_RH_PCT = 2.0
"""How far the RH at the surface must fall before mist again. Own choice."""
MARGIN_RH_PCT = 1.0
"""The setpoint stays half a deadband and this below what the wall allows, so no run ends at the guard."""
OUTLIVES_S = 7200.0
"""A thermometer that fell silent: its wall has changed little for so long. Own choice."""


class WallMemory(NamedTuple):
    held: bool = False
    room_limit_rh_pct: float | None = None  # smoothed; of a measured surface alone
    seen_c: float | None = None  # what a thermometer on it showed last, and when
    seen_t: float = 0.0
    mould: MouldMemory = MouldMemory()


def believed_c(memory: WallMemory, surface_c: float | None, t: float) -> float | None:
    """What the thermometer on it shows, for two hours what it showed last; None where there is nothing."""
    if ceiling.is_temperature(surface_c):
        return surface_c
    lately = 0.0 <= t - memory.seen_t <= OUTLIVES_S
    return memory.seen_c if lately and ceiling.is_temperature(memory.seen_c) else None


def advance(
    memory: WallMemory,
    surface_c: float | None,
    surface: Surface | None,
    t: float,
    dt_s: float,
    limits: SurfaceLimits,
) -> tuple[WallMemory, SurfaceHour | None]:
    """One tick; a row for the record where an hour has ended. ``t`` is the core's clock.

    ``surface_c``: what its thermometer shows now; ``surface``: what is believed of it.
    """
    if surface is None and memory.mould.seen_s == 0.0 and memory.seen_c is None and surface_c is None:
        return memory, None  # nothing is known of it, and nothing was
    seen = None if surface is None else (surface.temp_c, surface.rh_pct, surface.measured)
    grown, row = mould.advance(memory.mould, t, dt_s, seen, limits)
    shows = (surface_c, t) if ceiling.is_temperature(surface_c) else (memory.seen_c, memory.seen_t)
    if surface is None or not surface.measured or limits.policy != "hold":
        return WallMemory(False, None, *shows, grown), row
    limit = memory.room_limit_rh_pct
    if limit is None or not 0.0 <= limit <= 1000.0:  # a remembered figure may come from a file
        limit = surface.room_limit_rh_pct
    limit += (surface.room_limit_rh_pct - limit) * min(dt_s / SMOOTH_S, 1.0)
    most = limits.warn_surface_rh_pct - (CLEAR_RH_PCT if memory.held else 0.0)
    return WallMemory(not surface.rh_pct < most, limit, *shows, grown), row


def lowered(setpoint_rh_pct: float, memory: WallMemory, deadband_rh_pct: float) -> float:
    """The setpoint, or what a measured wall allows where that is less; as it is where the wall has no say."""
    if memory.room_limit_rh_pct is None:
        return setpoint_rh_pct
    most = memory.room_limit_rh_pct - 0.5 * deadband_rh_pct - MARGIN_RH_PCT
    return max(most, 0.0) if most < setpoint_rh_pct else setpoint_rh_pct
