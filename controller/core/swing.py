"""SWING: between which two figures the air may go to and fro.

In:    the band and the distance kept from its edges, the setpoint, what the room and its shortest run do.
Out:   where mist begins, and where it ends.
Never: passes the keeper's choice: "keep-hours" as wide as the band allows, for few switchings; "keep-error"
       as near the setpoint as pulses of some minutes make it.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from controller.core.limits import Foresight
from controller.core.records import Room

EDGE_RH_PCT = 0.6
"""Distance kept from the edges of the band, besides what the observer usually misses by."""
LEAST_HALF_RH_PCT = 0.5
SPARING_HALF_RH_PCT = 1.5
"""keep-hours, where water or cap is scarce: a wider swing would hold the air moister than it must be."""
ERROR_PERIOD_S = 300.0
"""keep-error: a pulse and its pause together; half of it would halve the swing and double the switchings."""


class Within(NamedTuple):
    """%RH, seconds."""

    low_rh_pct: float  # of the band
    high_rh_pct: float
    edge_rh_pct: float  # kept from both
    most_half_rh_pct: float  # from the setpoint, where something else than the band bounds it
    shortest_on_s: float
    tick_s: float


def edges(
    choice: Foresight, setpoint_rh_pct: float, centre_rh_pct: float, paced: bool, within: Within,
    room: Room, per_pct: float, duty: float,
) -> tuple[float, float]:  # fmt: skip
    """Lower and upper. ``centre_rh_pct``: the setpoint, or what water and cap bear where ``paced``.

    ``duty``: the mean of about the last day, 0 to 1.
    """
    low, high, edge, most_half, shortest_on_s, tick_s = within
    lowest, highest, centre = low + edge, high - edge, centre_rh_pct
    rise = room.gain * per_pct / 3600.0  # a second
    pulse = rise * shortest_on_s * _kept((room.loss + room.store * per_pct) * shortest_on_s / 3600.0)
    if choice == "keep-error":
        share = between(duty, 0.1, 0.9)
        below = above = 0.5 * ERROR_PERIOD_S * rise * share * (1.0 - share)
        floor = centre - 0.5 * pulse  # a run too strong for the edges passes the target by half
    else:
        if paced:
            centre = min(max(centre, lowest + SPARING_HALF_RH_PCT), setpoint_rh_pct)
        below, above = (SPARING_HALF_RH_PCT,) * 2 if paced else (centre - lowest, highest - centre)
        # Where the band has no room for both edges and the shortest run, both are given up alike.
        floor = max(min(low + 0.5 * edge, 0.5 * (low + high - pulse)), low + EDGE_RH_PCT)
    below = max(min(below, most_half), LEAST_HALF_RH_PCT)
    above = max(min(above, most_half), LEAST_HALF_RH_PCT)
    # A run lasts at least its shortest, and ends at a look: what it gives beyond the edge is kept below it.
    lower = min(max(min(centre - below, highest - pulse), floor), setpoint_rh_pct)
    return lower, centre + above - 0.5 * rise * tick_s


def _kept(pulls: float) -> float:
    """Of steady mist, what is still there at the end of a run in which so much of it would be pulled away."""
    pulls = between(pulls, 1e-3, 1.0)
    return (1.0 - exp(-pulls)) / pulls


def between(figure: float, least: float, most: float) -> float:
    """Bounded; what is no number is the least."""
    return (figure if figure < most else most) if figure >= least else least
