"""No control and the timer: commands by the rule alone, readings and books like the real controller's."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import pytest

from controller.core.alarms import is_fault
from controller.core.controller import Controller
from controller.core.records import Action, Decision, Inputs, Instant, Reading, Reason, Request
from controller.lives import Rehearsal
from controller.loop import Loop
from controller.settings import Settings
from controller.simulator.baselines import DEAF, ByRule, EveryOtherHour, NeverOn, Rule
from controller.simulator.world import weather_offset_s
from controller.wiring import make_rehearsal, make_weather_of
from tests.loop.helpers import Bench, FakeProbe

HOUR_S = 3600.0
NEVER, TIMER = NeverOn(), EveryOtherHour()
PLAIN = Settings(bench={"days": 1.0}, loop={"tick_s": 60.0}, room={"timezone": "UTC"})


class Ear:
    """Implements ``loop.Teller``: keeps each decision, and the RH of the shadow room that never gets mist."""

    def __init__(self) -> None:
        self.rehearsal: Rehearsal | None = None
        self.decisions: list[Decision] = []
        self.never_rh_pct: list[float] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        assert self.rehearsal is not None
        self.decisions.append(decision)
        self.never_rh_pct.append(self.rehearsal.witness.never.rh_pct)

    def runs_s(self) -> list[tuple[datetime, float]]:
        """(local time, seconds) of each run that began and ended."""
        found: list[tuple[datetime, float]] = []
        began: Instant | None = None
        for decision in self.decisions:
            if decision.relay_on and began is None:
                began = decision.at
            elif not decision.relay_on and began is not None:
                found.append((began.wall, decision.at.mono_s - began.mono_s))
                began = None
        return found


def rehearse(settings: Settings, rule: Rule | None) -> tuple[Rehearsal, Ear]:
    ear = Ear()
    ear.rehearsal = make_rehearsal(settings, True, (ear,), rule)
    ear.rehearsal.run()
    return ear.rehearsal, ear


@lru_cache
def plain(name: str) -> tuple[Rehearsal, Ear]:
    """A day of the default room; not changed afterwards."""
    rules: dict[str, Rule | None] = {"never": NEVER, "timer": TIMER, "control": None}
    return rehearse(PLAIN, rules[name])


def settings_of(**groups: Any) -> Settings:
    base: dict[str, Any] = {
        "bench": {"days": 1.0},
        "loop": {"tick_s": 60.0},
        "room": {"timezone": "UTC"},
    }
    for name, values in groups.items():
        base[name] = {**base.get(name, {}), **values}
    return Settings(**base)


# The same room, weather and days


@pytest.mark.parametrize("name", ["never", "timer", "control"])
def test_the_weather_is_that_of_the_seed(name: str) -> None:
    rehearsal, _ = plain(name)
    trace, weather = rehearsal.witness.trace, make_weather_of(PLAIN, PLAIN.bench.seed)
    assert trace is not None
    from_s = weather_offset_s(weather, rehearsal.world.start)
    told = [weather.at(from_s + 60.0 * minute).temp_c for minute in range(1, 24 * 60 + 1)]
    assert list(trace.outdoor_c) == told
    assert len(set(told)) > 1000  # it is weather, and not one figure


def test_never_on_is_the_shadow_room_that_the_real_rehearsals_are_judged_by() -> None:
    """Two ways to the same air: the loop over the world, and the witness's own room beside another run."""
    trace = plain("never")[0].witness.trace
    assert trace is not None
    for name in ("control", "timer"):
        beside = plain(name)[1].never_rh_pct[1:]  # from the first whole minute on
        assert len(beside) == len(trace.true_rh_pct) == 1440
        # The shadow goes in steps of five minutes: weather and heating reach it up to so much later.
        apart = sorted(abs(a - b) for a, b in zip(beside[4::5], trace.true_rh_pct[4::5], strict=True))
        assert apart[int(0.97 * len(apart))] < 0.25
        assert apart[-1] < 1.0
    wet = plain("control")[0].witness.trace
    assert wet is not None
    assert max(abs(a - b) for a, b in zip(wet.true_rh_pct, trace.true_rh_pct, strict=True)) > 20.0


def test_the_same_seed_gives_the_same_rows_and_another_others() -> None:
    first, again = plain("timer")[0].witness.trace, rehearse(PLAIN, TIMER)[0].witness.trace
    assert first is not None
    assert again is not None
    assert list(first.true_rh_pct) == list(again.true_rh_pct)
    assert [rh == rh for rh in first.probe_rh_pct] == [rh == rh for rh in again.probe_rh_pct]
    other = rehearse(settings_of(bench={"seed": 2}), TIMER)[0].witness.trace
    assert other is not None
    assert list(first.true_rh_pct) != list(other.true_rh_pct)


# No control


def test_no_control_takes_no_water_and_never_runs() -> None:
    rehearsal, ear = plain("never")
    summary = rehearsal.witness.summary()
    assert (summary.litres_per_day, summary.switchings_per_day, summary.run_h_per_day) == (0.0, 0.0, 0.0)
    assert (summary.fillings, summary.dry_h, summary.refused_h) == (0, 0.0, {})
    assert rehearsal.world.room.tank_l == PLAIN.tank.tank_l
    assert not any(decision.relay_on for decision in ear.decisions)


# The timer


@pytest.mark.parametrize("tick_s", [15.0, 30.0, 60.0])
def test_the_timer_runs_twelve_hours_a_day(tick_s: float) -> None:
    """Ticks that divide the hour: to the second."""
    rehearsal, ear = rehearse(settings_of(loop={"tick_s": tick_s}), TIMER)
    summary = rehearsal.witness.summary()
    assert summary.run_h_per_day == pytest.approx(12.0, abs=1e-9)
    assert summary.switchings_per_day / 2 == pytest.approx(12.0)
    assert [began.hour for began, _ in ear.runs_s()] == list(range(1, 24, 2))


@pytest.mark.parametrize("tick_s", [17.0, 29.0, 47.0, 59.5])
def test_at_any_tick_each_run_is_an_hour_within_one_tick(tick_s: float) -> None:
    _, ear = rehearse(settings_of(loop={"tick_s": tick_s}, bench={"days": 1.02}), TIMER)
    runs = ear.runs_s()
    assert len(runs) == 12
    for began, seconds in runs:
        assert abs(seconds - HOUR_S) <= tick_s
        assert began.hour % 2 == 1
        assert began.minute * 60 + began.second < tick_s


@pytest.mark.parametrize("starts", [datetime(2026, 1, 12, 0, 30), datetime(2026, 1, 12, 9, 17)])  # noqa: DTZ001
@pytest.mark.parametrize("timezone", ["UTC", "Asia/Kolkata", "America/Denver"])
def test_it_goes_by_the_local_clock_wherever_the_day_begins(starts: datetime, timezone: str) -> None:
    settings = settings_of(room={"timezone": timezone}, bench={"starts": starts})
    rehearsal, ear = rehearse(settings, TIMER)
    assert rehearsal.witness.summary().run_h_per_day == pytest.approx(12.0, abs=1e-9)
    whole = [(began, seconds) for began, seconds in ear.runs_s() if began > ear.decisions[0].at.wall]
    assert len(whole) >= 11
    assert all((began.minute, seconds) == (0, HOUR_S) for began, seconds in whole)


@pytest.mark.parametrize("day", [datetime(2026, 3, 29), datetime(2026, 10, 25)])  # noqa: DTZ001
def test_on_the_days_the_clocks_change_it_follows_the_wall(day: datetime) -> None:
    """Europe's clocks change on the last Sundays of March and October (directive 2000/84/EC): the hour from
    2 to 3, one without mist, is left out or comes twice."""
    settings = settings_of(room={"timezone": "Europe/Oslo"}, bench={"starts": day})
    _, ear = rehearse(settings, TIMER)
    runs = [(began.hour, seconds) for began, seconds in ear.runs_s() if began.date() == day.date()]
    if day.month == 3:  # 1 to 2 and 3 to 4 have become one
        assert runs[0] == (1, 2 * HOUR_S)
        assert runs[1:] == [(hour, HOUR_S) for hour in range(5, 24, 2)]
    else:
        assert runs[:2] == [(1, HOUR_S), (3, HOUR_S)]
        off = [step for step in ear.decisions if step.at.wall.hour == 2 and step.at.mono_s < 6 * HOUR_S]
        assert len(off) == 120  # two hours of ticks of a minute
        assert not any(step.relay_on for step in off)


def test_no_guard_holds_it_off() -> None:
    """A cap, a ceiling below the room's air, a dry tank, a pause: twelve hours all the same."""
    settings = settings_of(
        target={"day_rh_pct": 35, "night_rh_pct": 36, "band_low_rh_pct": 30, "band_high_rh_pct": 40},
        ceiling={"highest_rh_pct": 40},
        runtime={"cap_hours_in_any_24": 1},
        tank={"tank_l": 0.4, "full_tank_lasts_h": 1},
        bench={"keeper": {"looks_in": ()}},
    )
    ear = Ear()
    ear.rehearsal = make_rehearsal(settings, True, (ear,), TIMER)
    ear.rehearsal.world.keeper.ask(Request("pause", for_s=12 * HOUR_S))
    ear.rehearsal.run()
    summary = ear.rehearsal.witness.summary()
    assert summary.run_h_per_day == pytest.approx(12.0, abs=1e-9)
    assert summary.dry_h == pytest.approx(
        11.0, abs=1 / 30
    )  # an hour of water, by what the tank is told to last
    assert summary.litres_per_day == pytest.approx(0.4)
    assert summary.above_ceiling_h > 0.0
    assert summary.refused_h == {}
    controlled, _ = rehearse(settings, None)
    assert controlled.witness.summary().run_h_per_day < 1.01  # there the cap is obeyed


# What it says of itself


def test_its_decision_says_that_a_rule_decided() -> None:
    for decision in plain("timer")[1].decisions:
        assert decision.alarms == decision.notices == ()
        assert decision.duty is decision.starts_below_rh_pct is None
        if decision.relay_on:
            assert (decision.on_because, decision.reasons) == ("timer", ())
        else:
            assert (decision.on_because, decision.reasons) == ("", (Reason("timer", Action.CONTENT),))
    never = plain("never")[1].decisions
    assert {decision.reasons for decision in never} == {(Reason("no_control", Action.CONTENT),)}


def steps(decider: Controller | ByRule, readings: list[Reading], start: datetime) -> list[Decision]:
    found = []
    for index, reading in enumerate(readings):
        at = Instant(10.0 * index, start + timedelta(seconds=10 * index), True, "boot")
        found.append(decider.step(Inputs((reading,)), at))
    return found


def test_it_notes_readings_and_targets_as_the_controller_does() -> None:
    """Noise, a jump, silence and nonsense: what is believed is the same."""
    start = datetime(2026, 1, 12, 7, 25, tzinfo=UTC)  # across the change from night to day
    readings = [Reading(50.0 + 0.1 * (index % 7), 24.0) for index in range(140)]
    readings[20:25] = [Reading(90.0, 24.0)] * 5
    readings[40:120] = [Reading(failure="silent")] * 80
    readings[130] = Reading(float("nan"), 24.0)
    ours = steps(Controller(PLAIN), readings, start)
    rule = steps(ByRule(PLAIN, NEVER), readings, start)
    for field in ("rh_pct", "rh_high_pct", "temp_c", "target_rh_pct", "is_day", "ceiling_rh_pct"):
        assert [getattr(step, field) for step in rule] == [getattr(step, field) for step in ours], field
    assert {step.rh_pct is None for step in rule} == {True, False}
    assert any(is_fault(alarm.code) for step in ours for alarm in step.alarms)  # it would have warned
    assert all(step.alarms == () for step in rule)


def test_a_probe_that_is_silent_or_mad_changes_no_command() -> None:
    at_one = datetime(2026, 1, 12, 1, 0, tzinfo=UTC)
    for reading in (Reading(failure="silent"), Reading(100.0, 24.0), Reading(float("nan"), float("nan"))):
        assert all(step.relay_on for step in steps(ByRule(PLAIN, TIMER), [reading] * 20, at_one))
    assert not any(step.relay_on for step in steps(ByRule(PLAIN, NEVER), [Reading(1.5, 24.0)] * 20, at_one))


def test_runtime_and_tank_are_booked_by_what_the_rule_did() -> None:
    """A tank of 4 L that lasts 10 h is down by 0.4 L after the first hour on (full at the start)."""
    decisions = plain("timer")[1].decisions
    at = {decision.at.wall.strftime("%d %H:%M"): decision for decision in decisions}
    assert at["12 01:00"].tank_l == pytest.approx(4.0)
    assert at["12 02:00"].tank_l == pytest.approx(3.6)
    assert at["12 02:00"].used_s == pytest.approx(HOUR_S)
    assert at["12 23:59"].used_s == pytest.approx(11.0 * HOUR_S + 59 * 60)
    assert plain("never")[1].decisions[-1].used_s == 0.0


def test_a_filling_is_noted_and_a_wish_refused_in_words() -> None:
    decider = ByRule(PLAIN, NEVER)
    start = datetime(2026, 1, 12, tzinfo=UTC)
    decider.step(Inputs((Reading(50.0, 24.0),)), Instant(0.0, start))
    asked = (Request("pause", for_s=600.0), Request("refilled"), Request("humidify_now", for_s=600.0))
    decision = decider.step(Inputs((Reading(50.0, 24.0),), requests=asked), Instant(10.0, start))
    told = {answer.request.kind: (answer.done, answer.words) for answer in decision.answers}
    assert len(told) == len(decision.answers) == 3
    assert told["refilled"][0] is True
    assert told["pause"] == told["humidify_now"] == (False, DEAF)
    assert not decision.relay_on
    assert decision.tank_l == PLAIN.tank.tank_l


# Through the loop, over ports that write down what is done to them


def test_the_loop_records_it_and_leaves_the_relay_off() -> None:
    bench = Bench(for_s=1.5 * HOUR_S)  # from noon: on at 13:00, ended at 13:30
    bench.probe = FakeProbe(75.0)  # no mist would be wanted
    Loop(bench.parts(controller=ByRule(bench.settings, TIMER)), 10.0).run()
    assert not bench.relay.on
    assert bench.relay.closed
    told = [(f"{at.wall:%H:%M}", on, because) for at, on, because in bench.history.switchings]
    assert told == [("12:00", False, "timer"), ("13:00", True, "timer"), ("13:30", False, "stop")]
    assert len(bench.history.samples) == 90
    assert all(row.rh_pct == pytest.approx(75.0, abs=0.1) for row in bench.history.samples[1:])
    assert sum(row.on_s for row in bench.history.samples) == pytest.approx(30 * 60.0)
    last = bench.keep.states[-1]
    assert not last.relay.on
    assert [state.relay.on for state in bench.keep.states].count(True) >= 1  # kept before it was switched on


def test_what_is_kept_of_no_control_says_off_in_a_dry_room_too() -> None:
    bench = Bench(for_s=HOUR_S)
    bench.probe = FakeProbe(30.0)
    Loop(bench.parts(controller=ByRule(bench.settings, NEVER)), 10.0).run()
    assert ("switch", True) not in bench.journal
    assert bench.keep.states
    assert not any(state.relay.on for state in bench.keep.states)


def test_a_stop_before_the_first_step_keeps_nothing_on() -> None:
    state = ByRule(PLAIN, TIMER).stop(Instant(0.0, datetime(2026, 1, 12, 1, tzinfo=UTC)))
    assert not state.started
    assert not state.relay.on
