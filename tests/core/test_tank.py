"""TANK: litres left by estimate, fill notes, and trial pulses on a tank that should be empty."""

from __future__ import annotations

from datetime import timedelta

import pytest
from pydantic import ValidationError

from controller.core.records import Reading, Request
from controller.core.tank import TankLimits
from tests.core.helpers import HOUR_S, Rig, codes, off, on, quick

GALLON_L = 3.785  # one US liquid gallon is 3.785411784 L by definition
TEN_HOURS = {"tank_l": GALLON_L, "full_tank_lasts_h": 10}
CAP_24 = {"cap_hours_in_any_24": 24}


def dry_room(**tank: object) -> Rig:
    """A room drier than its target for ever, though not below its band, in which mist shows."""
    rig = Rig(quick(tank=TEN_HOURS | tank, runtime=CAP_24, target={"band_low_rh_pct": 45}))
    rig.lift_rh_pct = 2.0
    rig.run(30)
    return rig


def running(**tank: object) -> Rig:
    rig = dry_room(**tank)
    rig.ask("refilled")
    return rig


def test_a_full_gallon_that_lasts_ten_hours_is_empty_after_ten_hours_on() -> None:
    # "A one-gallon tank lasts 10 h": common practice, no source. The arithmetic is exact.
    rig = running()
    ran_s = rig.until(off, most_s=11 * HOUR_S)
    assert ran_s == pytest.approx(10.0 * HOUR_S, abs=10.0)
    decision = rig.step()
    assert decision.tank_l == 0.0
    assert codes(decision) == ["tank_empty"]
    assert [alarm.code for alarm in decision.alarms] == ["tank_dry"]


def test_only_on_time_counts() -> None:
    rig = running()
    rig.lift_rh_pct = 0.0  # or it would rise out of the deadband
    rig.run(HOUR_S, 66.0)  # inside the deadband: goes on
    level_l = rig.step(66.0).tank_l
    assert level_l == pytest.approx(GALLON_L * 0.9, abs=0.01)
    rig.run(60, 70.0)
    level_l = rig.step(70.0).tank_l
    rig.run(5 * HOUR_S, 70.0)
    assert rig.step(70.0).tank_l == level_l


def test_what_the_relay_really_did_counts() -> None:
    rig = running()
    for _ in range(360):
        decision = rig.step(relay_on=False)
    assert decision.tank_l == pytest.approx(GALLON_L, abs=0.002)


def test_nothing_is_known_before_the_first_note() -> None:
    rig = dry_room()
    decisions = rig.run(12 * HOUR_S)
    assert decisions[-1].tank_l is None
    assert decisions[-1].relay_on
    assert decisions[-1].notices == decisions[-1].alarms == ()


def test_the_output_may_be_given_either_way() -> None:
    assert TankLimits(output_l_per_h=0.4).rate_l_per_h == 0.4
    assert TankLimits(tank_l=4, full_tank_lasts_h=8).rate_l_per_h == 0.5
    assert TankLimits(tank_l=4).rate_l_per_h == 0.4  # ten hours, unless said
    TankLimits(tank_l=4, full_tank_lasts_h=10, output_l_per_h=0.404)
    with pytest.raises(ValidationError, match="give one of them"):
        TankLimits(tank_l=4, full_tank_lasts_h=10, output_l_per_h=0.5)


def test_refill_soon_is_a_notice() -> None:
    rig = running(warn_hours_left=2)
    rig.run(7.9 * HOUR_S, tick_s=30.0)
    assert rig.step().notices == ()
    rig.run(0.2 * HOUR_S, tick_s=30.0)
    decision = rig.step()
    assert [notice.code for notice in decision.notices] == ["tank_low"]
    assert decision.alarms == ()


# --- fill notes ---


def test_a_note_fills_to_the_top_or_by_litres() -> None:
    rig = dry_room(tank_l=4)
    decision = rig.ask("refilled", litres=1.5)
    assert decision.tank_l == 1.5  # at least this much is in there
    assert decision.answers[0].done
    assert "at least" in decision.answers[0].words
    rig.run(HOUR_S, 80.0, tick_s=60.0)
    left_l = rig.step(80.0).tank_l
    assert left_l is not None
    assert rig.ask("refilled", 80.0, litres=1.0).tank_l == pytest.approx(left_l + 1.0)
    rig.run(HOUR_S, 80.0, tick_s=60.0)
    assert rig.ask("refilled", 80.0, litres=4.0).tank_l == 4.0  # no tank holds more than it holds
    rig.run(HOUR_S, 80.0, tick_s=60.0)
    assert rig.ask("refilled", 80.0).tank_l == 4.0


@pytest.mark.parametrize(
    ("first", "second", "level_l"),
    [(2.0, None, 4.0), (None, 2.0, 4.0), (2.0, 2.0, 3.0), (2.0, 1.5, 2.5), (None, None, 4.0)],
)
def test_two_notes_of_one_filling_are_one(first: float | None, second: float | None, level_l: float) -> None:
    rig = dry_room(tank_l=4)
    rig.ask("refilled", 80.0, litres=1.0)
    rig.run(HOUR_S, 80.0, tick_s=60.0)
    before_l = rig.step(80.0).tank_l
    assert before_l == pytest.approx(1.0, abs=0.02)
    rig.ask("refilled", 80.0, litres=first)
    rig.run(600, 80.0)
    decision = rig.ask("refilled", 80.0, litres=second)
    assert decision.tank_l == pytest.approx(level_l, abs=0.02)
    assert "same filling" in decision.answers[0].words


def test_two_fillings_an_hour_apart_are_two() -> None:
    rig = dry_room(tank_l=4)
    rig.ask("refilled", 80.0, litres=1.0)
    for minutes, level_l in ((31, 2.0), (31, 3.0)):
        rig.run(minutes * 60, 80.0, tick_s=60.0)
        decision = rig.ask("refilled", 80.0, litres=1.0)
        assert decision.tank_l == pytest.approx(level_l, abs=0.02)
        assert "same filling" not in decision.answers[0].words


def test_a_second_note_does_not_give_back_what_ran_out_since_the_first() -> None:
    # A merged note that reckoned from its own moment would give back the water used between the two.
    rig = running()
    rig.run(25 * 60)
    decision = rig.ask("refilled")
    assert "same filling" in decision.answers[0].words
    assert decision.tank_l == pytest.approx(GALLON_L * (1 - 25 / 600), abs=0.005)


def test_a_note_of_the_past_is_less_what_ran_out_since() -> None:
    rig = dry_room()
    rig.run(2 * HOUR_S, tick_s=30.0)
    decision = rig.ask("refilled", at=rig.wall - timedelta(hours=1))
    assert decision.tank_l == pytest.approx(GALLON_L * 0.9, rel=0.005)


def test_litres_noted_for_the_past_are_added_to_what_was_there_then() -> None:
    rig = running()
    rig.run(3 * HOUR_S, tick_s=30.0)  # 70 % left; an hour ago it was 80 %
    decision = rig.ask("refilled", litres=0.5, at=rig.wall - timedelta(hours=1))
    assert decision.tank_l == pytest.approx(GALLON_L * 0.7 + 0.5, abs=0.01)
    rig.run(HOUR_S)
    decision = rig.ask("refilled", litres=3.0, at=rig.wall - timedelta(minutes=20))
    assert decision.tank_l == pytest.approx(GALLON_L * (1 - 20 / 600), abs=0.01)  # full then


@pytest.mark.parametrize(
    ("note", "words"),
    [
        ({"at": timedelta(minutes=5)}, "still to come"),
        ({"litres": 4.1}, "do not fit"),
        ({"litres": 1e300}, "do not fit"),
        ({"litres": -1.0}, "above zero"),
        ({"litres": float("nan")}, "above zero"),
        ({"litres": float("inf")}, "above zero"),
    ],
)
def test_notes_that_make_no_sense_change_nothing(note: dict[str, object], words: str) -> None:
    rig = running()
    before_l = rig.step(relay_on=False).tank_l
    if isinstance(note.get("at"), timedelta):
        note = note | {"at": rig.wall + note["at"]}  # type: ignore[operator]
    decision = rig.step(relay_on=False, requests=(Request("refilled", **note),))  # type: ignore[arg-type]
    assert not decision.answers[0].done
    assert words in decision.answers[0].words
    assert decision.tank_l == before_l


def test_a_filling_longer_ago_than_a_day_is_noted_and_teaches_nothing() -> None:
    rig = running()
    before = rig.step(relay_on=False)
    kept, learned = rig.state.tank, rig.state.effect
    at = rig.wall - timedelta(hours=25)
    decision = rig.step(relay_on=False, requests=(Request("refilled", at=at, litres=2.0, full=True),))
    (answer,) = decision.answers
    assert answer.done
    assert answer.words.startswith("noted in the journal")
    assert "longer ago than 24 h" in answer.words
    assert decision.tank_l == before.tank_l
    assert (rig.state.tank.learned, rig.state.effect.verdict) == (kept.learned, learned.verdict)
    (refused,) = rig.step(relay_on=False, requests=(Request("refilled", at=at, litres=40.0),)).answers
    assert (refused.done, "do not fit" in refused.words) == (False, True)


# --- trials ---


def emptied(**tank: object) -> Rig:
    rig = dry_room(**tank)
    rig.ask("refilled", litres=0.05)
    rig.until(off, most_s=HOUR_S)
    return rig


def test_an_empty_tank_is_tried_now_and_then() -> None:
    rig = emptied(trial_minutes=15, trial_every_minutes=60)
    expected = rig.step().next_possible_on
    assert rig.until(on, most_s=2 * HOUR_S) == pytest.approx(HOUR_S, abs=20.0)
    assert expected is not None
    assert abs((rig.wall - expected).total_seconds()) <= 20.0
    decision = rig.step()
    assert decision.on_because == "trial"
    assert [alarm.code for alarm in decision.alarms] == ["tank_dry"]
    assert rig.until(off, most_s=HOUR_S) == pytest.approx(15 * 60, abs=20.0)
    expected = rig.step().next_possible_on
    assert expected is not None
    wait_s = rig.until(on, most_s=3 * HOUR_S)  # judged for as long again, then the pause
    assert abs((rig.wall - expected).total_seconds()) <= 20.0
    assert wait_s == pytest.approx(15 * 60 + HOUR_S, abs=40.0)


def test_a_rise_says_that_somebody_filled_it() -> None:
    rig = emptied()
    rig.until(on, most_s=2 * HOUR_S)
    rig.run(60)
    decision = rig.run(60, 52.0)[-1]
    assert decision.tank_l is None
    assert decision.alarms == ()
    assert decision.on_because == "demand"


def test_a_room_that_only_cools_is_no_proof_of_water() -> None:
    # Same vapour, 24 -> 22 °C: RH rises by a factor p_ws(24)/p_ws(22) = 2985.13/2644.75 (HoF 2017 ch.1 eq.6).
    rig = emptied()
    rig.lift_rh_pct = 0.0  # nothing comes out of a dry one
    rig.until(on, most_s=2 * HOUR_S)
    rig.run(60)
    for step in range(1, 31):
        temp_c = 24.0 - step / 15.0
        rh_pct = 50.0 * (1 + (2985.13 / 2644.75 - 1) * step / 30.0)
        decision = rig.step(rh_pct, temp_c)
    assert decision.rh_pct == pytest.approx(56.4, abs=0.1)
    assert decision.tank_l == 0.0


def test_a_rise_long_after_a_trial_proves_nothing() -> None:
    # While no probe is trusted nobody judges the trial; a rise hours after it may have any cause.
    rig = emptied()
    rig.until(on, most_s=2 * HOUR_S)
    rig.run(30)
    for _ in range(720):
        rig.step(readings=(Reading(failure="unplugged"),))
    for _ in range(4):
        decision = rig.step(56.0)
    assert decision.tank_l == 0.0


def test_no_trial_where_the_humidifier_has_no_dry_cut_out() -> None:
    rig = emptied(dry_cutout=False)
    assert not any(map(on, rig.run(5 * HOUR_S, tick_s=30.0)))
    assert rig.step().next_possible_on is None


def test_a_note_ends_the_emptiness() -> None:
    rig = emptied()
    rig.run(1800, tick_s=30.0)
    decision = rig.ask("refilled")
    assert decision.relay_on
    assert decision.alarms == ()
    assert decision.tank_l == GALLON_L
