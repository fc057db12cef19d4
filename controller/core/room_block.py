"""ROOM BLOCK: five minutes of air and mist, summed tick by tick as the room model needs them.

In:    each tick's air, and when mist was given.
Out:   ``Block``: sums, and the same weighed by how late in the block they fell; mist as each guess shows it.
Never: learns.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from controller.core import air, runtime
from controller.core.records import NEVER_T
from controller.core.runtime import RuntimeMemory

BLOCK_S = 300.0
STORE_S = 5400.0
"""How slowly walls and goods are taken to follow the RH."""
PA_PER_PCT = 29.85
"""A hundredth of about the saturation pressure at 24 °C: it only gives moisture a unit people know."""
DEAD_S, LAG_S = (30.0, 75.0, 120.0, 180.0), (30.0, 300.0, 900.0)
SHOWS = tuple((dead_s, lag_s) for lag_s in LAG_S for dead_s in DEAD_S)
"""Guesses of how mist shows at the probe: dead time, then a lag, seconds."""
NO_MIST = (0.0,) * len(SHOWS)


class Block(NamedTuple):
    """Sums over seconds since ``began_t``. ``gap``: slow RH less RH."""

    began_t: float = NEVER_T
    seen_s: float = 0.0
    v: float = 0.0
    v_late: float = 0.0
    gap: float = 0.0
    gap_late: float = 0.0
    temp: float = 0.0
    on_s: float = 0.0
    mist: tuple[float, ...] = NO_MIST
    mist_late: tuple[float, ...] = NO_MIST
    lagged: tuple[float, ...] = NO_MIST  # the lag of each guess as it stands: share of mist
    slow_rh_pct: float | None = None
    last: tuple[float, float] | None = None  # moisture and gap at the last tick


def moisture_of(temp_c: float, rh_pct: float) -> float:
    """Vapour pressure in %RH at 24 °C."""
    return air.vapour_pressure_pa(temp_c, rh_pct) / PA_PER_PCT


def tick(
    block: Block, t: float, dt_s: float, on_s: float, used: RuntimeMemory, rh_pct: float, temp_c: float
) -> Block:
    """One more look, ``dt_s`` (above 0) after the last."""
    began_t, seen_s, v, v_late, gap, gap_late, temp, was_on_s, mist, mist_late, lagged, slow, last = block
    late = min(max(t - 0.5 * dt_s - began_t, 0.0) / BLOCK_S, 1.0)
    moisture = moisture_of(temp_c, rh_pct)
    slow = rh_pct if slow is None else slow + (1.0 - exp(-dt_s / STORE_S)) * (rh_pct - slow)
    behind = slow - rh_pct
    before_v, before_gap = last or (moisture, behind)
    v_s, gap_s = 0.5 * (moisture + before_v) * dt_s, 0.5 * (behind + before_gap) * dt_s
    # Mist: exact, since the share is steady in between.
    shares = [min(runtime.on_s_between(used, t - dt_s - dead_s, t - dead_s) / dt_s, 1.0) for dead_s in DEAD_S]
    if any(shares) or max(lagged) > 1e-9:
        fades, within = _fades(dt_s)
        shares *= len(LAG_S)
        parts = [
            (share + (was - share) * mean) * dt_s
            for share, was, mean in zip(shares, lagged, within, strict=True)
        ]
        lagged = tuple(
            [share + (was - share) * fade for share, was, fade in zip(shares, lagged, fades, strict=True)]
        )
        mist = tuple([was + part for was, part in zip(mist, parts, strict=True)])
        mist_late = tuple([was + part * late for was, part in zip(mist_late, parts, strict=True)])
    return Block(
        began_t, seen_s + dt_s, v + v_s, v_late + v_s * late, gap + gap_s, gap_late + gap_s * late,
        temp + temp_c * dt_s, was_on_s + on_s, mist, mist_late, lagged, slow, (moisture, behind),
    )  # fmt: skip


def anew(block: Block, t: float) -> Block:
    """The next block; what follows slowly goes on."""
    return Block(t, lagged=block.lagged, slow_rh_pct=block.slow_rh_pct, last=block.last)


_FADES: dict[float, tuple[tuple[float, ...], tuple[float, ...]]] = {}


def _fades(dt_s: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """For each guess: what is left of a distance after this long, and of it in the mean meanwhile."""
    found = _FADES.get(dt_s)
    if found is None:
        if len(_FADES) > 64:
            _FADES.clear()
        left = tuple(exp(-dt_s / lag_s) for _, lag_s in SHOWS)
        within = tuple(lag_s / dt_s * (1.0 - fade) for (_, lag_s), fade in zip(SHOWS, left, strict=True))
        found = _FADES[dt_s] = left, within
    return found
