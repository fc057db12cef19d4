"""Requests as files: what is left is read once and answered; what is no request is refused by name."""

from __future__ import annotations

import errno
import json
import os
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest

from controller.core.books import MOST_HANDLED
from controller.core.controller import Controller
from controller.core.records import Answer, Inputs, Instant, Request
from controller.core.state import State
from controller.errors import RequestError
from controller.spool import ANSWER_AGE_S, LARGEST_BYTES, MOST_PER_TICK, Spool, good_for
from tests.loop.helpers import NOON, flat

FULL = Request(
    "refilled",
    by="Ann",
    expires=NOON + timedelta(minutes=5),
    at=NOON - timedelta(minutes=20),
    litres=2.5,
    for_s=60.0,
    rh_pct=5.0,
)


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def spool(tmp_path: Path, said: list[str]) -> Spool:
    spool = Spool(tmp_path / "requests", said.append)
    spool.prepare()
    return spool


def drop(tmp_path: Path, content: bytes, name: str = "x.json") -> Path:
    path = tmp_path / "requests" / "asked" / name
    path.write_bytes(content)
    return path


def asked(**changes: object) -> bytes:
    plain = {"kind": "pause", "expires": (NOON + timedelta(minutes=5)).isoformat(), **changes}
    return json.dumps(plain).encode()


def test_a_request_arrives_whole_and_once(spool: Spool) -> None:
    identity = spool.leave(FULL, NOON)
    assert spool.poll(NOON) == (FULL._replace(id=identity),)
    assert spool.poll(NOON) == ()


def test_a_request_without_an_end_gets_one(spool: Spool) -> None:
    spool.leave(Request("pause"), NOON)
    (request,) = spool.poll(NOON)
    assert request.expires == NOON + good_for("pause")


def test_the_answer_comes_back(spool: Spool) -> None:
    identity = spool.leave(FULL, NOON)
    assert spool.answer_to(identity) is None
    (request,) = spool.poll(NOON)
    spool.answer([Answer(request, True, "noted: ünder “quotes”")])
    assert spool.answer_to(identity) == (True, "noted: ünder “quotes”")


def test_a_refusal_comes_back_as_one(spool: Spool) -> None:
    identity = spool.leave(FULL, NOON)
    (request,) = spool.poll(NOON)
    spool.answer([Answer(request, False, "no")])
    assert spool.answer_to(identity) == (False, "no")


def test_two_at_once_are_two(spool: Spool) -> None:
    ids = {spool.leave(Request("pause", by=name), NOON) for name in ("Ann", "Ben")}
    assert len(ids) == 2
    assert {request.id for request in spool.poll(NOON)} == ids


def test_two_people_s_order_is_kept(spool: Spool) -> None:
    first = spool.leave(Request("pause"), NOON)
    second = spool.leave(Request("resume"), NOON + timedelta(seconds=1))
    assert [request.id for request in spool.poll(NOON)] == [first, second]


def test_a_flood_is_taken_in_ticks(spool: Spool) -> None:
    for second in range(MOST_PER_TICK + 3):
        spool.leave(Request("resume"), NOON + timedelta(seconds=second))
    assert [len(spool.poll(NOON)) for _ in range(3)] == [MOST_PER_TICK, 3, 0]


def test_files_that_are_still_being_written_do_not_hold_up_the_rest(spool: Spool, tmp_path: Path) -> None:
    for number in range(MOST_PER_TICK + 4):
        drop(tmp_path, b"{", f".{number}.json")
        drop(tmp_path, b"{", f"{number}.json.part")
    identity = spool.leave(Request("resume"), NOON)
    assert [request.id for request in spool.poll(NOON)] == [identity]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"null",
        b"[]",
        b"7",
        b"{",
        b"\xff\xfe\x00nonsense",
        b"[" * 10_000,
        asked(kind="p" * 41),
        asked(kind=7),
        asked(surprise=1),
        asked(for_s=-1),
        asked(for_s=0),
        asked(litres=1e9),
        asked(rh_pct="NaN"),
        b'{"kind": "pause", "expires": "2026-01-10T12:05:00Z", "for_s": NaN}',
        b'{"kind": "pause", "expires": "2026-01-10T12:05:00Z", "for_s": Infinity}',
        asked(expires="2026-01-10T12:05:00"),
        asked(at="2026-01-10T12:05:00"),
        asked(expires="soon"),
        asked(by="b" * 81),
        json.dumps({"kind": "pause"}).encode(),
        b" " * (LARGEST_BYTES + 1),
    ],
)
def test_a_file_that_is_no_request_is_refused_by_name(
    spool: Spool, said: list[str], tmp_path: Path, content: bytes
) -> None:
    path = drop(tmp_path, content, "odd.json")
    good = spool.leave(Request("resume"), NOON)
    assert [request.id for request in spool.poll(NOON)] == [good]
    assert not path.exists()
    (words,) = said
    assert words.startswith("odd.json is no request")


def test_what_was_refused_can_be_looked_at_afterwards(spool: Spool, tmp_path: Path) -> None:
    """The module's head: "refused by name and set aside"."""
    drop(tmp_path, b"nonsense", "odd.json")
    spool.poll(NOON)
    kept = [path for path in (tmp_path / "requests").rglob("*") if path.is_file()]
    assert [path.read_bytes() for path in kept] == [b"nonsense"]


def test_a_folder_or_a_link_of_that_name_does_not_stop_the_loop(spool: Spool, tmp_path: Path) -> None:
    (tmp_path / "requests" / "asked" / "a-folder.json").mkdir()
    (tmp_path / "requests" / "asked" / "b-link.json").symlink_to(tmp_path / "nowhere")
    (tmp_path / "requests" / "asked" / "c-round.json").symlink_to("c-round.json")
    good = spool.leave(Request("resume"), NOON)
    assert [request.id for request in spool.poll(NOON)] == [good]


def test_a_pipe_of_that_name_does_not_hang_the_loop(spool: Spool, tmp_path: Path) -> None:
    """A loop that hangs leaves the relay as it is."""
    pipe = tmp_path / "requests" / "asked" / "a.json"
    os.mkfifo(pipe)
    thread = threading.Thread(target=spool.poll, args=(NOON,), daemon=True)
    thread.start()
    thread.join(1.0)
    hung = thread.is_alive()
    if hung:  # let it go: a writer that says nothing ends the read
        os.close(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))
        thread.join()
    assert not hung


def test_a_request_that_cannot_be_removed_is_not_obeyed_for_ever(
    spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that turned read-only: the file stays, and poll must neither raise nor repeat it each tick."""
    spool.leave(Request("humidify_now"), NOON)

    def denied(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "unlink", denied)
    polls = [spool.poll(NOON) for _ in range(3)]
    assert sum(map(len, polls)) <= 1


def test_refused_files_are_swept_in_time(spool: Spool, tmp_path: Path) -> None:
    old = drop(tmp_path, b"nonsense", "old.json")
    spool.poll(NOON)
    (aside,) = [path for path in (tmp_path / "requests").rglob(old.name) if path.is_file()]
    then = time.time() - ANSWER_AGE_S - 60.0
    os.utime(aside, (then, then))
    spool.answer([Answer(FULL._replace(id="new"), True, "done")])
    assert not aside.exists()


@pytest.mark.parametrize(
    "request_",
    [Request("pause", for_s=float("inf")), Request("refilled", litres=1e300), Request("p", by="A" * 81)],
)
def test_what_no_loop_would_take_is_not_left(spool: Spool, request_: Request) -> None:
    with pytest.raises(RequestError):
        spool.leave(request_, NOON)
    assert spool.poll(NOON) == ()


def test_a_missing_folder_is_no_request(tmp_path: Path) -> None:
    said: list[str] = []
    spool = Spool(tmp_path / "none", said.append)
    assert spool.poll(NOON) == ()
    assert spool.answer_to("x") is None
    spool.answer([Answer(FULL._replace(id="x"), True, "done")])
    assert "could not be written" in said[0]


def test_leaving_makes_the_folders_it_needs(tmp_path: Path) -> None:
    identity = Spool(tmp_path / "new" / "requests").leave(FULL, NOON)
    assert (tmp_path / "new" / "requests" / "asked" / f"{identity}.json").is_file()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "requests").write_text("in the way")
    with pytest.raises(RequestError, match="cannot be made"):
        Spool(tmp_path / "requests").leave(FULL, NOON)


def test_a_request_that_cannot_be_left_is_told(spool: Spool, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(RequestError, match="No space left"):
        spool.leave(FULL, NOON)


def test_old_answers_are_swept(spool: Spool, tmp_path: Path) -> None:
    for identity, age_s in (("old", ANSWER_AGE_S + 60.0), ("young", ANSWER_AGE_S - 60.0)):
        spool.answer([Answer(FULL._replace(id=identity), True, "done")])
        path = tmp_path / "requests" / "answered" / f"{identity}.json"
        then = time.time() - age_s
        os.utime(path, (then, then))
    spool.answer([Answer(FULL._replace(id="new"), True, "done")])
    assert [spool.answer_to(identity) is not None for identity in ("old", "young", "new")] == [
        False,
        True,
        True,
    ]


def test_an_answer_half_there_is_none_yet(spool: Spool, tmp_path: Path) -> None:
    for text in ("", "{", "null", "[]", '{"done": true}'):
        (tmp_path / "requests" / "answered" / "x.json").write_text(text)
        assert spool.answer_to("x") is None


@pytest.mark.parametrize("identity", ["../../secret", "/etc/passwd"])
def test_no_name_in_a_request_reaches_outside_the_folder(spool: Spool, tmp_path: Path, identity: str) -> None:
    """A request's id is its file's name, which holds no slash, whatever the file itself says."""
    drop(tmp_path, asked(id=identity), "odd.json")
    for request in spool.poll(NOON):
        assert request.id == "odd"
        spool.answer([Answer(request, True, "done")])
    found = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert all(path.is_relative_to(tmp_path / "requests") for path in found)


def test_a_request_that_came_too_late_is_answered_so_by_the_core(spool: Spool) -> None:
    spool.leave(Request("pause", expires=NOON - timedelta(minutes=1)), NOON - timedelta(minutes=20))
    decision = Controller(flat()).step(Inputs(requests=spool.poll(NOON)), Instant(5.0, NOON, True))
    (answer,) = decision.answers
    assert not answer.done
    assert "too late" in answer.words
    assert "paused" not in [reason.code for reason in decision.reasons]
    spool.answer(decision.answers)
    assert spool.answer_to(answer.request.id) == (False, answer.words)


# --- a program that ends between taking a request and answering it ---


def again(tmp_path: Path, said: list[str]) -> Spool:
    """The program's next start."""
    spool = Spool(tmp_path / "requests", said.append)
    spool.prepare()
    return spool


def test_what_was_taken_and_never_answered_is_offered_at_the_next_start(
    spool: Spool, said: list[str], tmp_path: Path
) -> None:
    first, second = (spool.leave(Request("pause"), NOON + timedelta(seconds=n)) for n in range(2))
    assert len(spool.poll(NOON)) == 2
    third = spool.leave(Request("resume"), NOON + timedelta(seconds=2))
    for _ in range(2):  # the start after that, too
        offered = again(tmp_path, said).poll(NOON)
        assert [request.id for request in offered][:2] == [first, second]
    assert offered[-1].id in (second, third)
    assert said == []


def test_what_was_answered_is_not_offered_again(spool: Spool, said: list[str], tmp_path: Path) -> None:
    identity = spool.leave(Request("pause"), NOON)
    spool.answer([Answer(request, True, "paused") for request in spool.poll(NOON)])
    assert again(tmp_path, said).poll(NOON) == ()
    assert not list((tmp_path / "requests" / "taken").iterdir())
    assert spool.answer_to(identity) == (True, "paused")


def test_an_answer_that_was_written_last_of_all_ends_it(
    spool: Spool, said: list[str], tmp_path: Path
) -> None:
    identity = spool.leave(Request("pause"), NOON)
    spool.poll(NOON)
    (tmp_path / "requests" / "answered" / f"{identity}.json").write_text('{"done": true, "words": "paused"}')
    assert again(tmp_path, said).poll(NOON) == ()
    assert not list((tmp_path / "requests" / "taken").iterdir())


def test_what_is_left_over_counts_in_the_first_tick_s_share(
    spool: Spool, said: list[str], tmp_path: Path
) -> None:
    for second in range(MOST_PER_TICK):
        spool.leave(Request("resume"), NOON + timedelta(seconds=second))
    spool.poll(NOON)
    spool.leave(Request("resume"), NOON + timedelta(seconds=60))
    fresh = again(tmp_path, said)
    assert [len(fresh.poll(NOON)) for _ in range(3)] == [MOST_PER_TICK, 1, 0]


def test_nonsense_that_is_left_over_is_set_aside(spool: Spool, said: list[str], tmp_path: Path) -> None:
    (tmp_path / "requests" / "taken" / "odd.json").write_text("nonsense")
    assert spool.poll(NOON) == ()
    assert said[0].startswith("odd.json is no request")
    assert (tmp_path / "requests" / "refused" / "odd.json").read_text() == "nonsense"


def test_a_file_that_cannot_be_tidied_away_is_told(
    spool: Spool, said: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool.leave(Request("pause"), NOON)
    asked_ = spool.poll(NOON)

    def denied(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "unlink", denied)
    spool.answer([Answer(request, True, "paused") for request in asked_])
    assert "could not be removed" in said[0]
    monkeypatch.undo()
    assert again(tmp_path, said).poll(NOON) == ()


def test_the_core_obeys_once_what_is_offered_twice() -> None:
    controller = Controller(flat())
    wish = Request("pause", id="20260110T120000-1", for_s=3600.0)
    controller.step(Inputs(), Instant(5.0, NOON, True))
    first = controller.step(Inputs(requests=(wish,)), Instant(10.0, NOON, True))
    ends_t = controller.state.keeper.pause_until_t
    kept = State.from_plain(json.loads(json.dumps(controller.state.to_plain())))
    later = NOON + timedelta(hours=2)  # it has expired by then; it was obeyed all the same
    second = Controller(flat(), kept).step(Inputs(requests=(wish,)), Instant(7210.0, later, True))
    assert first.answers[0].done
    assert second.answers[0].done
    assert "already" in second.answers[0].words
    assert kept.keeper.pause_until_t == ends_t
    assert "paused" not in [reason.code for reason in second.reasons]


def test_the_core_says_again_that_it_refused() -> None:
    controller = Controller(flat())
    wish = Request("dance", id="a")
    for at_s in (5.0, 10.0, 20.0):
        decision = controller.step(Inputs(requests=(wish,)), Instant(at_s, NOON, True))
    assert not decision.answers[0].done
    assert "was refused" in decision.answers[0].words
    assert controller.state.handled == (("a", False),)


def test_the_core_remembers_no_more_than_it_needs_and_nothing_it_cannot_keep() -> None:
    controller = Controller(flat())
    controller.step(Inputs(), Instant(5.0, NOON, True))
    names = [f"{number}" for number in range(40)] + ["", "\udcff", "ü"]
    for number, name in enumerate(names):
        wish = Request("resume", id=name)
        controller.step(Inputs(requests=(wish,)), Instant(10.0 + number, NOON, True))
    handled = controller.state.handled
    assert len(handled) == MOST_HANDLED
    assert [name for name, _ in handled][-3:] == ["39", "\\udcff", "\\xfc"]
    plain = json.loads(json.dumps(controller.state.to_plain()))
    assert State.from_plain(plain).handled == handled
    odd = Request("resume", id=[7])  # type: ignore[arg-type]
    assert controller.step(Inputs(requests=(odd,)), Instant(99.0, NOON, True)).answers[0].done
