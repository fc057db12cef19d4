"""A bounded wait, errors in words, texts without secrets; the inbox between two threads; the book."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from controller.notifier import book
from controller.notifier.inbox import Inbox, Moment
from controller.notifier.lane import sent_or_why
from controller.notifier.people import ways_to
from controller.notifier.sender import Notifier
from controller.notifier.settings import NotifySettings
from controller.notifier.ways import Patient, SendError, Way, why, without_secrets
from controller.notifier.words import trial
from tests.notifier.helpers import NOON, SECRET, at_once, message

LETTER = trial("larch", "x", NOON)


def test_what_ends_in_time_ends_as_it_does() -> None:
    done: list[int] = []
    patient = Patient("x")
    patient(10.0, lambda: done.append(1))
    assert done == [1]
    with pytest.raises(SendError, match="down"):
        patient(10.0, lambda: (_ for _ in ()).throw(SendError("down")))


@pytest.mark.process
def test_what_hangs_is_left_behind_and_holds_one_thread_at_most() -> None:
    let_go = threading.Event()
    patient = Patient("x")
    with pytest.raises(SendError, match="no answer within 0 s"):
        patient(0.05, lambda: let_go.wait(60.0))  # type: ignore[arg-type, return-value]
    before = threading.active_count()
    for _ in range(20):
        with pytest.raises(SendError, match="the last try still hangs"):
            patient(0.05, lambda: None)
    assert threading.active_count() == before
    let_go.set()
    assert patient._hung is not None
    patient._hung.join(10.0)
    patient(10.0, lambda: None)


def test_an_error_that_is_not_ours_is_named_by_its_kind() -> None:
    assert why(SendError("down")) == "down"
    assert why(OSError(28, "No space left on device")) == "No space left on device"
    assert why(OSError(SECRET)) == "OSError"
    assert why(RuntimeError(SECRET)) == "RuntimeError"


def test_a_foreign_text_keeps_no_secret() -> None:
    assert (
        without_secrets("bad\x1b[0m\nuser bob, see https://h/x?y", ["a://bobby:bob@h/"])
        == "bad [0m user bob, see (address)"
    )
    assert without_secrets(f"no {SECRET} here", [f"a://h/{SECRET}"]) == "no ... here"
    assert len(without_secrets("x" * 900)) == 200


def test_one_try_in_the_foreground() -> None:
    def fails(error: Exception) -> Way:
        def send(_: object) -> None:
            raise error

        return Way("x", 1.0, send)

    assert sent_or_why(Way("x", 1.0, lambda letter: None), at_once("x"), LETTER) == ""
    assert sent_or_why(fails(SendError("down")), at_once("x"), LETTER) == "down"
    assert sent_or_why(fails(RuntimeError(SECRET)), at_once("x"), LETTER) == "RuntimeError"


def test_every_way_that_is_set_is_used(tmp_path: Path) -> None:
    settings = NotifySettings(
        command=("/usr/bin/say", SECRET), webhook_url=f"https://h/{SECRET}", services=("a://x", "b://y"),
        second_command=("call",),
    )  # fmt: skip
    assert [way.name for way in ways_to(settings.first)] == [
        "command (say)", "webhook (h)", "service 1 (a)", "service 2 (b)",
    ]  # fmt: skip
    assert [way.name for way in ways_to(settings.second)] == ["command (call)"]
    notifier = Notifier.of(settings, "larch", 10.0, tmp_path, print)
    assert notifier is not None
    assert [lane.name for lane in notifier._lanes][-1] == "second command (call)"
    assert Notifier.of(NotifySettings(), "larch", 10.0, tmp_path, print) is None
    only_beats = Notifier.of(NotifySettings(heartbeat_url="https://h/x"), "larch", 10.0, tmp_path, print)
    assert only_beats is not None
    assert only_beats._lanes == []


def test_a_missing_library_is_a_trouble_from_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.notifier.by_service.find_spec", lambda name: None)
    notifier = Notifier.of(NotifySettings(services=("a://x",)), "larch", 10.0, tmp_path, print)
    assert notifier is not None
    ((code, said),) = notifier.troubles()
    assert code == "notifier_failed"
    assert "pip install '.[notify]'" in said


# The inbox.

ALARM, NOTICE = (message("tank_dry"),), (message("tank_low"),)


def moment(number: int) -> Moment:
    return Moment(number, float(number), NOON, (), ())


def numbers(inbox: Inbox) -> list[int]:
    return [each.number for each in inbox.take()]


def test_moments_come_in_order_and_each_once() -> None:
    inbox = Inbox()
    for number in range(1, 7):
        inbox.put(moment(number), notices_only=number % 2 == 0)
    assert numbers(inbox) == [1, 2, 3, 4, 5, 6]
    assert numbers(inbox) == []
    inbox.put(moment(7), notices_only=True)
    assert numbers(inbox) == [7]
    assert inbox.left_out() == 0


def test_when_it_is_full_the_oldest_notice_goes_before_any_alarm() -> None:
    inbox = Inbox(most=4)
    for number, notice in enumerate([False, True, False, True, True, False, False, False], 1):
        inbox.put(moment(number), notice)
    assert numbers(inbox) == [3, 6, 7, 8]  # out: 2, 4, 5, then the oldest alarm
    assert inbox.left_out() == 4
    assert inbox.left_out() == 0


def test_the_newest_is_never_left_out() -> None:
    inbox = Inbox(most=2)
    for number in (1, 2, 3):
        inbox.put(moment(number), notices_only=False)
    inbox.put(moment(4), notices_only=True)
    assert numbers(inbox)[-1] == 4


def test_a_queue_that_the_other_thread_empties_meanwhile_is_no_error() -> None:
    inbox = Inbox(most=-1)
    put = inbox._alarms.append

    class Emptied(type(inbox._alarms)):  # type: ignore[misc]
        def append(self, item: object) -> None:
            put(item)  # into a queue that nobody looks at any more

    inbox._alarms = Emptied()
    inbox.put(moment(1), notices_only=False)
    assert inbox.left_out() == 0
    assert numbers(inbox) == [1]


# The book.


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", "null", '{"version": 2}', '{"version": 1, "at": "x", "told": []}',
        '{"version": 1, "at": "2026-01-10T12:00:00", "told": []}',
        '{"version": 1, "at": "2026-01-10T12:00:00+00:00", "told": [{}]}',
        '{"version": 1, "at": "2026-01-10T12:00:00+00:00", "told": 7}', "[" * 100_000, "\udcff",
    ],
)  # fmt: skip
def test_a_book_that_cannot_be_read_is_an_empty_one(tmp_path: Path, text: str) -> None:
    path = tmp_path / "told.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    assert book.read(path, 0.0, NOON) == []
    assert book.read(tmp_path / "none", 0.0, NOON) == []


def test_a_moment_without_zone_or_a_wild_age_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "told.json"
    entry = {
        "code": "tank_dry", "since": "2026-01-10T12:00:00+00:00", "seen": None, "limit": 1.5, "detail": "",
        "told": True, "ways": ["x"], "second": False, "began_ago_s": float("nan"), "told_ago_s": 1e300,
        "letters_ago_s": [-5.0, 4000.0],
    }  # fmt: skip
    plain = {"version": 1, "at": NOON.isoformat(), "told": [entry]}
    path.write_text(json.dumps(plain))
    ((case, ways),) = book.read(path, 50.0, NOON)
    assert (case.began_s, case.told_s, case.letters_s, ways) == (50.0, 50.0 - book.LONGEST_S, [50.0], ("x",))
    assert case.message.limit == 1.5
    entry["since"] = "2026-01-10T12:00:00"
    path.write_text(json.dumps(plain))
    assert book.read(path, 50.0, NOON) == []


def test_others_cannot_read_the_book(tmp_path: Path) -> None:
    book.write(tmp_path / "new" / "told.json", [], 0.0, NOON)
    assert (tmp_path / "new" / "told.json").stat().st_mode & 0o007 == 0
