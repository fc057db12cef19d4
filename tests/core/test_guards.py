"""GUARDS: each reason alone, its figures, when it clears, and the order of several."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from controller.core.guards import GUARDS, GuardLimits
from controller.core.records import Action, Inputs, Instant, Reading
from tests.core.helpers import HOUR_S, Rig, codes, flat, off, on, quick


def test_the_list_is_whole_and_in_order() -> None:
    # The order breaks ties between equally strict reasons; the names are those of the record.
    assert [guard.__name__ for guard in GUARDS] == [
        "clock", "paused", "untrusted", "ceiling", "dew", "too_cold", "tank_empty", "runtime_cap",
        "longest_run", "shortest_off", "relay_stuck",
    ]  # fmt: skip


def test_every_guard_is_always_evaluated_and_the_strictest_comes_first() -> None:
    rig = Rig(flat(guards={"shortest_off_s": 600}))
    rig.run(40, 79.0, 10.0)
    decision = rig.ask("pause", 79.0)
    assert codes(rig.step(79.0, 10.0)) == ["paused", "ceiling", "too_cold", "shortest_off", "enough"]
    assert decision.next_possible_on is None  # the air decides, not time alone
    strictness = [reason.action for reason in rig.step(79.0, 10.0).reasons]
    assert strictness == sorted(strictness, reverse=True)
    assert strictness[0] == Action.OFF
    assert strictness[-1] == Action.CONTENT


def test_a_start_counts_as_just_switched_off() -> None:
    rig = Rig(flat(guards={"shortest_off_s": 120}))
    decision = rig.run(40)[-1]
    assert codes(decision) == ["shortest_off"]
    expected = decision.next_possible_on
    rig.until(on, most_s=200)
    assert rig.wall == expected
    assert rig.mono_s == 1000.0 + 10.0 + 120.0  # counted from the first step


def test_a_run_lasts_at_least_its_shortest_on() -> None:
    rig = Rig(flat(guards={"shortest_on_s": 300, "shortest_off_s": 0}))
    rig.until(on, most_s=60)
    decisions = rig.run(290, 68.0)
    assert all(map(on, decisions))
    assert {d.on_because for d in decisions[5:]} == {"shortest_on"}
    assert not rig.step(68.0).relay_on


def test_a_pause_lasts_at_least_its_shortest_off() -> None:
    rig = Rig(flat(guards={"shortest_on_s": 0, "shortest_off_s": 300}))
    rig.until(on, most_s=400)
    rig.until(off, 68.0, most_s=60)
    assert rig.until(on, most_s=400) == 300.0


@pytest.mark.parametrize("tick_s", [1.0, 10.0, 30.0, 240.0])
def test_a_longest_run_ends_in_time_and_a_rest_follows(tick_s: float) -> None:
    guards = {"longest_run_minutes": 30, "rest_minutes": 20, "shortest_on_s": 0, "shortest_off_s": 0}
    rig = Rig(flat(guards=guards))
    rig.until(on, most_s=1000, tick_s=tick_s)
    ran_s = rig.until(off, most_s=HOUR_S, tick_s=tick_s)
    assert 1800 - tick_s <= ran_s <= 1800
    decision = rig.step(after_s=tick_s)
    assert codes(decision) == ["longest_run"]
    assert decision.reasons[0].action == Action.WAIT
    assert tick_s + rig.until(on, most_s=HOUR_S, tick_s=tick_s) == pytest.approx(1200, abs=tick_s)


def test_a_longest_run_says_when_the_next_can_be() -> None:
    rig = Rig(quick(guards={"longest_run_minutes": 30, "rest_minutes": 20}))
    rig.until(on, most_s=60)
    decision = rig.step()
    while decision.relay_on:
        decision = rig.step()
    reason = decision.reasons[0]
    assert (reason.code, reason.limit, reason.clears_in_s) == ("longest_run", 30.0, 1200.0)
    rig.until(on, most_s=HOUR_S)
    assert rig.wall == decision.next_possible_on


def test_a_rest_survives_a_restart() -> None:
    rig = Rig(quick(guards={"longest_run_minutes": 30, "rest_minutes": 60}))
    rig.until(on, most_s=60)
    rig.until(off, most_s=HOUR_S)
    again = rig.restarted(600.0)
    assert again.until(on, most_s=2 * HOUR_S) == pytest.approx(3000.0, abs=10.0)


def test_too_cold_for_mist() -> None:
    rig = Rig(quick())
    rig.run(40, 50.0, 15.99)
    decision = rig.step(50.0, 15.99)
    assert codes(decision) == ["too_cold"]
    assert (decision.reasons[0].seen, decision.reasons[0].limit) == (15.99, 16.0)
    assert rig.step(50.0, 16.0).relay_on


def test_a_relay_seen_on_although_commanded_off() -> None:
    rig = Rig(quick(guards={"stuck_after_s": 60}))
    rig.run(100, 70.0)
    for _ in range(5):
        assert "relay_stuck" not in codes(rig.step(70.0, relay_on=True))
    decision = rig.step(70.0, relay_on=True)
    assert codes(decision) == ["relay_stuck", "enough"]
    decision = rig.step(70.0, relay_on=True)
    assert [alarm.code for alarm in decision.alarms] == ["relay_stuck_on"]
    rig.run(60, 50.0, relay_on=True)
    assert codes(rig.step(50.0, relay_on=True)) == ["relay_stuck"]  # wanted, and still not commanded
    assert rig.step(50.0, relay_on=False).relay_on
    assert rig.step(50.0, relay_on=True).alarms == ()


def test_what_a_stuck_relay_gives_counts_under_the_cap() -> None:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 1}))
    rig.run(HOUR_S + 10, 70.0, relay_on=True)
    assert rig.step(70.0, relay_on=False).used_s == pytest.approx(HOUR_S, abs=10.0)
    assert "cap" in codes(rig.step(50.0, relay_on=False))


def test_a_relay_that_does_not_answer_is_an_alarm_and_no_refusal() -> None:
    rig = Rig(quick())
    rig.until(on, most_s=60)
    decisions = [rig.step(relay_on=False) for _ in range(7)]
    assert all(map(on, decisions))
    assert [bool(d.alarms) for d in decisions] == [False] * 6 + [True]
    assert decisions[-1].alarms[0].code == "relay_no_answer"
    assert rig.step(relay_on=True).alarms == ()


@pytest.mark.parametrize("mono_s", [float("nan"), float("inf"), None, "now"])
def test_a_clock_without_a_number_gives_no_mist(mono_s: object) -> None:
    rig = Rig(quick())
    rig.until(on, most_s=60)
    inputs = Inputs((Reading(50.0, 24.0),))
    decision = rig.controller.step(inputs, Instant(mono_s, rig.wall))  # type: ignore[arg-type]
    assert codes(decision) == ["clock"]
    assert rig.step().relay_on


@pytest.mark.parametrize("wall", [None, "noon", 5])
def test_no_mist_without_a_wall_clock(wall: object) -> None:
    rig = Rig(quick())
    inputs = Inputs((Reading(50.0, 24.0),))
    for mono_s in range(0, 600, 10):
        decision = rig.controller.step(inputs, Instant(float(mono_s), wall))  # type: ignore[arg-type]
        assert codes(decision)[0] == "clock"


def test_time_under_a_clock_that_gave_no_number_is_not_lost() -> None:
    # The clock guard's off must not be booked back to the last good look: each time that would forget
    # 300 s of mist, and let the pause after it begin 300 s early.
    rig = Rig(quick(guards={"shortest_off_s": 240}))
    rig.until(on, most_s=600)
    rig.run(60)
    used_s = rig.step().used_s
    began_s = rig.mono_s
    inputs = Inputs((Reading(50.0, 24.0),))
    rig.controller.step(inputs, Instant(float("nan"), rig.wall))  # 300 s later, as it turns out
    decision = rig.step(after_s=301.0)
    assert rig.mono_s == began_s + 301.0
    assert not decision.relay_on  # switched off a second ago
    assert decision.used_s >= used_s + 300.0


@pytest.mark.parametrize("after_s", [0.0, -1.0, -1e9])
def test_a_clock_that_stands_or_steps_back_passes_no_time(after_s: float) -> None:
    rig = Rig(quick())
    rig.until(on, most_s=60)
    used_s = rig.step().used_s
    assert rig.step(after_s=after_s).used_s == used_s
    assert rig.step(after_s=10.0).used_s == used_s + 10.0


def test_limits_that_cannot_hold_are_refused() -> None:
    with pytest.raises(ValidationError, match="longer than the longest run"):
        GuardLimits(shortest_on_s=600, longest_run_minutes=5)


# --- how long a decision holds ---


def test_a_decision_holds_no_longer_than_what_is_left() -> None:
    rig = Rig(quick(guards={"longest_run_minutes": 10}))
    rig.until(on, most_s=60)
    left = [decision.valid_for_s for decision in rig.run(580)]
    assert left == [min(330.0, 600.0 - 10.0 * count) for count in range(1, 59)]
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 0.5}))
    rig.until(on, most_s=60)
    left = [decision.valid_for_s for decision in rig.run(1780)]
    assert left == pytest.approx([min(330.0, 1800.0 - 10.0 * count) for count in range(1, 179)])
    assert rig.run(30)[-1].valid_for_s == 330.0  # off
