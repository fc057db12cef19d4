"""GUARDS: every reason the humidifier may be held off, in one list. No other file may refuse.

In:    Facts, gathered by ``step.py`` from what the earlier stages believe.
Out:   every refusal that applies, the strictest first.
Never: asks the time, touches hardware, drops a reason, or lets NaN pass (each test is written so
       that a comparison with NaN refuses).

OFF ends a run at once, even before its shortest on; WAIT only lets none begin. The order of the list
breaks ties.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import NamedTuple, Self

from pydantic import Field, model_validator

from controller.core.limits import Limits, TempC, contradiction
from controller.core.records import Action, Reason


class GuardLimits(Limits):
    """Limits on single runs and on the room."""

    shortest_on_s: float = Field(120.0, ge=0, le=3600, description="a run lasts at least this long")
    shortest_off_s: float = Field(120.0, ge=0, le=3600, description="a pause lasts at least this long")
    longest_run_minutes: float = Field(180.0, ge=1, le=1440, description="a single run ends after this")
    rest_minutes: float = Field(10.0, ge=0, le=240, description="the pause after a longest run")
    lowest_temp_c: TempC = Field(16.0, description="no mist into a room colder than this")
    stuck_after_s: float = Field(60.0, ge=5, le=3600, description="relay seen not as commanded for so long")

    @cached_property
    def longest_run_s(self) -> float:
        return self.longest_run_minutes * 60.0

    @cached_property
    def rest_s(self) -> float:
        return self.rest_minutes * 60.0

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.shortest_on_s > self.longest_run_s:
            raise contradiction(
                f"the shortest on of {self.shortest_on_s:g} s is longer than the longest run of "
                f"{self.longest_run_minutes:g} minutes",
                "guards.shortest_on_s", "guards.longest_run_minutes",
            )  # fmt: skip
        return self


class Facts(NamedTuple):
    """What the guards look at. Seconds are on the core's clock."""

    clock_ok: bool
    on: bool  # commanded on at the last tick
    on_for_s: float  # since the relay was commanded on; 0 while off
    off_for_s: float  # since it was commanded off; 0 while on
    rest_left_s: float  # of the pause after a longest run; 0 or less = over
    interval_s: float  # how far apart the looks are
    pause_left_s: float  # of the keeper's pause; 0 = none
    trusted: bool
    doubt: str
    doubt_detail: str
    ceiling_holds: bool
    rh_high_pct: float
    ceiling_rh_pct: float
    ceiling_release_rh_pct: float
    temp_c: float
    surface_c: float | None  # a measured surface, with the dew point of the room's air
    dew_c: float | None
    dew_margin_c: float
    wall_holds: bool  # a measured surface is as wet as the keeper lets it be
    wall_rh_pct: float | None  # RH at it; None: not known, and so it does not hold
    wall_most_rh_pct: float
    tank_empty: bool
    trial_allowed: bool
    trial_in_s: float | None  # when the next trial may be; None = never
    cap_reached: bool
    cap_used_s: float
    cap_s: float
    cap_free_in_s: float
    stuck_on_for_s: float  # seen on although commanded off; 0 = it obeys
    bypass: str  # where the hand/off/auto switch is said or seen to stand: "hand", "off", "" for auto
    bypass_left_s: float | None  # until a word about it runs out; None = seen by its own contact


Guard = Callable[[Facts, GuardLimits], Reason | None]


def clock(facts: Facts, limits: GuardLimits) -> Reason | None:
    """No duration can be kept by a clock that gives no number."""
    return None if facts.clock_ok else Reason("clock", Action.OFF)


def paused(facts: Facts, limits: GuardLimits) -> Reason | None:
    """The keeper asked for quiet; every pause ends."""
    if facts.pause_left_s <= 0.0:
        return None
    return Reason("paused", Action.OFF, facts.pause_left_s, clears_in_s=facts.pause_left_s)


def untrusted(facts: Facts, limits: GuardLimits) -> Reason | None:
    """No trust, no mist."""
    if facts.trusted:
        return None
    return Reason("untrusted", Action.OFF, detail=facts.doubt_detail or facts.doubt)


def ceiling(facts: Facts, limits: GuardLimits) -> Reason | None:
    """The keeper's upper limit, less the probe's accuracy; stronger than the shortest on."""
    if not facts.trusted or not facts.ceiling_holds:
        return None
    return Reason(
        "ceiling", Action.OFF, facts.rh_high_pct, facts.ceiling_rh_pct, facts.ceiling_release_rh_pct
    )


def dew(facts: Facts, limits: GuardLimits) -> Reason | None:
    """A measured surface is at the dew point: more mist would only run down the wall."""
    if facts.surface_c is None or facts.dew_c is None:
        return None
    if facts.surface_c >= facts.dew_c + facts.dew_margin_c:
        return None
    return Reason("dew", Action.OFF, facts.surface_c, facts.dew_c, facts.dew_c + facts.dew_margin_c)


def wall(facts: Facts, limits: GuardLimits) -> Reason | None:
    """Mould can grow on the coldest surface, which is measured; the keeper chose that it rules."""
    if not facts.wall_holds:
        return None
    return Reason("wall", Action.OFF, facts.wall_rh_pct, facts.wall_most_rh_pct)


def too_cold(facts: Facts, limits: GuardLimits) -> Reason | None:
    """Cold and wet together harm; the heating has probably failed."""
    if not facts.trusted or facts.temp_c >= limits.lowest_temp_c:
        return None
    return Reason("too_cold", Action.OFF, facts.temp_c, limits.lowest_temp_c, limits.lowest_temp_c)


def tank_empty(facts: Facts, limits: GuardLimits) -> Reason | None:
    """Nothing left by estimate, and no trial pulse due."""
    if not facts.tank_empty or facts.trial_allowed:
        return None
    return Reason("tank_empty", Action.OFF, 0.0, clears_in_s=facts.trial_in_s)


def runtime_cap(facts: Facts, limits: GuardLimits) -> Reason | None:
    """Hours in any 24."""
    if not facts.cap_reached:
        return None
    return Reason(
        "cap", Action.OFF, facts.cap_used_s / 3600.0, facts.cap_s / 3600.0, clears_in_s=facts.cap_free_in_s
    )


def longest_run(facts: Facts, limits: GuardLimits) -> Reason | None:
    """A run ends, and a rest follows, so that a lying probe cannot flood the room in one go."""
    if facts.on:
        if facts.on_for_s + facts.interval_s <= limits.longest_run_s or facts.on_for_s <= 0.0:
            return None
        return Reason(
            "longest_run", Action.OFF, facts.on_for_s / 60.0, limits.longest_run_minutes,
            clears_in_s=max(limits.rest_s, limits.shortest_off_s),
        )  # fmt: skip
    if facts.rest_left_s <= 0.0:
        return None
    return Reason(
        "longest_run", Action.WAIT, limits.longest_run_minutes, limits.longest_run_minutes,
        clears_in_s=facts.rest_left_s,
    )  # fmt: skip


def shortest_off(facts: Facts, limits: GuardLimits) -> Reason | None:
    """Spares the relay, and the humidifier's motor."""
    if facts.on or facts.off_for_s >= limits.shortest_off_s:
        return None
    return Reason(
        "shortest_off", Action.WAIT, facts.off_for_s, limits.shortest_off_s,
        clears_in_s=limits.shortest_off_s - facts.off_for_s,
    )  # fmt: skip


def relay_stuck(facts: Facts, limits: GuardLimits) -> Reason | None:
    """A relay seen on although commanded off gets no further command to be on."""
    if facts.stuck_on_for_s < limits.stuck_after_s:
        return None
    return Reason("relay_stuck", Action.OFF, facts.stuck_on_for_s, limits.stuck_after_s)


def bypassed(facts: Facts, limits: GuardLimits) -> Reason | None:
    """The outlet is not ours to switch: its hand/off/auto switch does not stand at auto."""
    if not facts.bypass:
        return None
    return Reason("bypassed", Action.OFF, clears_in_s=facts.bypass_left_s, detail=facts.bypass)


GUARDS: tuple[Guard, ...] = (
    clock,
    bypassed,
    paused,
    untrusted,
    ceiling,
    dew,
    wall,
    too_cold,
    tank_empty,
    runtime_cap,
    longest_run,
    shortest_off,
    relay_stuck,
)


def refusals(facts: Facts, limits: GuardLimits) -> tuple[Reason, ...]:
    """Every guard, every tick; the strictest first."""
    found = [reason for guard in GUARDS if (reason := guard(facts, limits)) is not None]
    if len(found) > 1:
        found.sort(key=_strictness)
    return tuple(found)


def _strictness(reason: Reason) -> int:
    return -reason.action
