"""What the coldest surface of a room bears: ISO 13788's temperature factor, at steady mean temperatures.

In:    room and outdoor temperature, the room's RH, the factor fRsi, the RH allowed at the surface.
Out:   the surface's temperature, the highest RH the room may have, the factor a target needs.
Never: guesses a factor, or says that a surface is safe: one mean month is one steady state.

fRsi = (surface - outdoors) / (indoors - outdoors). Mould needs some 80 %RH at the surface as a month's
mean, condensation 100 %.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core import air


class Wall(NamedTuple):
    """The coldest surface against a target."""

    surface_c: float
    highest_rh_pct: float
    condensing_rh_pct: float
    frsi_needed: float | None
    says_no: bool
    """The target is above what the surface bears."""


def judge_wall(
    room_c: float, outdoor_c: float, target_rh_pct: float, frsi: float, surface_rh_pct: float
) -> Wall:
    highest_rh_pct = highest_room_rh_pct(room_c, outdoor_c, frsi, surface_rh_pct)
    return Wall(
        surface_c(room_c, outdoor_c, frsi),
        highest_rh_pct,
        highest_room_rh_pct(room_c, outdoor_c, frsi, 100.0),
        frsi_needed(room_c, outdoor_c, target_rh_pct, surface_rh_pct),
        target_rh_pct > highest_rh_pct,
    )


def surface_c(room_c: float, outdoor_c: float, frsi: float) -> float:
    return outdoor_c + frsi * (room_c - outdoor_c)


def highest_room_rh_pct(room_c: float, outdoor_c: float, frsi: float, surface_rh_pct: float) -> float:
    """The room's RH at which its coldest surface reaches ``surface_rh_pct``; 100 at most."""
    at_surface = air.surface_rh_pct(room_c, 1.0, surface_c(room_c, outdoor_c, frsi))
    return min(100.0, surface_rh_pct / at_surface)


def least_surface_c(room_c: float, rh_pct: float, surface_rh_pct: float) -> float:
    """The coldest a surface may be before the room's air passes ``surface_rh_pct`` at it.

    Good up to ``surface_rh_pct`` in the room; wetter air needs a surface warmer than itself.
    """
    return air.dew_point_c(room_c, 100.0 * rh_pct / surface_rh_pct)


def frsi_needed(room_c: float, outdoor_c: float, rh_pct: float, surface_rh_pct: float) -> float | None:
    """The least factor that bears ``rh_pct``; 0 where any does, None where not even 1 does."""
    if rh_pct > surface_rh_pct:
        return None
    least_c = least_surface_c(room_c, rh_pct, surface_rh_pct)
    return 0.0 if outdoor_c >= least_c else (least_c - outdoor_c) / (room_c - outdoor_c)
