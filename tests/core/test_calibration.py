"""The core's side: a probe that is away, the corrections kept, which one counts."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from itertools import count
from math import nan

import pytest

from controller import Controller, Inputs, Instant, Reading, Settings
from controller.core.calibration import (
    COMES_BACK_S,
    MOST_KEPT,
    CalibrationMemory,
    Correction,
    counts,
    handle,
)
from controller.core.messages import message_words
from controller.core.records import Decision, Request
from controller.core.state import State
from controller.core.trust import CorrectionLimits
from controller.core.words import sentence
from controller.status import to_do

WALL = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
NUMBER = count()
"""A request that was obeyed once is not obeyed again, so each has its own number."""


class Room:
    """A dry room: mist is wanted at every tick."""

    def __init__(self, probes: int = 1, **settings: object) -> None:
        self.controller = Controller(Settings(probe=[{}] * probes, **settings))
        self.at_s, self.shown, self.probes = 0.0, 50.0, probes

    def step(self, *requests: Request, shown: float | None = None) -> Decision:
        self.at_s += 10.0
        self.shown += 0.01 if int(self.at_s / 10) % 2 else -0.01  # no room stands quite still
        first = Reading(self.shown if shown is None else shown, 24.0)
        readings = (first, Reading(self.shown, 24.0))[: self.probes]
        now = Instant(self.at_s, WALL + timedelta(seconds=self.at_s), True)
        return self.controller.step(Inputs(readings=readings, requests=requests), now)

    def run(self, seconds: float, shown: float | None = None) -> list[Decision]:
        return [self.step(shown=shown) for _ in range(int(seconds / 10))]


def begin(for_s: float = 3600.0, probe: int = 1) -> Request:
    return Request("calibrate_begin", f"b{next(NUMBER)}", for_s=for_s, probe=probe)


def keep(gain: float = 1.0, offset_pct: float = 0.0, probe: int = 1) -> Request:
    return Request(
        "calibrate_keep",
        f"k{next(NUMBER)}",
        probe=probe,
        rh_gain=gain,
        rh_offset_pct=offset_pct,
        remark="test",
    )


def test_away_means_no_mist_no_figure_no_alarm_until_some_minutes_after_it_is_back() -> None:
    room = Room()
    assert room.run(300.0)[-1].relay_on
    room.step(begin())
    decisions = room.run(1800.0, shown=75.3)
    assert not any(decision.relay_on for decision in decisions)
    assert all(decision.rh_pct is None for decision in decisions)
    assert not any(decision.alarms for decision in decisions)
    assert {notice.code for notice in decisions[-1].notices} >= {"calibrating"}
    assert to_do(decisions[-1]) == "When it is in its place again: `hygrohold calibrate back`."
    said = room.step(Request("calibrate_end", "e"))
    at = (said.at.wall + timedelta(seconds=COMES_BACK_S)).strftime("%H:%M")
    assert said.answers[0].words == f"probe 1 is back; it is believed again at {at}"
    assert [notice.code for notice in said.notices if "calibra" in notice.code or "probe" in notice.code] == [
        "probe_returns"
    ]
    assert f"believed again at {at}. " in message_words(said.notices[0])
    assert "calibrate back" not in sentence(said) + to_do(said)
    back = room.run(COMES_BACK_S + 120.0)
    believed = [decision.rh_pct is not None for decision in back]
    assert believed.index(True) * 10.0 >= COMES_BACK_S - 20.0
    assert back[-1].relay_on
    assert not any(decision.alarms for decision in back)


def test_a_probe_that_nobody_brings_back_is_not_believed_and_is_an_alarm() -> None:
    room = Room()
    room.run(300.0)
    room.step(begin(for_s=600.0))
    late = room.run(2 * 3600.0, shown=33.0)
    assert not any(decision.relay_on for decision in late)
    assert [alarm.code for alarm in late[-1].alarms] == ["probe_not_back"]
    room.step(Request("calibrate_end", "e"))
    back = room.run(COMES_BACK_S + 120.0)
    assert not back[1].alarms
    assert back[-1].relay_on


def test_the_word_for_one_probe_does_not_move_the_other() -> None:
    room = Room(probes=2)
    room.run(300.0)
    room.step(begin(probe=1))
    answer = room.step(Request("calibrate_begin", f"o{next(NUMBER)}", probe=2, for_s=600.0)).answers[0]
    assert not answer.done
    assert "probe 1 is away" in answer.words
    assert room.controller.state.calibration.away == 1
    assert room.controller.state.calibration.back_t is None


@pytest.mark.parametrize("number", [None, 1, 2])
def test_back_means_the_one_that_is_away_even_where_the_settings_lost_it(number: int | None) -> None:
    memory = CalibrationMemory(away=2, due_t=100.0)
    request = Request("calibrate_end", "e", probe=number)
    after, done, words = handle(memory, request, 50.0, WALL, (CorrectionLimits(),))
    assert done
    assert "probe 2 is back" in words
    assert after.back_t == 50.0 + COMES_BACK_S


def test_a_second_probe_goes_on_meanwhile() -> None:
    room = Room(probes=2)
    room.run(300.0)
    room.step(begin(probe=1))
    decisions = room.run(600.0, shown=75.3)
    assert decisions[-1].relay_on
    assert all(decision.rh_pct == pytest.approx(50.0, abs=0.1) for decision in decisions[1:])
    assert not any(decision.alarms for decision in decisions)


def test_a_correction_counts_at_once_and_survives_a_restart() -> None:
    room = Room()
    room.run(300.0)
    answer = room.step(keep(1.05, -3.0)).answers[0]
    assert answer.done, answer.words
    assert room.run(60.0)[-1].rh_pct == pytest.approx(50.0 * 1.05 - 3.0, abs=0.1)
    plain = json.loads(json.dumps(room.controller.state.to_plain()))
    room.controller = Controller(Settings(probe=[{}]), state=State.from_plain(plain))
    assert room.run(60.0)[-1].rh_pct == pytest.approx(49.5, abs=0.1)


def test_undo_brings_the_one_before_back() -> None:
    room = Room()
    room.run(60.0)
    for offset_pct in (1.0, 2.0):
        room.step(keep(offset_pct=offset_pct))
    seen = []
    for _ in range(3):
        seen.append(room.run(60.0)[-1].rh_pct)
        done = room.step(Request("calibrate_undo", f"u{next(NUMBER)}")).answers[0].done
    assert seen == [pytest.approx(52.0, abs=0.1), pytest.approx(51.0, abs=0.1), pytest.approx(50.0, abs=0.1)]
    assert not done


def test_only_so_many_are_kept() -> None:
    room = Room()
    for number in range(MOST_KEPT + 4):
        room.step(keep(offset_pct=number / 10))
    kept = room.controller.state.calibration.kept[0]
    assert len(kept) == MOST_KEPT
    assert kept[-1].rh_offset_pct == pytest.approx((MOST_KEPT + 3) / 10)


@pytest.mark.parametrize(
    "request_", [keep(0.7), keep(1.3), keep(nan), keep(1.0, 25.0), keep(1.0, nan), keep(probe=2),
                 begin(probe=3), begin(for_s=nan), begin(for_s=-1.0), Request("calibrate_dance", "d")],
)  # fmt: skip
def test_nonsense_is_refused_and_changes_nothing(request_: Request) -> None:
    room = Room()
    room.run(60.0)
    before = room.controller.state.calibration
    assert not room.step(request_).answers[0].done
    assert room.controller.state.calibration == before


@pytest.mark.parametrize(
    ("compared", "found", "here"),
    [
        (None, "2026-01-14", True),
        (date(2026, 1, 13), "2026-01-14", True),
        (date(2026, 1, 14), "2026-01-14", True),
        (date(2026, 1, 15), "2026-01-14", False),
    ],
)
def test_the_settings_count_again_where_their_date_is_later(
    compared: date | None, found: str, here: bool
) -> None:
    settings = CorrectionLimits(rh_offset_pct=5.0, temp_offset_c=0.5, calibrated_on=compared)
    one = counts(settings, Correction(1.0, 2.0, 0.0, found))
    assert (one is not None) == here
    assert one is None or one.temp_offset_c == 0.5


def test_a_spoilt_correction_in_the_kept_state_does_not_count() -> None:
    assert counts(CorrectionLimits(), Correction(9.0, 0.0, 0.0, "2026-01-14")) is None


def test_the_reminder_goes_by_the_newest_comparison() -> None:
    room = Room(keeper={"calibration_days": 10})
    room.controller = Controller(
        Settings(probe=[{"calibrated_on": date(2025, 12, 1)}], keeper={"calibration_days": 10})
    )
    room.run(60.0)
    assert "calibration_due" in {notice.code for notice in room.run(60.0)[-1].notices}
    room.step(keep())
    assert "calibration_due" not in {notice.code for notice in room.run(3600.0)[-1].notices}


def test_a_correction_that_does_not_count_is_said_to_be_so() -> None:
    """A clock that stands in the past, or a date of the settings that lies ahead."""
    room = Room()
    room.controller = Controller(Settings(probe=[{"calibrated_on": date(2030, 1, 1)}]))
    room.run(60.0)
    answer = room.step(keep(offset_pct=3.0)).answers[0]
    assert answer.done
    assert "the settings' own correction has a later date and counts" in answer.words
    assert room.run(60.0)[-1].rh_pct == pytest.approx(50.0, abs=0.1)
