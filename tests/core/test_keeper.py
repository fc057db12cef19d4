"""KEEPER: what people ask for, and that all of it ends by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.keeper import duration_words
from controller.core.records import Request
from tests.core.helpers import DAY_S, HOUR_S, NOON, Rig, codes, off, on, quick


def ready(rh_pct: float = 50.0) -> Rig:
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 24}))
    rig.run(40, rh_pct)
    return rig


def test_a_pause_holds_and_ends_after_two_hours() -> None:
    rig = ready()
    decision = rig.ask("pause")
    assert decision.answers[0].done
    assert decision.answers[0].words == "paused for 2 h" or "120 min" in decision.answers[0].words
    assert codes(decision)[0] == "paused"
    expected = decision.next_possible_on
    assert expected == rig.wall + timedelta(hours=2)
    assert rig.until(on, most_s=3 * HOUR_S) == pytest.approx(2 * HOUR_S, abs=10.0)


@pytest.mark.parametrize(("asked_s", "held_s"), [(600.0, 600.0), (1e6, 12 * HOUR_S), (1e308, 12 * HOUR_S)])
def test_every_pause_is_bounded(asked_s: float, held_s: float) -> None:
    rig = ready()
    decision = rig.ask("pause", for_s=asked_s)
    assert ("longest allowed" in decision.answers[0].words) == (asked_s > held_s)
    assert rig.until(on, most_s=13 * HOUR_S, tick_s=30.0) == pytest.approx(held_s, abs=30.0)


@given(st.lists(st.floats(), max_size=5))
def test_every_pause_ends(asked: list[float]) -> None:
    rig = ready()
    for for_s in asked:
        rig.ask("pause", for_s=for_s)
    rig.run(12 * HOUR_S + 300, tick_s=300.0)
    rig.run(40)
    assert "paused" not in codes(rig.step())


def test_resume_ends_a_pause() -> None:
    rig = ready()
    rig.ask("pause")
    rig.run(60)
    decision = rig.ask("resume")
    assert decision.answers[0].words == "back to the settings"
    assert decision.relay_on
    assert rig.ask("resume").answers[0].words == "nothing was paused"


def test_humidify_now_runs_although_it_is_wet_enough_and_ends() -> None:
    rig = ready(70.0)
    assert not rig.step(70.0).relay_on
    decision = rig.ask("humidify_now", 70.0)
    assert (decision.relay_on, decision.on_because) == (True, "humidify_now")
    assert rig.until(off, 70.0, most_s=HOUR_S) == pytest.approx(15 * 60, abs=10.0)
    rig.ask("humidify_now", 70.0, for_s=1e9)
    assert rig.until(off, 70.0, most_s=2 * HOUR_S) == pytest.approx(HOUR_S, abs=10.0)


@pytest.mark.parametrize("end", ["pause", "resume"])
def test_humidify_now_can_be_called_off(end: str) -> None:
    rig = ready(70.0)
    rig.ask("humidify_now", 70.0)
    assert not rig.ask(end, 70.0).relay_on
    rig.ask("resume", 70.0)
    assert not rig.step(70.0).relay_on


def test_every_guard_stands_against_humidify_now() -> None:
    rig = ready(79.0)
    assert codes(rig.ask("humidify_now", 79.0)) == ["ceiling"]


def test_a_raise_lifts_the_target_under_the_ceiling_and_ends() -> None:
    rig = ready(64.0)
    assert rig.ask("raise_target", 64.0, for_s=HOUR_S).target_rh_pct == 70.0  # 5 %RH unless said
    rig.run(HOUR_S - 20, 64.0)
    assert rig.step(64.0).target_rh_pct == 70.0
    rig.run(20, 64.0)
    assert rig.step(64.0).target_rh_pct == 65.0
    assert rig.ask("raise_target", 64.0, rh_pct=3.0).target_rh_pct == 68.0
    decision = rig.ask("raise_target", 64.0, rh_pct=15.0, for_s=1e300)
    assert decision.target_rh_pct == 76.0  # 80 less the probe's 2, less the clear band's 2
    rig.run(14 * DAY_S - 300, None, tick_s=300.0)
    assert rig.step(None).target_rh_pct == 76.0
    rig.run(300, None)
    assert rig.step(None).target_rh_pct == 65.0


def test_a_second_raise_says_what_it_replaces_and_an_end_what_stood() -> None:
    rig = ready(64.0)
    (answer,) = rig.ask("raise_target", 64.0, rh_pct=15.0, by="Nox").answers
    assert answer.words == "target raised by 15 %RH for 3 days; never above the ceiling"
    decision = rig.ask("raise_target", 64.0, rh_pct=4.0, for_s=HOUR_S)
    (answer,) = decision.answers
    assert answer.words == (
        "target raised by 4 %RH for 60 min, in place of 15 %RH by Nox for another 3 days; "
        "never above the ceiling"
    )
    assert decision.raised is not None
    assert (decision.raised.rh_pct, decision.raised.by, decision.raised.left_s) == (4.0, "", HOUR_S)
    decision = rig.ask("raise_end", 64.0)
    (answer,) = decision.answers
    assert answer.done
    assert answer.words.startswith(
        "the target is the settings' own again; it was raised by 4 %RH for another 60 min"
    )
    assert (decision.raised, decision.target_rh_pct) == (None, 65.0)
    assert rig.ask("raise_end", 64.0).answers[0].words == "the target was not raised"


@pytest.mark.parametrize("figure", [15.1, 50.0, 1e300])
def test_more_than_may_be_raised_is_refused_and_what_stood_stands(figure: float) -> None:
    rig = ready(64.0)
    rig.ask("raise_target", 64.0, rh_pct=3.0)
    decision = rig.ask("raise_target", 64.0, rh_pct=figure)
    (answer,) = decision.answers
    assert not answer.done
    assert "is more than a target may be raised, 15 (keeper.most_raise_rh_pct)" in answer.words
    assert decision.target_rh_pct == 68.0


KINDS = ["refilled", "pause", "resume", "raise_target", "humidify_now"]


@pytest.mark.parametrize("kind", KINDS)
def test_what_came_too_late_is_refused(kind: str) -> None:
    rig = ready()
    decision = rig.ask(kind, expires=rig.wall)
    assert not decision.answers[0].done
    assert "too late" in decision.answers[0].words
    assert rig.ask(kind, expires=rig.wall + timedelta(seconds=10)).answers[0].done


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("figure", [nan, inf, -inf, -1.0, 0.0])
@pytest.mark.parametrize("field", ["for_s", "litres", "rh_pct"])
def test_figures_without_sense_are_refused(kind: str, figure: float, field: str) -> None:
    rig = ready()
    before = rig.state.keeper
    decision = rig.ask(kind, **{field: figure})
    assert not decision.answers[0].done
    assert rig.state.keeper == before
    assert decision.relay_on


@pytest.mark.parametrize(
    "request_",
    [
        Request("pause", for_s="soon"),  # type: ignore[arg-type]
        Request("pause", expires=datetime(2026, 1, 1)),  # noqa: DTZ001
        Request("refilled", at=datetime(2026, 1, 1)),  # noqa: DTZ001
        Request("refilled", at="noon"),  # type: ignore[arg-type]
        Request("refilled", at=datetime.min.replace(tzinfo=UTC)),
        Request("refilled", at=datetime.max.replace(tzinfo=UTC)),
        Request("open the window"),
        Request(""),
        Request(None),  # type: ignore[arg-type]
        Request("x" * 10000),
    ],
)
def test_nonsense_is_answered_and_changes_nothing(request_: Request) -> None:
    rig = ready()
    decision = rig.step(requests=(request_,))
    assert decision.relay_on
    assert len(decision.answers) == 1
    answer = decision.answers[0]
    assert answer.request is request_
    assert not answer.done
    assert 0 < len(answer.words) < 200


def test_each_request_gets_its_answer_in_turn() -> None:
    rig = ready()
    asked = (Request("pause", id="a"), Request("nonsense", id="b"), Request("resume", id="c"))
    decision = rig.step(requests=asked)
    assert [answer.request.id for answer in decision.answers] == ["a", "b", "c"]
    assert [answer.done for answer in decision.answers] == [True, False, True]
    assert decision.relay_on
    assert rig.step().answers == ()


@pytest.mark.parametrize("jump", [timedelta(days=400), timedelta(days=-400)])
def test_a_wall_clock_that_jumps_moves_no_end(jump: timedelta) -> None:
    rig = ready()
    rig.ask("pause", for_s=HOUR_S)
    rig.wall += jump
    assert rig.until(on, most_s=2 * HOUR_S) == pytest.approx(HOUR_S, abs=10.0)
    assert rig.wall != NOON


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (45, "45 s"),
        (720, "12 min"),
        (9000, "2 h 30 min"),
        (10800, "3 h"),
        (3 * 86400, "3 days"),
        (3 * 86400 + 7200, "3 days 2 h"),
    ],
)
def test_durations_in_words(seconds: float, words: str) -> None:
    assert duration_words(seconds) == words


def test_mist_is_not_promised_during_a_pause() -> None:
    rig = Rig(quick())
    rig.ask("pause", for_s=1200.0)
    (answer,) = rig.ask("humidify_now").answers
    assert not answer.done
    assert "paused for another 20 min" in answer.words
    rig.ask("resume")
    assert rig.ask("humidify_now").answers[0].done
