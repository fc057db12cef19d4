"""ALARMS: what is wrong (fault alarms) and what is worth knowing (notices), raised once each.

In:    the codes that hold this tick, with their figures.
Out:   the messages as they stand, each with the time it began.
Never: raises one twice while it stands, or forgets when it began.

A condition listed in ``PATIENCE_S`` must last that long before it is said.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from controller.core.records import Message

NOTICES = frozenset({"tank_low", "cap_reached", "wall_estimate", "wall_wet", "too_humid", "power_was_out"})
NOTICES |= {
    "outrun",
    "cleaning_due",
    "calibration_due",
    "bypassed",
    "calibrating",
    "probe_returns",
    "state_restored",
    "stands_open",
}
NOTICES |= {"outdoor_lost", "wall_holds", "wall_month", "mould_begins", "mould_visible"}
"""A notice tells of the world. All else is a fault alarm: probe, relay, humidifier, board or record."""

PATIENCE_S = {
    "probe_lost": 600.0,
    "one_probe_lost": 600.0,
    "probes_apart": 1800.0,
    "relay_stuck_on": 60.0,
    "relay_no_answer": 60.0,
    "wall_estimate": 3600.0,
    "wall_holds": 1800.0,
    "wall_lost": 3600.0,
    "outdoor_lost": 3600.0,
    "room_cold": 1800.0,
    "clock_doubted": 3600.0,
    "too_humid": 3 * 3600.0,
    "below_band": 4 * 3600.0,
    "outrun": 4 * 3600.0,
    "mist_weak": 12 * 3600.0,
}
"""How long each must last before it is said. Common practice, no source."""


class Condition(NamedTuple):
    """Something that holds this tick."""

    code: str
    seen: float | None = None
    limit: float | None = None
    detail: str = ""


class Standing(NamedTuple):
    """A condition since when; it is said once it has lasted."""

    code: str
    since_t: float
    since: datetime
    said: bool
    seen: float | None
    limit: float | None
    detail: str
    acked_by: str = ""

    @property
    def message(self) -> Message:
        return Message(self.code, self.since, self.seen, self.limit, self.detail, self.acked_by)


NONE: tuple[Standing, ...] = ()


def advance(
    memory: tuple[Standing, ...], conditions: list[Condition], t: float, wall: datetime
) -> tuple[Standing, ...]:
    """The standing conditions after this tick; figures are those of the moment it was said."""
    if not conditions:
        return NONE
    if _all_said(memory, conditions):
        return memory
    before = {standing.code: standing for standing in memory}
    after = []
    changed = len(memory) != len(conditions)
    for code, seen, limit, detail in conditions:
        standing = before.get(code)
        if standing is None:
            standing = Standing(code, t, wall, code not in PATIENCE_S, seen, limit, detail)
            changed = True
        elif not standing.said and t - standing.since_t >= PATIENCE_S.get(code, 0.0):
            standing = standing._replace(said=True, seen=seen, limit=limit, detail=detail)
            changed = True
        after.append(standing)
    return tuple(after) if changed else memory


def _all_said(memory: tuple[Standing, ...], conditions: list[Condition]) -> bool:
    """Whether these stand already and are said: nothing changes, as at nearly every tick."""
    if len(memory) != len(conditions):
        return False
    for standing, condition in zip(memory, conditions, strict=True):
        if not standing.said or standing.code != condition.code:
            return False
    return True


def acknowledge(memory: tuple[Standing, ...], by: str) -> tuple[tuple[Standing, ...], int]:
    """Notes who knows of every fault alarm that is said and not yet known of; and how many those were."""
    fresh = [standing.said and is_fault(standing.code) and not standing.acked_by for standing in memory]
    after = tuple(
        standing._replace(acked_by=by) if new else standing
        for standing, new in zip(memory, fresh, strict=True)
    )
    return after, sum(fresh)


def is_fault(code: str) -> bool:
    return code not in NOTICES


def said(memory: tuple[Standing, ...]) -> tuple[tuple[Message, ...], tuple[Message, ...]]:
    """What is said of them: the fault alarms, the notices."""
    faults: list[Message] = []
    notices: list[Message] = []
    for standing in memory:
        if standing.said:
            (faults if is_fault(standing.code) else notices).append(standing.message)
    return tuple(faults), tuple(notices)
