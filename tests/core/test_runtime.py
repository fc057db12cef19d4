"""RUNTIME: hours in any 24, counted against a ledger of the test's own."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from pydantic import ValidationError

from controller.core import runtime
from controller.core.records import Inputs, Reading
from controller.core.runtime import MOST_RUNS, RuntimeLimits, RuntimeMemory
from tests.core.helpers import DAY_S, HOUR_S, NOON, Embedder, Rig, codes, most_on_s, off, on, quick


def true_used_s(spans: list[tuple[float, float]], at_s: float) -> float:
    return sum(max(0.0, min(end, at_s) - max(start, at_s - DAY_S)) for start, end in spans)


def dry(count: int) -> Inputs:
    return Inputs((Reading(50.0 + 0.01 * (count % 2), 24.0),))


@pytest.mark.parametrize("seed", range(4))
def test_the_ledger_agrees_with_a_plain_count(seed: int) -> None:
    rng = random.Random(seed)
    memory, spans, t = RuntimeMemory(), [], 0.0
    was_on = False
    for _ in range(700):
        dt_s = rng.choice([0.0, 1.0, 17.3, 60.0, 300.0])
        if was_on:
            spans.append((t, t + dt_s))
        t += dt_s
        memory = runtime.advance(memory, t, dt_s, was_on)
        assert runtime.used_s(memory, t) == pytest.approx(true_used_s(spans, t), abs=1e-6)
        since = t - rng.uniform(0, DAY_S / 2)
        recent = sum(max(0.0, end - max(start, since)) for start, end in spans)
        assert runtime.on_s_since(memory, since, t) == pytest.approx(recent, abs=1e-6)
        if rng.random() < 0.05:
            was_on = not was_on
        spans = spans[-700:]


def test_a_run_longer_than_a_day_counts_as_a_day() -> None:
    memory = RuntimeMemory()
    for hour in range(1, 60):
        memory = runtime.advance(memory, hour * HOUR_S, HOUR_S, True)
    assert runtime.used_s(memory, 59 * HOUR_S) == DAY_S


def test_a_bounded_ledger_never_counts_too_little() -> None:
    memory, spans, t = RuntimeMemory(), [], 0.0
    for count in range(4 * MOST_RUNS):
        dt_s = 7.0 if count % 2 else 5.0
        t += dt_s
        if count % 2:
            spans.append((t - dt_s, t))
        memory = runtime.advance(memory, t, dt_s, bool(count % 2))
        assert len(memory.runs) <= MOST_RUNS
    assert runtime.used_s(memory, t) == pytest.approx(true_used_s(spans, t), abs=1e-6)
    for _ in range(300):  # and while it ages
        t += 300.0
        memory = runtime.advance(memory, t, 300.0, False)
        assert runtime.used_s(memory, t) >= true_used_s(spans, t) - 1e-6
    assert runtime.used_s(memory, t) == 0.0


@pytest.mark.parametrize("cap_hours", [0.5, 2.0, 12.0])
@pytest.mark.parametrize("seed", range(2))
def test_never_more_than_the_cap_in_any_24_hours(cap_hours: float, seed: int) -> None:
    rng = random.Random(seed)
    guards = {"longest_run_minutes": 1440, "rest_minutes": 0} if seed else {"longest_run_minutes": 40}
    caller = Embedder(quick(runtime={"cap_hours_in_any_24": cap_hours}, guards=guards))
    for count in range(2200):  # about four days
        caller.pass_time(rng.choice([1.0, 10.0, 60.0, 299.0, 300.0, rng.uniform(1, 300)]))
        caller.step(dry(count), caller.now(True))
    assert most_on_s(caller.spans) <= cap_hours * HOUR_S + 1e-6
    assert most_on_s(caller.spans) >= 0.8 * cap_hours * HOUR_S  # the room is dry: the cap is also made use of


def test_a_full_day_of_leave_is_no_cap() -> None:
    """24 h are never too many in 24: only the longest run ends what is never enough, for a moment."""
    rig = Rig(
        quick(runtime={"cap_hours_in_any_24": 24}, guards={"longest_run_minutes": 1440, "rest_minutes": 0})
    )
    rig.lift_rh_pct = 3.0
    rig.run(100)
    decisions = rig.run(50 * HOUR_S, tick_s=300.0)
    assert not any("cap" in codes(decision) for decision in decisions)
    assert sum(map(on, decisions)) >= len(decisions) - 4


def test_at_the_cap_it_waits_for_a_useful_run() -> None:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 2, "useful_run_minutes": 45}))
    rig.lift_rh_pct = 3.0
    rig.until(on, most_s=60)
    began = rig.mono_s
    ran_s = rig.until(off, most_s=3 * HOUR_S)
    assert 2 * HOUR_S - 20.0 <= ran_s <= 2 * HOUR_S
    decision = rig.step()
    assert codes(decision) == ["cap"]
    assert decision.reasons[0].limit == 2.0
    assert [notice.code for notice in decision.notices] == ["cap_reached"]
    assert decision.alarms == ()
    expected = decision.next_possible_on
    assert expected is not None
    rig.until(on, most_s=25 * HOUR_S)
    assert rig.mono_s - began == pytest.approx(DAY_S + 45 * 60, abs=30.0)
    assert abs((rig.wall - expected).total_seconds()) <= 20.0
    assert rig.until(off, most_s=HOUR_S + HOUR_S) >= 45 * 60 - 20.0


def test_every_new_start_under_the_cap_has_a_useful_run_before_it() -> None:
    rng = random.Random(3)
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 3, "useful_run_minutes": 20}))
    capped = False
    starts = 0
    for _ in range(3000):
        decision = rig.step(after_s=rng.uniform(1, 300))
        if capped and decision.relay_on:
            assert decision.used_s <= (180 - 20) * 60 + 1e-6
            starts += 1
        capped = codes(decision) == ["cap"]
    assert starts > 3


def test_no_run_starts_with_less_than_an_interval_left() -> None:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 1, "useful_run_minutes": 10}))
    rig.run(40)
    rig.run(HOUR_S - 240.0)
    rig.run(600, 80.0, 24.0)
    rig.run(3000, 70.0, tick_s=300.0)
    assert codes(rig.step(50.0, after_s=300.0))[0] in {"cap", "untrusted"}
    decisions = rig.run(3000, 50.0, tick_s=300.0)
    assert not any(map(on, decisions))  # under 300 s are left, and the next look is 300 s away


@pytest.mark.parametrize(
    "jump", [timedelta(days=3650), timedelta(days=-3650), timedelta(hours=1), timedelta(hours=-1)]
)
def test_no_clock_jump_and_no_midnight_gives_more(jump: timedelta) -> None:
    plain, jumped = (Rig(quick(runtime={"cap_hours_in_any_24": 2})) for _ in range(2))
    for count in range(1200):
        if count in (100, 700):
            jumped.wall += jump
        assert plain.step(after_s=60.0).relay_on == jumped.step(after_s=60.0).relay_on
    assert plain.wall > NOON


@pytest.mark.parametrize("end_t", [5.0, 4.0, float("nan")])
def test_a_run_without_length_is_not_booked(end_t: float) -> None:
    memory = runtime.advance(RuntimeMemory(), 3.0, 3.0, True)
    assert runtime.used_s(runtime.assume_ran(memory, 5.0, end_t), 5.0) == runtime.used_s(memory, 5.0)


def test_a_useful_run_must_fit_under_the_cap() -> None:
    with pytest.raises(ValidationError, match="never fits"):
        RuntimeLimits(cap_hours_in_any_24=0.4, useful_run_minutes=30)
