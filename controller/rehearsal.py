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
from typing import NamedTuple

from controller.core.records import Decision, Inputs
from controller.core.target import TargetLimits
from controller.simulator.room import Room
from controller.simulator.world import World

MINUTE_S = 60.0
NEAR_RH_PCT = 3.0


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
    run_h_per_day: float
    switchings_per_day: float
    litres_per_day: float
    fillings: int
    dry_h: float  # outlet on over an empty tank
    refused_h: dict[str, float]  # code -> hours in which it held the humidifier off while mist was wanted
    heat_kwh_per_day: float


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


class Witness:
    """Implements ``loop.Teller``: watches a rehearsal."""

    def __init__(self, world: World, target: TargetLimits, ceiling_rh_pct: float, trace: bool) -> None:
        self._world = world
        self._target = target
        self._ceiling_rh_pct = ceiling_rh_pct
        self.trace = Trace(*(array("d") for _ in Trace._fields)) if trace else None
        self._next_s = MINUTE_S
        self._last_on_s = 0.0
        self._cells = {True: [0, 0, 0], False: [0, 0, 0]}  # is_day -> minutes below, within, above
        self._lowest, self._highest, self._sum, self._minutes = 101.0, -1.0, 0.0, 0
        self._above_ceiling = self._controllable = self._near = 0
        self._refused_s: dict[str, float] = {}
        self._last_s = 0.0
        self._last: Decision | None = None
        never, always = (self._shadow() for _ in range(2))
        self._never, self._always = never, always

    def _shadow(self) -> Room:
        world = self._world
        return Room(
            world.bench.room,
            world.bench.humidifier,
            world.rate_l_per_h,
            float("inf"),
            world.outdoor.pressure_pa,
        )

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        mono_s = decision.at.mono_s
        last = self._last
        if last is not None and last.reasons and not last.relay_on:
            passed_s = mono_s - self._last_s
            if last.reasons[-1].code not in ("enough", "between_pulses"):  # mist was wanted, and refused
                for reason in last.reasons:
                    self._refused_s[reason.code] = self._refused_s.get(reason.code, 0.0) + passed_s
        self._last, self._last_s = decision, mono_s
        while mono_s >= self._next_s:
            self._minute(decision)
            self._next_s += MINUTE_S

    def _minute(self, decision: Decision) -> None:
        world = self._world
        rh, target = world.room.rh_pct, decision.target_rh_pct
        self._never.advance(MINUTE_S, False, world.outdoor, world.hold_temp_c)
        self._always.advance(MINUTE_S, True, world.outdoor, world.hold_temp_c)
        low, high = self._target.band_low_rh_pct, self._target.band_high_rh_pct
        self._cells[decision.is_day][0 if rh < low else 2 if rh > high else 1] += 1
        self._lowest, self._highest = min(self._lowest, rh), max(self._highest, rh)
        self._sum += rh
        self._minutes += 1
        self._above_ceiling += rh > self._ceiling_rh_pct
        if self._never.rh_pct < target < self._always.rh_pct:
            self._controllable += 1
            self._near += abs(rh - target) <= NEAR_RH_PCT
        if self.trace is not None:
            self._note(self.trace, decision)

    def _note(self, trace: Trace, decision: Decision) -> None:
        world, nan = self._world, float("nan")
        share = min(1.0, (world.on_s - self._last_on_s) / MINUTE_S)
        self._last_on_s += share * MINUTE_S
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
        )
        for column, value in zip(trace, row, strict=True):
            column.append(value)

    def summary(self) -> Summary:
        world = self._world
        days = max(world.mono_s, 1.0) / 86400.0
        below_d, in_d, above_d = self._cells[True]
        below_n, in_n, above_n = self._cells[False]
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
            world.on_s / 3600.0 / days,
            world.relay.switchings / days,
            world.room.used_l / days,
            world.keeper.fillings,
            world.dry_s / 3600.0,
            {code: seconds / 3600.0 for code, seconds in self._refused_s.items()},
            world.room.heat_kwh / days,
        )
