"""REHEARSAL: what a rehearsed stretch was like, told from the room's true air.

In:    the simulated world and each decision, once a minute.
Out:   figures a keeper understands (``Summary``), and the minute-by-minute trace for a picture.
Never: looks at what the probe said when it can look at the truth.

*Controllable* minutes: two shadow rooms run beside the real one in the same weather, one whose
humidifier never runs and one whose humidifier always runs with endless water. Where the first is
below the target and the second above it, the controller could have decided; only there it is judged.
"""

from __future__ import annotations

from array import array
from math import sqrt
from typing import NamedTuple

from controller.causes import FirstAlarm, Minute, OverCap, PassedOver, Spells
from controller.core.records import Action, Decision, Inputs
from controller.core.room_words import learned
from controller.core.target import TargetLimits, wanted
from controller.simulator.room import Room
from controller.simulator.world import World

MINUTE_S = 60.0
NEAR_RH_PCT = 3.0
SHADOW_MINUTES = 5


class Hours(NamedTuple):
    """Hours spent below, in and above the band."""

    below: float
    within: float
    above: float


class Summary(NamedTuple):
    """A rehearsed stretch. RH is the room's true one."""

    days: float
    day: Hours
    night: Hours
    lowest_rh_pct: float
    highest_rh_pct: float
    mean_rh_pct: float
    above_ceiling_h: float
    controllable_h: float
    near_target_h: float  # of the controllable hours, those within 3 %RH of the target
    rms_from_target_rh_pct: float  # over every minute, decided by control or not
    run_h_per_day: float
    switchings_per_day: float
    litres_per_day: float
    fillings: int
    dry_h: float  # outlet on over an empty tank
    refused_h: dict[str, float]  # code -> hours in which it held the humidifier off while mist was wanted
    heat_kwh_per_day: float
    dry_because_h: dict[str, float] = {}  # noqa: RUF012 - cause -> hours below the band; see ``causes``
    wet_because_h: dict[str, float] = {}  # noqa: RUF012 - cause -> hours above it
    longest_dry_h: float = 0.0  # the longest stretch below the band
    over_cap_h: float = 0.0  # the outlet's true on-time past the cap in any 24 h
    passed_over: int = 0  # single readings that jumped and were not believed
    first_alarm: str = ""  # the first raised after the first scripted fault began
    first_alarm_after_h: float | None = None
    notices: tuple[str, ...] = ()  # their codes, each once
    away_h: float = 0.0  # no program was running
    starts: int = 1  # of the program
    boots: int = 1  # of the board
    clock_changes_h: float = 0.0  # how far daylight saving moved the clock
    wall_wet_kg: float = 0.0  # condensed on the coldest surface
    coldest_c: float = 99.0
    warmest_c: float = -99.0
    unheated_h: float = 0.0  # the heating was broken
    enclosures: Hours | None = None  # the same band, by the air the animals had
    enclosures_mean_rh_pct: float | None = None
    learned: tuple[str, ...] = ()  # of the room, in words; empty without foresight


class Trace(NamedTuple):
    """One value a minute."""

    hours: array[float]
    true_rh_pct: array[float]
    probe_rh_pct: array[float]  # NaN where not trusted
    target_rh_pct: array[float]
    on_share: array[float]
    tank_l: array[float]
    believed_l: array[float]  # NaN where unknown
    temp_c: array[float]
    outdoor_c: array[float]
    enclosures_rh_pct: array[float]  # NaN without any


class Witness:
    """Implements ``loop.Teller``: watches a rehearsal."""

    def __init__(
        self, world: World, target: TargetLimits, ceiling_rh_pct: float, trace: bool, cap_s: float = 86400.0
    ) -> None:
        self._world = world
        self._target = target
        self._ceiling_rh_pct = ceiling_rh_pct
        self.trace = Trace(*(array("d") for _ in Trace._fields)) if trace else None
        self._next_s = MINUTE_S
        self._last_on_s = 0.0
        self._cells = {True: [0, 0, 0], False: [0, 0, 0]}  # is_day -> minutes below, within, above
        self._lowest, self._highest, self._sum, self._squares, self._minutes = 101.0, -1.0, 0.0, 0.0, 0
        self._above_ceiling = self._controllable = self._near = 0
        self._refused_s: dict[str, float] = {}
        self._last_s = 0.0
        self._last: Decision | None = None
        self._before_away: Decision | None = None
        never, always = (self._shadow() for _ in range(2))
        self.never, self._always = never, always
        self._air = (world.outdoor, world.drive)  # of the minute that has begun
        self._coldest_c, self._warmest_c, self._unheated = 99.0, -99.0, 0
        self._inside = [0, 0, 0]  # minutes below, within, above in the enclosures
        self._inside_sum = 0.0
        self._on_s = 0.0
        self._outlet_on = False  # in the step that has passed
        self._away_minutes = self._away_since = 0
        self._notices: set[str] = set()
        self._spells, self._passed_over, self._over_cap = Spells(), PassedOver(), OverCap(cap_s)
        self._first_alarm = FirstAlarm(
            min((fault.begins_s for fault in world.bench.fault if fault.lasts_h != 0.0), default=0.0)
        )

    def _shadow(self) -> Room:
        world = self._world
        return Room(
            world.bench,
            world.rate_l_per_h,
            float("inf"),
            world.outdoor.pressure_pa,
            SHADOW_MINUTES * MINUTE_S,
        )

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        mono_s = self._world.mono_s  # the board's own count begins anew when it does
        last = self._last
        if last is not None and last.reasons and not last.relay_on:
            passed_s = mono_s - self._last_s
            if last.reasons[-1].action != Action.CONTENT:  # mist was wanted, and refused
                for reason in last.reasons:
                    self._refused_s[reason.code] = self._refused_s.get(reason.code, 0.0) + passed_s
        self._see_outlet()
        self._away_since = self._minutes
        while mono_s >= self._next_s:
            self._minute(decision, decision if last is None else last)
            self._next_s += MINUTE_S
        self._passed_over.look(inputs, decision)
        self._first_alarm.look(decision, mono_s)
        for notice in decision.notices:
            self._notices.add(notice.code)
        self._last, self._last_s = decision, mono_s

    def unattended(self) -> None:
        """Time has passed, and no program was running."""
        self._see_outlet()
        last, world = self._last_attended(), self._world
        while last is not None and world.mono_s >= self._next_s:
            target = wanted(world.wall(), 0.0, 100.0, self._target)
            seen = last._replace(rh_pct=None, tank_l=None, target_rh_pct=target.rh_pct, is_day=target.is_day)
            self._minute(seen, None)
            self._away_minutes += 1
            self._next_s += MINUTE_S

    def _last_attended(self) -> Decision | None:
        """What was decided last; from now on nothing holds."""
        if self._last is not None:
            self._before_away, self._last = self._last, None
        return self._before_away

    def _see_outlet(self) -> None:
        on_s = self._world.on_s
        self._outlet_on, self._on_s = on_s > self._on_s, on_s

    def _minute(self, decision: Decision, held: Decision | None) -> None:
        """``held``: the decision that ruled the minute; None without a program."""
        world = self._world
        rh, target = world.room.rh_pct, decision.target_rh_pct
        if self._minutes % SHADOW_MINUTES == 0:
            self._shadows()
        low, high = self._target.band_low_rh_pct, self._target.band_high_rh_pct
        self._cells[decision.is_day][0 if rh < low else 2 if rh > high else 1] += 1
        temp_c = world.room.temp_c
        self._coldest_c, self._warmest_c = min(self._coldest_c, temp_c), max(self._warmest_c, temp_c)
        self._unheated += not world.drive.heated
        if world.room.enclosure is not None:
            inside = world.room.enclosure.rh_pct
            self._inside[0 if inside < low else 2 if inside > high else 1] += 1
            self._inside_sum += inside
        self._lowest, self._highest = min(self._lowest, rh), max(self._highest, rh)
        self._sum += rh
        self._squares += (rh - target) ** 2
        self._minutes += 1
        self._above_ceiling += rh > self._ceiling_rh_pct
        if self.never.rh_pct < target < self._always.rh_pct:
            self._controllable += 1
            self._near += abs(rh - target) <= NEAR_RH_PCT
        away = self._minutes - self._away_since
        minute = Minute(held, self._outlet_on, self.never, self._always, away)
        self._spells.minute(world, minute, low, high)
        share = min(1.0, (world.on_s - self._last_on_s) / MINUTE_S)
        self._last_on_s += share * MINUTE_S
        self._over_cap.minute(share * MINUTE_S)
        if self.trace is not None:
            self._note(self.trace, decision, share)

    def _note(self, trace: Trace, decision: Decision, share: float) -> None:
        world, nan = self._world, float("nan")
        row = (
            self._next_s / 3600.0,
            world.room.rh_pct,
            nan if decision.rh_pct is None else decision.rh_pct,
            decision.target_rh_pct,
            share,
            world.room.tank_l,
            nan if decision.tank_l is None else decision.tank_l,
            world.room.temp_c,
            world.outdoor.temp_c,
            nan if world.room.enclosure is None else world.room.enclosure.rh_pct,
        )
        for column, value in zip(trace, row, strict=True):
            column.append(value)

    def _shadows(self) -> None:
        """The shadow rooms go on, five minutes at a time: nothing in them switches."""
        world = self._world
        outdoor, drive = self._air
        for shadow, on in ((self.never, False), (self._always, True)):
            shadow.sources.follow(world.room.sources)
            shadow.humidifier.run_s = world.room.humidifier.run_s  # scaled like the one it stands for
            shadow.advance(SHADOW_MINUTES * MINUTE_S, on, outdoor, drive)
        self._air = (world.outdoor, world.drive)

    def summary(self) -> Summary:
        world = self._world
        days = max(world.mono_s, 1.0) / 86400.0
        below_d, in_d, above_d = self._cells[True]
        below_n, in_n, above_n = self._cells[False]
        last = self._last or self._before_away
        return Summary(
            days,
            Hours(below_d / 60, in_d / 60, above_d / 60),
            Hours(below_n / 60, in_n / 60, above_n / 60),
            self._lowest,
            self._highest,
            self._sum / max(self._minutes, 1),
            self._above_ceiling / 60,
            self._controllable / 60,
            self._near / 60,
            sqrt(self._squares / max(self._minutes, 1)),
            world.on_s / 3600.0 / days,
            world.relay.switchings / days,
            world.room.used_l / days,
            world.keeper.fillings,
            world.dry_s / 3600.0,
            {code: seconds / 3600.0 for code, seconds in self._refused_s.items()},
            world.room.heat_kwh / days,
            _hours(self._spells.dry_minutes),
            _hours(self._spells.wet_minutes),
            self._spells.longest_dry_minutes / 60,
            self._over_cap.over_s / 3600.0,
            self._passed_over.count,
            self._first_alarm.code,
            self._first_alarm.after_h,
            tuple(sorted(self._notices)),
            self._away_minutes / 60,
            world.lives,
            world.boots,
            world.clock_changes_s / 3600.0,
            world.room.wall_kg,
            self._coldest_c,
            self._warmest_c,
            self._unheated / 60,
            None if world.room.enclosure is None else Hours(*(minutes / 60 for minutes in self._inside)),
            None if world.room.enclosure is None else self._inside_sum / max(self._minutes, 1),
            () if last is None else tuple(learned(last, world.rate_l_per_h)),
        )


def _hours(minutes: dict[str, int]) -> dict[str, float]:
    return {cause: count / 60 for cause, count in minutes.items()}
