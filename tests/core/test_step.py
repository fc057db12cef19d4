"""STEP: the whole core, tick by tick: purity, clocks, ticks of any length, and nonsense of every kind."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta, timezone
from math import inf, nan, pi, sin
from zoneinfo import ZoneInfo

import pytest

import controller
from controller.core.controller import Controller
from controller.core.records import Action, Decision, Inputs, Instant, Reading, Reason, Request
from controller.core.rules import Rules
from controller.core.state import State
from controller.core.step import advance
from tests.core.helpers import DAY_S, HOUR_S, NOON, Rig, codes, flat, on, quick, through_json


def test_the_public_names_are_there() -> None:
    assert controller.Controller is Controller
    assert controller.advance is advance
    assert controller.Reading is Reading


def a_day(seed: int = 0) -> list[tuple[Inputs, Instant]]:
    rng = random.Random(seed)
    mono_s, rh, made = 0.0, 60.0, []
    for _ in range(1500):
        mono_s += rng.uniform(1, 120)
        rh = min(max(rh + rng.gauss(0, 1), 45.0), 85.0)
        asked = (Request("pause", for_s=300.0),) if rng.random() < 0.005 else ()
        reading = Reading(rh, 22.0) if rng.random() < 0.95 else Reading(failure="late")
        made.append(
            (Inputs((reading,), requests=asked), Instant(mono_s, NOON + timedelta(seconds=mono_s), True))
        )
    return made


@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_same_inputs_same_decisions(method: str) -> None:
    rules = flat(demand={"method": method})
    first, second, state = Controller(rules), Controller(rules), State()
    other = Controller(flat(demand={"method": "pid", "pid": {"gain_duty_per_rh_pct": 0.5}}))
    for inputs, now in a_day():
        before = state
        state, decision = advance(state, inputs, rules, now)
        other.step(inputs, now)  # another controller in the same process leaves no trace
        assert first.step(inputs, now) == decision == second.step(inputs, now)
        assert first.state == state
        assert advance(before, inputs, rules, now) == (state, decision)  # nothing but the arguments counts


def test_on_has_a_because_and_off_has_reasons() -> None:
    controller_ = Controller(flat())
    seen = set()
    for inputs, now in a_day(1):
        decision = controller_.step(inputs, now)
        assert decision.relay_on == (decision.reasons == ())
        assert decision.relay_on == (decision.on_because != "")
        assert decision.at is now
        seen.add(decision.relay_on)
        strictness = [reason.action for reason in decision.reasons]
        assert strictness == sorted(strictness, reverse=True)
    assert seen == {True, False}


# --- clocks ---


def berlin(day: int, month: int) -> datetime:
    return datetime(2026, month, day, 20, 0, tzinfo=ZoneInfo("Europe/Berlin"))


def walls(kind: str, seconds: float) -> datetime:
    if kind == "spring":
        return (berlin(28, 3).astimezone(UTC) + timedelta(seconds=seconds)).astimezone(
            ZoneInfo("Europe/Berlin")
        )
    if kind == "autumn":
        return (berlin(24, 10).astimezone(UTC) + timedelta(seconds=seconds)).astimezone(
            ZoneInfo("Europe/Berlin")
        )
    if kind == "stands":
        return NOON
    if kind == "jumps":
        return NOON + timedelta(days=365 * (int(seconds) // 7200 % 5), seconds=seconds)
    if kind == "backwards":
        return NOON - timedelta(seconds=seconds)
    if kind == "half-hour zone":
        return (NOON + timedelta(seconds=seconds)).astimezone(timezone(timedelta(hours=5, minutes=30)))
    return NOON + timedelta(seconds=seconds)


@pytest.mark.parametrize("kind", ["spring", "autumn", "stands", "jumps", "backwards", "half-hour zone"])
@pytest.mark.parametrize("trusted", [True, False])
def test_no_wall_clock_changes_a_duration(kind: str, trusted: bool) -> None:
    rules = flat(runtime={"cap_hours_in_any_24": 4})
    plain, other = Controller(rules), Controller(rules)
    switchings = 0
    was_on = False
    for inputs, now in a_day(2):
        decision = plain.step(inputs, now)
        same = other.step(inputs, now._replace(wall=walls(kind, now.mono_s), wall_trusted=trusted))
        assert (same.relay_on, codes(same), same.valid_for_s, same.used_s) == (
            decision.relay_on, codes(decision), decision.valid_for_s, decision.used_s,
        )  # fmt: skip
        switchings += decision.relay_on != was_on
        was_on = decision.relay_on
    assert switchings > 10


def waiting(wait_s: float | None, wall: datetime) -> Decision:
    reason = Reason("cap", Action.OFF, clears_in_s=wait_s)
    decision = Rig(flat()).step()
    return decision._replace(reasons=(reason,), at=Instant(0.0, wall))


def test_next_possible_on_is_now_and_the_wait() -> None:
    assert waiting(60.0, NOON).next_possible_on == NOON + timedelta(seconds=60)


def test_next_possible_on_bears_the_end_of_the_calendar() -> None:
    assert waiting(60.0, datetime.max.replace(tzinfo=UTC)).next_possible_on is None


@pytest.mark.parametrize("wait_s", [nan, inf, -1.0, 1e300, None])
def test_a_wait_that_makes_no_sense_is_no_promise(wait_s: float | None) -> None:
    assert waiting(wait_s, NOON).next_possible_on is None


# --- ticks ---


def open_loop_on_s(method: str, tick_s: float) -> float:
    """Run time over one and the same day of readings, sampled every ``tick_s``."""
    controller_ = Controller(Rules(demand={"method": method}))
    ran_s = 0.0
    for count in range(round(DAY_S / tick_s)):
        s = count * tick_s
        rh = 66.0 + 4.0 * sin(2 * pi * s / 5400.0) + 1.5 * sin(2 * pi * s / 1130.0)
        decision = controller_.step(
            Inputs((Reading(rh, 23.0 + sin(2 * pi * s / DAY_S)),)),
            Instant(s, NOON + timedelta(seconds=s), True),
        )
        ran_s += tick_s if decision.relay_on else 0.0
    return ran_s


@pytest.mark.slow
@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_run_time_does_not_depend_on_the_tick(method: str) -> None:
    finest_s = open_loop_on_s(method, 1.0)
    assert finest_s > 2 * HOUR_S
    for tick_s in (5.0, 30.0):
        assert open_loop_on_s(method, tick_s) == pytest.approx(finest_s, rel=0.02)


@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_run_time_hardly_depends_on_the_tick(method: str) -> None:
    assert open_loop_on_s(method, 30.0) == pytest.approx(open_loop_on_s(method, 5.0), rel=0.02)


def test_nothing_grows_over_a_month() -> None:
    controller_ = Controller(flat(guards={"shortest_on_s": 0, "shortest_off_s": 0}))
    sizes = []
    for count in range(9000):
        rh = 50.0 if count // 3 % 2 else 70.0
        controller_.step(Inputs((Reading(rh + 0.01 * (count % 2), 24.0),)), Instant(count * 300.0, NOON))
        if count % 3000 == 2999:
            sizes.append(len(str(controller_.state)))
    assert max(sizes) < 1.1 * min(sizes)


# --- what the decision tells ---


def test_the_decision_tells_what_is_believed_and_wanted() -> None:
    rig = Rig(flat())
    rig.run(200, 61.0, 23.0)
    decision = rig.step(61.0, 23.0)
    assert decision.rh_pct == pytest.approx(61.0, abs=0.02)
    assert decision.temp_c == 23.0
    assert (decision.target_rh_pct, decision.is_day, decision.ceiling_rh_pct) == (65.0, True, 78.0)
    assert decision.used_s == 80.0  # on since 120 s after the first step
    assert decision.valid_for_s == 330.0
    assert decision.relay_on


def test_rules_may_change_between_two_steps() -> None:
    rig = Rig(quick())
    rig.until(on, most_s=60)
    rig.controller.settings = quick(probe=({}, {}), demand={"method": "pid"}, ceiling={"highest_rh_pct": 72})
    decision = rig.run(60)[-1]
    assert decision.duty is not None
    assert decision.ceiling_rh_pct == 70.0
    rig.controller.settings = quick()
    assert rig.run(60)[-1].duty is None


def test_a_state_may_be_split_at_any_tick() -> None:
    steps = a_day(4)
    whole = Controller(flat())
    for index, (inputs, now) in enumerate(steps[:400]):
        whole.step(inputs, now)
        if index % 40 == 0:
            assert through_json(whole.state) == whole.state._replace(started=False)
