"""CAUSES: why the room's true air left the band, minute by minute, and what the outlet really did.

In:    the simulated world, the decision that held, what the outlet did meanwhile.
Out:   hours by cause; seconds past the cap; the longest dry spell; readings that were passed over.
Never: looks at the name of a fault: a cause is found from what the parts did. Only the first alarm is
       counted from when the first fault begins.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from controller.core import air
from controller.core.records import Action, Decision, Inputs
from controller.simulator.room import Room
from controller.simulator.world import World

MISREAD_RH_PCT = 3.0
"""A belief further off than this is a cause; probes of the kind err by 2 %RH."""
JUMP_RH_PCT = 10.0
BRIEFLY_AWAY = 5
"""Minutes without a program that make no room dry."""
A_MOMENT = 2
"""Minutes in which a humidifier begins, or somebody fills it."""
WEAK = 0.9
"""Less than this is left of its output by scale."""
DAY_MINUTES = 1440
BY_REASON = {
    "untrusted": "probe",
    "cap": "cap",
    "tank_empty": "tank",
    "too_cold": "cold",
    "ceiling": "misread",
    "relay_stuck": "relay",
    "paused": "paused",
    "dew": "wall",
    "wall": "wall_held",
}
"""Code of the strictest refusal -> cause of dryness; those that are not here are pauses of rhythm."""
SPENT = ("cap", "tank_empty")
IN_VAIN = ("no_mist", "tank", "relay", "open", "small")
"""A cap, or a tank by estimate, that was used up in vain is a consequence of what made it vain."""


class Minute(NamedTuple):
    """What is known of the minute that has passed. ``held`` None: no program was running."""

    held: Decision | None
    outlet_on: bool
    never: Room  # the shadow whose humidifier never runs
    always: Room
    away_minutes: int = 0  # for so long already no program has run
    silent_minutes: int = 0  # for so long already the outlet was on and no mist came


def why_dry(world: World, minute: Minute, low_rh_pct: float, before: str, settled: bool) -> str:
    """``before``: the cause of the dry minute before this one, "" at the beginning of a spell.

    ``settled``: a humidifier that always ran has had time to wet the room.
    """
    held = minute.held
    if world.drive.open_per_s > 0.0:
        return "open"
    if held is None:
        return "power" if minute.away_minutes > BRIEFLY_AWAY else before or "climb"
    if held.relay_on and not minute.outlet_on:
        return "relay"
    if minute.outlet_on:
        return _while_on(world, minute, low_rh_pct, before, settled)
    return _while_off(world, held, before)


def _while_on(world: World, minute: Minute, low_rh_pct: float, before: str, settled: bool) -> str:
    humidifier = world.room.humidifier
    if not humidifier.misting:
        if humidifier.dry:
            return "tank"
        return "no_mist" if minute.silent_minutes > A_MOMENT else before or "climb"
    weak = settled and (minute.always.rh_pct < low_rh_pct or humidifier.share < WEAK)
    return "small" if weak else before or "climb"


def _while_off(world: World, held: Decision, before: str) -> str:
    wanted = bool(held.reasons) and held.reasons[-1].action != Action.CONTENT
    for reason in held.reasons:
        if reason.detail == "settling":  # a matter of three looks
            return before or "climb"
        if reason.code in BY_REASON and (wanted or reason.code == "untrusted"):
            return before if reason.code in SPENT and before in IN_VAIN else BY_REASON[reason.code]
    if held.rh_pct is not None and held.rh_pct > world.room.rh_pct + MISREAD_RH_PCT:
        return "misread"
    if any(notice.code == "wall_holds" for notice in held.notices):
        return "wall_held"
    return before or "climb"


def why_wet(world: World, minute: Minute, high_rh_pct: float, before: str) -> str:
    held = minute.held
    if not world.drive.heated:
        return "unheated"
    if minute.never.rh_pct > high_rh_pct:
        outdoor = world.outdoor
        inside_pct = air.rh_pct_from_humidity_ratio(
            world.room.temp_c, outdoor.humidity_ratio, outdoor.pressure_pa
        )
        brought_in = world.room.sources.given_kg > 0.0 and inside_pct < high_rh_pct - MISREAD_RH_PCT
        return "brought_in" if brought_in else "weather"
    if minute.outlet_on and (held is None or not held.relay_on):
        return "relay"
    if held is not None and held.rh_pct is not None and held.rh_pct < world.room.rh_pct - MISREAD_RH_PCT:
        return "misread"
    return before or "overshoot"


class OverCap:
    """Seconds of true on-time past the cap in any 24 h, on whole minutes: at most one a window too few."""

    def __init__(self, cap_s: float) -> None:
        self._cap_s = cap_s
        self._minutes: deque[float] = deque(maxlen=DAY_MINUTES)
        self._sum_s = 0.0
        self.over_s = 0.0

    def minute(self, on_s: float) -> None:
        if len(self._minutes) == DAY_MINUTES:
            self._sum_s -= self._minutes[0]
        self._minutes.append(on_s)
        self._sum_s += on_s
        if self._sum_s > self._cap_s:
            self.over_s += min(on_s, self._sum_s - self._cap_s)


class FirstAlarm:
    """The first fault alarm raised after ``from_s`` that did not stand before it."""

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._standing: frozenset[str] = frozenset()
        self.code = ""
        self.after_h: float | None = None

    def look(self, decision: Decision, now_s: float) -> None:
        if self.code or not (decision.alarms or self._standing):
            return
        codes = frozenset(alarm.code for alarm in decision.alarms)
        if now_s >= self._from_s:
            new = [alarm.code for alarm in decision.alarms if alarm.code not in self._standing]
            if new:
                self.code, self.after_h = new[0], (now_s - self._from_s) / 3600.0
        self._standing = codes


class PassedOver:
    """Counts single readings that jumped and were not believed."""

    def __init__(self) -> None:
        self.count = 0
        self._before: float | None = None

    def look(self, inputs: Inputs, decision: Decision) -> None:
        raw = inputs.readings[0].rh_pct if inputs.readings else None
        before, self._before = self._before, raw
        if raw is None or before is None or decision.rh_pct is None:
            return
        if raw - before > JUMP_RH_PCT or before - raw > JUMP_RH_PCT:
            self.count += abs(raw - decision.rh_pct) > JUMP_RH_PCT


class Spells:
    """Hours outside the band by cause, and the longest stretch below it."""

    def __init__(self) -> None:
        self.dry_minutes: dict[str, int] = {}
        self.wet_minutes: dict[str, int] = {}
        self.longest_dry_minutes = 0
        self._dry_minutes = 0
        self._dry = self._wet = ""
        self._minutes = self._silent_minutes = 0
        self._settled = False

    def minute(self, world: World, minute: Minute, low_rh_pct: float, high_rh_pct: float) -> None:
        rh = world.room.rh_pct
        self._minutes += 1
        humidifier = world.room.humidifier
        silent = minute.outlet_on and not humidifier.misting and not humidifier.dry
        self._silent_minutes = self._silent_minutes + 1 if silent else 0
        minute = minute._replace(silent_minutes=self._silent_minutes)
        if not self._settled:
            self._settle(minute.always.rh_pct >= low_rh_pct)
        if rh < low_rh_pct:
            self._dry = why_dry(world, minute, low_rh_pct, self._dry, self._settled)
            self.dry_minutes[self._dry] = self.dry_minutes.get(self._dry, 0) + 1
            self._dry_minutes += 1
            self.longest_dry_minutes = max(self.longest_dry_minutes, self._dry_minutes)
        else:
            self._dry, self._dry_minutes = "", 0
        if rh > high_rh_pct:
            self._wet = why_wet(world, minute, high_rh_pct, self._wet)
            self.wet_minutes[self._wet] = self.wet_minutes.get(self._wet, 0) + 1
        else:
            self._wet = ""

    def _settle(self, reached: bool) -> None:
        """A room that a day of endless mist has not wetted was never climbing."""
        if not reached and self._minutes > DAY_MINUTES and "climb" in self.dry_minutes:
            self.dry_minutes["small"] = self.dry_minutes.pop("climb") + self.dry_minutes.get("small", 0)
        self._settled = reached or self._minutes > DAY_MINUTES
