"""BYPASS: the outlet's own hand/off/auto switch stands elsewhere: nothing is commanded, nothing missed."""

from __future__ import annotations

from datetime import timedelta

import pytest

from controller.core import words
from controller.core.records import Decision
from tests.core.helpers import HOUR_S, Rig, codes, off, on, quick

DAY_S = 24 * HOUR_S


def ready(rh_pct: float = 50.0, cap_hours: float = 24) -> Rig:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": cap_hours}))
    rig.ask("refilled", rh_pct)
    rig.run(40, rh_pct)
    return rig


def notices(decision: Decision) -> list[str]:
    return [notice.code for notice in decision.notices]


@pytest.mark.parametrize("position", ["hand", "off"])
def test_nothing_is_commanded_while_it_stands_elsewhere(position: str) -> None:
    rig = ready()
    assert rig.step().relay_on
    decision = rig.ask(f"bypass_{position}")
    assert decision.answers[0].done
    assert position in decision.answers[0].words
    assert not decision.relay_on
    assert codes(decision) == ["bypassed"]
    assert decision.reasons[0].detail == position
    assert position in words.sentence(decision)
    assert notices(decision) == ["bypassed"]
    assert decision.next_possible_on == rig.wall + timedelta(hours=2)
    assert rig.until(on, most_s=3 * HOUR_S) == pytest.approx(2 * HOUR_S, abs=10.0)
    assert notices(rig.step()) == []


@pytest.mark.parametrize(("asked_s", "held_s"), [(600.0, 600.0), (1e9, 24 * HOUR_S)])
def test_every_word_on_it_ends(asked_s: float, held_s: float) -> None:
    rig = ready()
    decision = rig.ask("bypass_off", for_s=asked_s)
    assert ("longest allowed" in decision.answers[0].words) == (asked_s > held_s)
    assert rig.until(on, most_s=25 * HOUR_S, tick_s=60.0) == pytest.approx(held_s, abs=60.0)


def test_auto_ends_it_at_once() -> None:
    rig = ready()
    rig.ask("bypass_hand")
    decision = rig.ask("bypass_auto")
    assert decision.answers[0].done
    assert decision.relay_on


@pytest.mark.parametrize("kind", ["bypass_", "bypass_sideways", "bypass_HAND"])
def test_no_other_position_is_known(kind: str) -> None:
    rig = ready()
    decision = rig.ask(kind)
    assert not decision.answers[0].done
    assert decision.relay_on


def test_by_hand_time_and_water_count() -> None:
    # 0.4 L/h (4 L last ten hours unless said): an hour by hand takes 0.4 L and counts as an hour.
    rig = ready(70.0)
    before = rig.step(70.0)
    rig.ask("bypass_hand", 70.0)
    after = rig.run(HOUR_S, 70.0)[-1]
    assert after.used_s - before.used_s == pytest.approx(HOUR_S, abs=10.0)
    assert before.tank_l is not None
    assert after.tank_l == pytest.approx(before.tank_l - 0.4, abs=0.002)


def test_by_hand_it_may_use_up_the_cap() -> None:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 1}))
    rig.run(40, 70.0)
    rig.ask("bypass_hand", 70.0)
    rig.run(1.5 * HOUR_S, 70.0)
    rig.ask("bypass_auto", 50.0)
    decision = rig.step(50.0)
    assert codes(decision)[0] == "cap"
    assert decision.used_s == pytest.approx(1.5 * HOUR_S, abs=20.0)


def test_switched_off_nothing_counts() -> None:
    rig = ready(70.0)
    before = rig.step(70.0)
    rig.ask("bypass_off", 70.0)
    after = rig.run(HOUR_S, 50.0)[-1]
    assert (after.used_s, after.tank_l) == (before.used_s, before.tank_l)


def test_what_a_look_at_the_relay_shows_meanwhile_is_no_fault() -> None:
    rig = ready()
    rig.ask("bypass_hand")
    for seen in (True, False):
        for _ in range(60):
            decision = rig.step(relay_on=seen)
            assert decision.alarms == ()
            assert codes(decision) == ["bypassed"]
    rig.ask("bypass_auto", 70.0)
    rig.run(20, 70.0, relay_on=True)
    alarms = rig.run(120, 70.0, relay_on=True)[-1].alarms
    assert [alarm.code for alarm in alarms] == ["relay_stuck_on"]  # then it is


def test_a_doubt_of_the_relay_from_before_does_not_grow_meanwhile() -> None:
    rig = ready(70.0)
    rig.run(120, 70.0, relay_on=True)
    assert "relay_stuck" in codes(rig.step(70.0, relay_on=True))
    rig.ask("bypass_hand", 70.0)
    decision = rig.step(70.0, relay_on=True)
    assert codes(decision)[0] == "bypassed"
    assert "relay_stuck" not in codes(decision)


def test_its_own_contact_says_it_for_as_long_as_it_does() -> None:
    rig = ready()
    before = rig.step()
    decision = rig.step(hand=True)
    assert codes(decision) == ["bypassed"]
    assert decision.reasons[0].detail == "hand"
    assert decision.next_possible_on is None
    assert notices(decision) == ["bypassed"]
    after = rig.run(3 * HOUR_S, hand=True)[-1]  # longer than a word would hold
    assert not after.relay_on
    assert after.used_s - before.used_s == pytest.approx(3 * HOUR_S, abs=30.0)
    assert rig.step(hand=False).relay_on
    assert rig.step(hand=None).relay_on


def test_a_contact_at_hand_counts_for_more_than_a_word() -> None:
    rig = ready()
    rig.ask("bypass_off", for_s=600.0)
    decision = rig.step(hand=True)
    assert decision.reasons[0].detail == "hand"


def test_it_calls_off_mist_that_was_asked_for() -> None:
    rig = ready(70.0)
    assert rig.ask("humidify_now", 70.0).relay_on
    assert off(rig.ask("bypass_off", 70.0))
    assert off(rig.ask("bypass_auto", 70.0))


@pytest.mark.parametrize("off_s", [600.0, 3 * HOUR_S])
def test_by_hand_a_power_cut_of_the_board_counts_as_run(off_s: float) -> None:
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=5 * HOUR_S)
    rig.run(60, 70.0)
    before = rig.step(70.0)
    again = rig.restarted(off_s)
    decision = again.step(70.0)
    assert codes(decision)[0] == "bypassed"
    assert decision.used_s - before.used_s == pytest.approx(off_s, abs=30.0)


def test_by_hand_no_more_counts_than_the_word_holds() -> None:
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=HOUR_S)
    before = rig.step(70.0)
    decision = rig.restarted(20 * HOUR_S).step(70.0)
    assert "bypassed" not in codes(decision)
    assert decision.used_s - before.used_s == pytest.approx(HOUR_S, abs=30.0)


# --- by hand, and nobody knows how long the board was away ---


def test_by_hand_a_gap_of_unknown_length_counts_as_all_that_the_word_held() -> None:
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=5 * HOUR_S)
    before = rig.step(70.0)
    again = rig.restarted(3 * HOUR_S, wall_trusted=False)
    decision = again.step(70.0)
    assert codes(decision)[0] == "bypassed"  # and the word still holds: at least five minutes of it are over
    assert decision.used_s - before.used_s == pytest.approx(5 * HOUR_S, abs=30.0)


@pytest.mark.parametrize(
    ("away_s", "ran_s"), [(60.0, 300.0), (3 * HOUR_S, 3 * HOUR_S), (20 * HOUR_S, 5 * HOUR_S)]
)
def test_what_really_passed_takes_its_place_once_the_clock_tells(away_s: float, ran_s: float) -> None:
    # A minute counts as the mark does after every unclean end.
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=5 * HOUR_S)
    before = rig.step(70.0)
    again = rig.restarted(away_s, wall_trusted=False)
    again.step(70.0)
    again.wall_trusted = True
    decision = again.step(70.0)
    assert decision.used_s - before.used_s == pytest.approx(ran_s, abs=60.0)
    assert before.tank_l is not None
    assert decision.tank_l == pytest.approx(before.tank_l - 0.4 * ran_s / HOUR_S, abs=0.01)
    again.ask("bypass_auto", 70.0)
    later = again.run(25 * HOUR_S - away_s, 70.0, tick_s=60.0)[-1]  # it ages from when it ran
    assert later.used_s == pytest.approx(max(min(ran_s, away_s) - HOUR_S, 0.0), abs=400.0)


@pytest.mark.parametrize("wrong_s", [-30 * DAY_S, -HOUR_S])
def test_a_clock_that_went_back_takes_nothing_off(wrong_s: float) -> None:
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=5 * HOUR_S)
    before = rig.step(70.0)
    again = rig.restarted(wrong_s, wall_trusted=False)
    again.step(70.0)
    again.wall_trusted = True
    assert again.step(70.0).used_s - before.used_s >= 5 * HOUR_S - 1.0


def test_starts_one_after_another_never_count_as_more_than_a_day() -> None:
    rig = ready(70.0)
    rig.ask("bypass_hand", 70.0, for_s=20 * HOUR_S)
    for number in range(4):
        rig = rig.restarted(60.0, wall_trusted=False)
        rig.boot = f"boot-of-{number}"
        used_s = rig.step(70.0).used_s
    assert used_s == pytest.approx(DAY_S, abs=5 * 300.0)


@pytest.mark.parametrize("stopped", [False, True])
@pytest.mark.parametrize("away_s", [600.0, 3 * HOUR_S])
def test_a_gap_with_its_contact_at_hand_counts_as_run(away_s: float, stopped: bool) -> None:
    rig = ready(70.0)
    rig.run(60, 70.0, hand=True)
    before = rig.step(70.0, hand=True)
    if stopped:
        rig.controller.stop(rig.now)
    again = rig.restarted(away_s)
    assert again.step(70.0, hand=False).used_s - before.used_s == pytest.approx(away_s, abs=30.0)


def test_a_gap_of_unknown_length_with_its_contact_at_hand_counts_as_a_whole_day() -> None:
    rig = ready(70.0, cap_hours=23.0)
    rig.run(60, 70.0, hand=True)
    again = rig.restarted(3 * HOUR_S, wall_trusted=False)
    decision = again.step(50.0, hand=False)
    assert decision.used_s == pytest.approx(DAY_S, abs=30.0)
    assert "cap" in codes(decision)
    again.wall_trusted = True
    assert again.step(50.0, hand=False).used_s == pytest.approx(3 * HOUR_S, abs=120.0)


def test_a_whole_day_is_not_past_a_cap_of_24_hours() -> None:
    """And a step that keeps mist on then is valid for a while."""
    rig = ready(70.0, cap_hours=24)
    rig.run(60, 70.0, hand=True)
    again = rig.restarted(3 * HOUR_S, wall_trusted=False)
    again.step(50.0, hand=False)
    again.until(on, most_s=900)
    decision = again.step(50.0)
    assert on(decision)
    assert decision.used_s == pytest.approx(DAY_S, abs=30.0)
    assert decision.valid_for_s > 0.0


def test_a_contact_that_said_auto_counts_nothing() -> None:
    rig = ready(70.0)
    rig.run(60, 70.0, hand=True)
    before = rig.step(70.0, hand=False)
    again = rig.restarted(3 * HOUR_S, wall_trusted=False)
    assert again.step(70.0, hand=False).used_s == pytest.approx(before.used_s, abs=30.0)
