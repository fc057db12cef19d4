"""GUARDS: each reason alone, its figures, when it clears, and the order of several."""

from __future__ import annotations

from math import nan
from typing import Any

import pytest
from pydantic import ValidationError

from controller.core.guards import GUARDS, Facts, GuardLimits, refusals
from controller.core.records import Action, Inputs, Instant, Reading, Reason
from tests.core.helpers import HOUR_S, Rig, codes, flat, off, on, quick


def test_the_list_is_whole_and_in_order() -> None:
    # The order breaks ties between equally strict reasons; the names are those of the record.
    assert [guard.__name__ for guard in GUARDS] == [
        "clock", "bypassed", "paused", "untrusted", "ceiling", "dew", "wall", "too_cold", "tank_empty",
        "runtime_cap",
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


LIMITS = GuardLimits(
    shortest_on_s=90, shortest_off_s=130, longest_run_minutes=40, rest_minutes=5, lowest_temp_c=16,
    stuck_after_s=70,
)  # fmt: skip
FINE = Facts(
    clock_ok=True, on=False, on_for_s=0.0, off_for_s=1e6, rest_left_s=-1.0, interval_s=10.0,
    pause_left_s=-1.0, trusted=True, doubt="", doubt_detail="", ceiling_holds=False, rh_high_pct=50.0,
    ceiling_rh_pct=78.0, ceiling_release_rh_pct=76.0, temp_c=24.0, surface_c=None, dew_c=None,
    dew_margin_c=0.5, wall_holds=False, wall_rh_pct=70.0, wall_most_rh_pct=80.0,
    tank_empty=False, trial_allowed=False, trial_in_s=None, cap_reached=False,
    cap_used_s=7200.0, cap_s=10800.0, cap_free_in_s=900.0, stuck_on_for_s=0.0, bypass="", bypass_left_s=None,
)  # fmt: skip
"""Facts at which nothing refuses."""
WAIT, OFF = Action.WAIT, Action.OFF


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, None),
        ({"clock_ok": False}, Reason("clock", OFF)),
        ({"pause_left_s": 0.0}, None),
        ({"pause_left_s": 0.5}, Reason("paused", OFF, 0.5, clears_in_s=0.5)),
        ({"trusted": False, "doubt": "zero"}, Reason("untrusted", OFF, detail="zero")),
        (
            {"trusted": False, "doubt": "silent", "doubt_detail": "no bus"},
            Reason("untrusted", OFF, detail="no bus"),
        ),
        ({"ceiling_holds": True, "rh_high_pct": 78.5}, Reason("ceiling", OFF, 78.5, 78.0, 76.0)),
        ({"surface_c": 15.0, "dew_c": None}, None),
        ({"surface_c": None, "dew_c": 15.0}, None),
        ({"surface_c": 15.5, "dew_c": 15.0}, None),
        ({"surface_c": 15.4, "dew_c": 15.0}, Reason("dew", OFF, 15.4, 15.0, 15.5)),
        ({"wall_rh_pct": 95.0}, None),  # it does not hold: an estimate, or policy "warn"
        ({"wall_holds": True, "wall_rh_pct": 80.5}, Reason("wall", OFF, 80.5, 80.0)),
        ({"temp_c": 16.0}, None),
        ({"temp_c": 15.9}, Reason("too_cold", OFF, 15.9, 16.0, 16.0)),
        ({"tank_empty": True, "trial_allowed": True}, None),
        ({"tank_empty": True, "trial_in_s": 60.0}, Reason("tank_empty", OFF, 0.0, clears_in_s=60.0)),
        ({"cap_reached": True}, Reason("cap", OFF, 2.0, 3.0, clears_in_s=900.0)),
        ({"rest_left_s": 0.0}, None),
        ({"rest_left_s": 0.5}, Reason("longest_run", WAIT, 40.0, 40.0, clears_in_s=0.5)),
        ({"on": True, "on_for_s": 2390.0, "off_for_s": 0.0}, None),  # the next look, 10 s on, is in time
        (
            {"on": True, "on_for_s": 2391.0, "off_for_s": 0.0},
            Reason("longest_run", OFF, 2391.0 / 60.0, 40.0, clears_in_s=300.0),
        ),
        ({"on": True, "on_for_s": 0.0, "interval_s": 1e6, "off_for_s": 0.0}, None),  # it has only begun
        (
            {"on": True, "on_for_s": 0.5, "interval_s": 1e6, "off_for_s": 0.0},
            Reason("longest_run", OFF, 0.5 / 60.0, 40.0, clears_in_s=300.0),
        ),
        ({"off_for_s": 130.0}, None),
        ({"off_for_s": 129.0}, Reason("shortest_off", WAIT, 129.0, 130.0, clears_in_s=1.0)),
        ({"stuck_on_for_s": 69.0}, None),
        ({"stuck_on_for_s": 70.0}, Reason("relay_stuck", OFF, 70.0, 70.0)),
        ({"bypass": "hand"}, Reason("bypassed", OFF, detail="hand")),
        (
            {"bypass": "off", "bypass_left_s": 30.0},
            Reason("bypassed", OFF, clears_in_s=30.0, detail="off"),
        ),
    ],
)
def test_each_guard_at_its_border_with_its_figures(changed: dict[str, Any], expected: Reason | None) -> None:
    assert refusals(FINE._replace(**changed), LIMITS) == (() if expected is None else (expected,))


def test_where_nothing_is_known_only_the_trust_refuses() -> None:
    # What a lost probe last said is neither too wet nor too cold: the figures that stand in are no figures.
    lost = FINE._replace(trusted=False, doubt="silent", ceiling_holds=True, temp_c=-60.0)
    assert refusals(lost, LIMITS) == (Reason("untrusted", OFF, detail="silent"),)


def test_a_rest_is_said_no_shorter_than_the_shortest_off() -> None:
    limits = LIMITS.model_copy(update={"shortest_off_s": 600.0})
    ended = refusals(FINE._replace(on=True, on_for_s=2400.0, off_for_s=0.0), limits)
    assert ended[0].clears_in_s == 600.0


@pytest.mark.parametrize(
    ("fact", "while_on", "more"),
    [
        ("pause_left_s", False, {}),
        ("surface_c", False, {"dew_c": 15.0}),
        ("dew_c", False, {"surface_c": 15.0}),
        ("temp_c", False, {}),
        ("rest_left_s", False, {}),
        ("off_for_s", False, {}),
        ("on_for_s", True, {}),
    ],
)
def test_no_guard_lets_nan_pass(fact: str, while_on: bool, more: dict[str, Any]) -> None:
    facts = FINE._replace(on=while_on, **{**more, fact: nan})
    assert len(refusals(facts, LIMITS)) == 1


def test_reasons_come_strictest_first_and_else_in_the_order_of_the_list() -> None:
    worst = FINE._replace(
        clock_ok=False, bypass="off", pause_left_s=9.0, ceiling_holds=True, surface_c=1.0, dew_c=9.0,
        temp_c=1.0, tank_empty=True, cap_reached=True, rest_left_s=9.0, off_for_s=1.0, stuck_on_for_s=1e3,
    )  # fmt: skip
    assert [reason.code for reason in refusals(worst, LIMITS)] == [
        "clock", "bypassed", "paused", "ceiling", "dew", "too_cold", "tank_empty", "cap", "relay_stuck",
        "longest_run", "shortest_off",
    ]  # fmt: skip


def test_of_two_the_strict_one_comes_first_wherever_it_stands_in_the_list() -> None:
    resting = FINE._replace(off_for_s=1.0, stuck_on_for_s=1000.0)
    assert [reason.code for reason in refusals(resting, LIMITS)] == ["relay_stuck", "shortest_off"]


def test_hand_time_under_a_clock_that_gave_no_number_is_booked() -> None:
    rig = Rig(quick())
    rig.run(40, 70.0)
    inputs = Inputs((Reading(70.0, 24.0),), hand=True)
    rig.mono_s += 300.0
    rig.controller.step(inputs, Instant(nan, rig.wall))  # 300 s of mist by hand, at auto again from here on
    assert rig.step(70.0, after_s=10.0, hand=False).used_s >= 300.0


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


def test_a_contradiction_names_both_settings_by_their_whole_path() -> None:
    with pytest.raises(ValidationError) as refused:
        GuardLimits(shortest_on_s=3600, longest_run_minutes=1)
    (error,) = refused.value.errors()
    assert error["ctx"]["keys"] == ["guards.shortest_on_s", "guards.longest_run_minutes"]


def test_limits_that_cannot_hold_are_refused() -> None:
    with pytest.raises(ValidationError, match="longer than the longest run"):
        GuardLimits(shortest_on_s=600, longest_run_minutes=5)
    assert GuardLimits(shortest_on_s=300, longest_run_minutes=5).longest_run_s == 300.0  # just as long


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
