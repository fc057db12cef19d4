"""ALARMS: raised once each, with the time they began, after their patience."""

from __future__ import annotations

from datetime import timedelta

import pytest

from controller.core import alarms
from controller.core.alarms import Condition
from controller.core.records import Reading, Request
from tests.core.helpers import DAY_S, NOON, Rig, flat, quick, through_json


def said(memory: tuple[alarms.Standing, ...]) -> list[str]:
    return [message.code for messages in alarms.said(memory) for message in messages]


@pytest.mark.parametrize(
    "code", sorted(alarms.NOTICES | alarms.PATIENCE_S.keys() | {"tank_dry", "state_lost"})
)
def test_each_is_said_once_it_has_lasted_and_keeps_when_it_began(code: str) -> None:
    patience_s = alarms.PATIENCE_S.get(code, 0.0)
    memory: tuple[alarms.Standing, ...] = ()
    tick_s = max(10.0, patience_s / 400)
    for count in range(500):
        t = count * tick_s
        memory = alarms.advance(memory, [Condition(code, t)], t, NOON + timedelta(seconds=t))
        assert said(memory) == ([code] if t >= patience_s else [])
        assert len(memory) == 1
    message = memory[0].message
    assert message.since == NOON
    assert message.seen == patience_s  # the figure of the moment it was said
    assert alarms.advance(memory, [], 500 * tick_s, NOON) == ()


def test_one_that_comes_back_begins_anew() -> None:
    memory = alarms.advance((), [Condition("probe_lost")], 0.0, NOON)
    memory = alarms.advance(memory, [], 590.0, NOON)
    memory = alarms.advance(memory, [Condition("probe_lost")], 600.0, NOON)
    assert said(memory) == []


def test_others_come_and_go_beside_it() -> None:
    memory = alarms.advance((), [Condition("tank_dry"), Condition("cap_reached")], 0.0, NOON)
    assert said(memory) == ["tank_dry", "cap_reached"]
    memory = alarms.advance(memory, [Condition("cap_reached"), Condition("tank_low")], 10.0, NOON)
    assert said(memory) == ["cap_reached", "tank_low"]
    memory = alarms.advance(memory, [Condition("tank_low")], 10.0, NOON)
    assert said(memory) == ["tank_low"]


def test_a_lost_probe_is_an_alarm_after_ten_minutes() -> None:
    rig = Rig(flat())
    rig.run(40)
    silent = [rig.step(readings=(Reading(failure="no answer"),)) for _ in range(80)]
    said_at = [bool(decision.alarms) for decision in silent].index(True)
    assert said_at * 10 == pytest.approx(60 + 600, abs=20)  # bridged for a minute first
    alarm = silent[-1].alarms[0]
    assert (alarm.code, alarm.detail) == ("probe_lost", "no answer")
    assert silent[-1].notices == ()
    rig.run(30)
    assert rig.step().alarms == ()


def test_two_probes_that_disagree_are_an_alarm_after_half_an_hour() -> None:
    rig = Rig(quick(probe=({}, {}), trust={"disagree_rh_pct": 8}))
    for count in range(200):
        hair = 0.01 * (count % 2)
        decision = rig.step(readings=(Reading(50.0 + hair, 24.0), Reading(58.1 + hair, 24.0)))
    assert [alarm.code for alarm in decision.alarms] == ["probes_apart"]
    assert decision.alarms[0].seen == pytest.approx(8.1)
    for count in range(10):
        hair = 0.01 * (count % 2)
        decision = rig.step(readings=(Reading(50.0 + hair, 24.0), Reading(57.9 + hair, 24.0)))
    assert decision.alarms == ()


def test_a_common_day_raises_no_alarm() -> None:
    rig = Rig(flat())
    rh = 60.0
    for _ in range(round(DAY_S / 60)):
        decision = rig.step(rh, after_s=60.0)
        rh += 0.8 if decision.relay_on else -0.3
        assert decision.alarms == ()


@pytest.mark.parametrize("code", ["state_unkept", "record_broken", "settings_refused"])
def test_troubles_from_outside_are_alarms_and_change_nothing_else(code: str) -> None:
    plain, troubled = Rig(flat()), Rig(flat())
    for count in range(60):
        troubles = ((code, "card is full"),) if 20 <= count < 40 else ()
        decision, other = plain.step(), troubled.step(troubles=troubles)
        assert other._replace(alarms=()) == decision
        assert [(alarm.code, alarm.detail) for alarm in other.alarms] == list(troubles)
    assert decision.relay_on


def test_a_trouble_nobody_foresaw_is_a_fault_too() -> None:
    decision = Rig(flat()).step(troubles=(("fan_failed", "no turns"),))
    assert [alarm.code for alarm in decision.alarms] == ["fan_failed"]
    assert decision.notices == ()


# --- acknowledged: somebody knows ---


def troubled(rig: Rig, *codes: str, asks: tuple[Request, ...] = ()) -> list[tuple[str, str]]:
    decision = rig.step(70.0, troubles=tuple((code, "words") for code in codes), requests=asks)
    return [(alarm.code, alarm.acked_by) for alarm in decision.alarms]


def test_an_alarm_is_acknowledged_by_somebody_and_stands() -> None:
    rig = Rig(flat())
    rig.run(40)
    assert troubled(rig, "record_broken") == [("record_broken", "")]
    assert troubled(rig, "record_broken", asks=(Request("acknowledge", by="Ida"),)) == [
        ("record_broken", "Ida")
    ]
    assert troubled(rig, "record_broken", "fan") == [("record_broken", "Ida"), ("fan", "")]
    assert troubled(rig, "record_broken", "fan", asks=(Request("acknowledge"),)) == [
        ("record_broken", "Ida"),  # who knew first
        ("fan", "somebody"),
    ]


def test_one_that_comes_back_is_not_yet_known_of() -> None:
    rig = Rig(flat())
    rig.run(40)
    troubled(rig, "fan")
    assert troubled(rig, "fan", asks=(Request("acknowledge", by="Ida"),)) == [("fan", "Ida")]
    assert troubled(rig) == []
    assert troubled(rig, "fan") == [("fan", "")]


def test_what_is_not_said_yet_and_what_is_a_notice_waits_for_nobody() -> None:
    memory = alarms.advance((), [Condition("probe_lost"), Condition("cap_reached")], 0.0, NOON)
    after, count = alarms.acknowledge(memory, "Ida")
    assert count == 0
    assert after == memory
    memory = alarms.advance(memory, [Condition("probe_lost"), Condition("cap_reached")], 600.0, NOON)
    after, count = alarms.acknowledge(memory, "Ida")
    assert count == 1
    assert [(item.code, item.acked_by) for item in after] == [("probe_lost", "Ida"), ("cap_reached", "")]


def test_it_is_answered_how_many_waited() -> None:
    rig = Rig(flat())
    rig.run(40)
    ask = (Request("acknowledge", by="Ida"),)
    for codes, words in (
        (("a", "b"), "2 alarms "),
        (("a", "b", "c"), "1 alarm "),
        (("a", "b", "c"), "no alarm"),
    ):
        troubles = tuple((code, "x") for code in codes)
        rig.step(troubles=troubles)
        (answer,) = rig.step(troubles=troubles, requests=ask).answers
        assert answer.done
        assert words in answer.words


def test_who_knows_of_it_survives_a_restart() -> None:
    rig = Rig(flat())
    rig.run(40)
    troubled(rig, "fan")
    troubled(rig, "fan", asks=(Request("acknowledge", by="Ida"),))
    assert [item.acked_by for item in through_json(rig.state).standing if item.code == "fan"] == ["Ida"]
    again = rig.restarted(60.0)
    assert ("fan", "Ida") in troubled(again, "fan")
