"""NOTES: what the core answers to each kind of note, and that an opaque one raises under the ceiling."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from controller.core import notes
from controller.core.records import Request
from tests.core.helpers import DAY_S, HOUR_S, NOON, Rig, flat

PLAIN = [
    (Request("substrate"), "noted: the substrate was renewed"),
    (Request("substrate", animal="Juno"), "noted: the substrate was renewed for Juno"),
    (Request("misted", animal="Juno"), "noted: misted by hand for Juno"),
    (Request("opaque", animal="Juno"), "noted: Juno is opaque"),
    (Request("shed", animal="Juno", outcome="whole"), "noted: Juno shed whole"),
    (Request("shed", animal="Juno", outcome="pieces"), "noted: Juno shed in pieces"),
    (Request("remark", remark="ate"), "noted: the remark is in the journal"),
    (Request("correct", about=7), "noted: note 7 is corrected; what was written before stays in the record"),
    (Request("withdraw", about=7), "noted: note 7 is withdrawn; what was written before stays in the record"),
]


def rig_at(rh_pct: float = 66.0) -> Rig:
    rig = Rig(flat())
    rig.run(60, rh_pct)
    return rig


@pytest.mark.parametrize(("request_", "words"), PLAIN)
def test_each_kind_is_noted_and_changes_nothing_else(request_: Request, words: str) -> None:
    rig = rig_at()
    before = rig.state
    (answer,) = rig.step(66.0, requests=(request_,)).answers
    assert (answer.done, answer.words) == (True, words)
    after = rig.state
    assert (after.keeper, after.tank.learned, after.effect.verdict) == (
        before.keeper,
        before.tank.learned,
        before.effect.verdict,
    )


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (Request("shed", outcome="whole"), "which animal"),
        (Request("shed", animal="  ", outcome="whole"), "which animal"),
        (Request("shed", animal="Juno"), "whole, or in pieces"),
        (Request("shed", animal="Juno", outcome="half"), "whole, or in pieces"),
        (Request("opaque"), "which animal"),
        (Request("remark", remark=" "), "says nothing"),
        (Request("correct"), "number of the note is missing"),
        (Request("withdraw"), "number of the note is missing"),
        (Request("misted", at=NOON + timedelta(days=1)), "still to come"),
        (Request("correct", about=1, at=NOON + timedelta(days=1)), "still to come"),
        (Request("misted", at=datetime(1969, 12, 31, tzinfo=UTC)), "notes begin in 1970"),
        (Request("misted", at=datetime(2026, 1, 1)), "makes no sense"),  # noqa: DTZ001
        (Request("shed", animal=None, outcome="whole", at=NOON), None),  # type: ignore[arg-type]
        (Request("opaque", animal="Juno", rh_pct=-1.0), "above zero"),
    ],
)
def test_half_a_note_is_refused_with_a_reason(request_: Request, words: str | None) -> None:
    rig = rig_at()
    before = rig.state.keeper
    (answer,) = rig.step(66.0, requests=(request_,)).answers
    if words is not None:
        assert not answer.done
        assert words in answer.words
    assert rig.state.keeper == before


def test_a_note_may_be_about_the_past_and_a_watch_may_be_a_minute_ahead() -> None:
    rig = rig_at()
    for ago in (timedelta(days=400), timedelta(hours=1), timedelta(seconds=-50)):
        asked = Request("shed", animal="Juno", outcome="whole", at=rig.wall - ago)
        (answer,) = rig.step(66.0, requests=(asked,)).answers
        assert answer.done


def test_an_opaque_note_raises_the_target_for_its_days_and_no_longer() -> None:
    rig = rig_at()
    decision = rig.ask("opaque", 66.0, animal="Juno", rh_pct=4.0, for_s=5 * DAY_S)
    (answer,) = decision.answers
    assert answer.done
    assert answer.words == (
        "noted: Juno is opaque; target raised by 4 %RH for 5 days; never above the ceiling"
    )
    assert decision.target_rh_pct == pytest.approx(69.0)  # 65 of the settings and 4
    rig.run(5 * DAY_S - HOUR_S, 69.5, tick_s=300.0)
    assert rig.step(69.5).target_rh_pct == pytest.approx(69.0)
    rig.run(2 * HOUR_S, 69.5, tick_s=300.0)
    assert rig.step(69.5).target_rh_pct == pytest.approx(65.0)


def test_it_raises_no_further_than_the_ceiling_and_the_bound() -> None:
    rig = rig_at()
    decision = rig.ask("opaque", 66.0, animal="Juno", rh_pct=40.0, for_s=1e7)
    (answer,) = decision.answers  # nothing is noted that did not happen
    assert (answer.done, "40 %RH is more than a target may be raised, 15" in answer.words) == (False, True)
    assert decision.raised is None
    decision = rig.ask("opaque", 66.0, animal="Juno", rh_pct=15.0, for_s=1e7)
    (answer,) = decision.answers
    assert "14 days (the longest allowed)" in answer.words
    assert (answer.request.rh_pct, answer.request.for_s) == (15.0, 14 * DAY_S)  # so the journal has it
    # 65 + 15 would be the ceiling of 80 itself; the probe's accuracy is taken off it
    assert decision.target_rh_pct <= decision.ceiling_rh_pct < 80.0


def test_where_no_raise_is_allowed_it_does_neither() -> None:
    rig = Rig(flat(keeper={"most_raise_rh_pct": 0}))
    rig.run(60, 66.0)
    before = rig.state.keeper
    (answer,) = rig.ask("opaque", 66.0, animal="Juno", rh_pct=4.0).answers
    assert (answer.done, "no raise is allowed" in answer.words) == (False, True)
    assert rig.state.keeper == before
    assert rig.ask("opaque", 66.0, animal="Juno").answers[0].done


def test_a_correction_of_a_filling_teaches_the_tank_nothing() -> None:
    rig = rig_at()
    rig.ask("refilled", 66.0)
    before = rig.step(66.0).tank_l
    assert rig.ask("correct", 66.0, about=1, litres=0.5).tank_l == before
    assert rig.ask("withdraw", 66.0, about=1).tank_l == before


def test_every_kind_is_answered_by_somebody() -> None:
    rig = rig_at()
    for kind in (*notes.KINDS, *notes.AMENDING):
        asked = Request(kind, animal="Juno", outcome="whole", remark="x", about=1)
        assert rig.step(66.0, requests=(asked,)).answers[0].done, kind
