"""note, pause, resume, humidify: with a loop that answers, and without one."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from controller.cli import DONE, REFUSED, WRONG, common
from controller.core.records import Request
from controller.loop import Loop
from controller.spool import Spool
from controller.status import StatusFile
from tests.cli.conftest import Run
from tests.loop.helpers import Bench, flat

ASKS = [
    (("note", "refilled"), Request("refilled")),
    (("note", "refilled", "--litres", "2.5"), Request("refilled", litres=2.5)),
    (("pause",), Request("pause")),
    (("pause", "--for", "45min"), Request("pause", for_s=2700.0)),
    (("pause", "--for", "90s"), Request("pause", for_s=90.0)),
    (("pause", "--for", "2h"), Request("pause", for_s=7200.0)),
    (("pause", "--for", "1.5 h"), Request("pause", for_s=5400.0)),
    (("resume",), Request("resume")),
    (("humidify",), Request("humidify_now")),
    (("humidify", "--for", "10min"), Request("humidify_now", for_s=600.0)),
]


class Waiting:
    """Takes the place of time.sleep and time.monotonic: waiting costs nothing, and lets the loop go on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.slept_s = 0.0
        self.meanwhile: Callable[[], None] = lambda: None
        real = time.monotonic
        for name, fake in (("sleep", self.sleep), ("monotonic", lambda: real() + self.slept_s)):
            monkeypatch.setattr(time, name, fake)
            monkeypatch.setattr(common, name, fake, raising=False)  # however it got hold of them

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds
        self.meanwhile()


@pytest.fixture
def waiting(monkeypatch: pytest.MonkeyPatch) -> Waiting:
    return Waiting(monkeypatch)


@pytest.fixture
def settings(room: Callable[..., Path]) -> tuple[str, str]:
    return "--settings", str(room())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the room "room" keeps its files, see [room] state_dir."""
    return tmp_path / "state" / "room"


def left(folder: Path) -> list[Request]:
    spool = Spool(folder / "requests")
    return list(spool.poll(datetime.now().astimezone()))


class Answering:
    """The real loop over the same folders; each wait of the command is one tick."""

    def __init__(self, folder: Path, waiting: Waiting) -> None:
        settings = flat()
        spool = Spool(folder / "requests")
        spool.prepare()
        self.bench = Bench(settings)
        self.bench.clock.wall = datetime.now().astimezone()
        status = StatusFile(folder / "status.json", "room", 10.0, 0.4)
        self.loop = Loop(self.bench.parts(inbox=spool, tellers=(status, self.bench.watch)), 10.0)
        self.tick()
        waiting.meanwhile = self.tick

    def tick(self) -> None:
        self.loop.tick(self.bench.clock.now())
        self.bench.clock.mono_s += 10.0


@pytest.mark.parametrize(("words", "wanted"), ASKS)
def test_without_the_program_only_a_note_waits(
    run: Run,
    waiting: Waiting,
    settings: tuple[str, str],
    folder: Path,
    words: tuple[str, ...],
    wanted: Request,
) -> None:
    before = datetime.now().astimezone()
    code, out, _ = run(*words, *settings, "--by", "Ann")
    assert code == REFUSED
    assert "The program is not running" in out
    assert waiting.slept_s < 2.0  # nobody waits for a program that does not run
    if wanted.kind != "refilled":
        assert "nothing was asked" in out
        assert left(folder) == []
        return
    (request,) = left(folder)
    assert request._replace(id="", expires=None, at=None) == wanted._replace(by="Ann")
    assert request.at is not None  # it may be read hours later
    assert request.expires is not None
    month = timedelta(days=30)
    assert "kept for 30 days" in out
    assert before + month <= request.expires <= before + month + timedelta(seconds=30)


@pytest.mark.parametrize(("words", "wanted"), ASKS)
def test_with_a_loop_the_answer_is_printed(
    run: Run,
    waiting: Waiting,
    settings: tuple[str, str],
    folder: Path,
    words: tuple[str, ...],
    wanted: Request,
) -> None:
    loop = Answering(folder, waiting)
    code, out, err = run(*words, *settings)
    assert (code, err) == (DONE, "")
    (answer,) = [answer for decision in loop.bench.watch.decisions for answer in decision.answers]
    assert out == f"Done: {answer.words}.\n"
    assert answer.request.kind == wanted.kind
    assert answer.request.by == "tester"
    assert left(folder) == []


def test_a_refusal_is_3_and_says_why(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    Answering(folder, waiting)
    code, out, _ = run("note", "refilled", "--litres", "400", *settings)
    assert code == REFUSED
    assert out.startswith("Refused: 400 L do not fit")


def test_a_loop_that_does_not_answer_is_not_waited_for_for_ever(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It runs by its status file, and is busy."""
    Answering(folder, waiting)
    waiting.meanwhile = lambda: None
    monkeypatch.setattr(common, "WAIT_S", 3.0)
    code, out, _ = run("pause", *settings)
    assert code == REFUSED
    assert "has not answered" in out
    assert 3.0 <= waiting.slept_s <= 3.0 + 10.0 + 1.0  # WAIT_S and one tick
    assert len(left(folder)) == 1


def test_litres_that_filled_it_to_the_top(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    run("note", "refilled", "--litres", "2.5", "--full", *settings)
    (request,) = left(folder)
    assert (request.kind, request.litres, request.full) == ("refilled", 2.5, True)
    code, _, err = run("note", "cleaned", "--full", *settings)
    assert (code, "--full go with refilled" in err) == (WRONG, True)


def test_a_filling_some_time_ago(run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path) -> None:
    then = (datetime.now().astimezone() - timedelta(hours=3)).replace(microsecond=0)
    run("note", "refilled", "--at", then.isoformat(), *settings)
    run("note", "refilled", "--at", f"{then.replace(tzinfo=None):%Y-%m-%dT%H:%M}", *settings)
    at = sorted(request.at.timestamp() for request in left(folder) if request.at is not None)
    assert at == sorted([then.replace(second=0).timestamp(), then.timestamp()])


def test_a_filling_late_in_the_evening_told_after_midnight(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    """23:50, said at 00:10, was yesterday: an hour still to come today is meant for the day before."""
    now = datetime.now().astimezone()
    later = now + timedelta(hours=1)
    if later.date() != now.date():
        later = now + timedelta(minutes=2)
    run("note", "refilled", "--at", f"{later:%H:%M}", *settings)
    (request,) = left(folder)
    assert request.at is not None
    assert request.at <= now
    assert now - request.at <= timedelta(hours=25)


def test_an_hour_is_meant_in_the_room_s_time_zone(
    run: Run, waiting: Waiting, room: Callable[..., Path], folder: Path
) -> None:
    """The keeper's laptop may be elsewhere; Kiritimati is UTC+14 all year (IANA tz database)."""
    path = room('timezone = "Pacific/Kiritimati"\n')
    there = datetime.now(timezone(timedelta(hours=14))) - timedelta(hours=1)
    run("note", "refilled", "--at", f"{there:%H:%M}", "--settings", str(path))
    (request,) = left(folder)
    assert request.at is not None
    assert request.at.timestamp() == pytest.approx(there.timestamp(), abs=60.0)


@pytest.mark.parametrize(
    "words",
    [
        ("pause", "--for", "soon"),
        ("pause", "--for", "0h"),
        ("pause", "--for=-1h"),
        ("pause", "--for", "nan"),
        ("pause", "--for", "2"),
        ("pause", "--for", "1e3h"),
        ("humidify", "--for", "2 weeks"),
        ("note", "refilled", "--litres", "0"),
        ("note", "refilled", "--litres", "-1"),
        ("note", "refilled", "--litres", "nan"),
        ("note", "refilled", "--litres", "much"),
        ("note", "refilled", "--at", "25:00"),
        ("note", "refilled", "--at", "yesterday"),
        ("note", "emptied"),
    ],
)
def test_a_mistake_leaves_no_request(
    run: Run, settings: tuple[str, str], tmp_path: Path, words: tuple[str, ...]
) -> None:
    code, out, err = run(*words, *settings)
    assert (code, out) == (WRONG, "")
    assert words[-1].removeprefix("--for=") in err
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize(
    "words", [("pause", "--for", "9" * 400 + "h"), ("note", "refilled", "--litres", "1e300")]
)
def test_a_figure_beyond_all_bounds_is_refused_and_not_silently_dropped(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path, words: tuple[str, ...]
) -> None:
    """The loop throws such a file away as no request; whoever asked must be told."""
    Answering(folder, waiting)
    code, out, err = run(*words, *settings)
    assert code in (WRONG, REFUSED)
    assert "good for" not in out
    assert out + err


def test_a_long_name_is_not_silently_dropped(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    Answering(folder, waiting)
    _, out, err = run("pause", "--by", "A" * 81, *settings)
    assert "good for" not in out
    assert out + err


def test_two_askers_get_their_own_answers(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    loop = Answering(folder, waiting)
    Spool(folder / "requests").leave(Request("resume", by="Ben"), datetime.now().astimezone())
    code, out, _ = run("pause", "--for", "30min", *settings)
    assert (code, out) == (DONE, "Done: paused for 30 min.\n")
    answers = [a.request.by for d in loop.bench.watch.decisions for a in d.answers]
    assert sorted(answers) == ["Ben", "tester"]


def test_a_stale_status_file_is_no_running_loop(
    run: Run, waiting: Waiting, settings: tuple[str, str], folder: Path
) -> None:
    Answering(folder, waiting)
    waiting.meanwhile = lambda: None
    path = folder / "status.json"
    plain = json.loads(path.read_text())
    plain["at"] = (datetime.now().astimezone() - timedelta(days=1)).isoformat()
    path.write_text(json.dumps(plain))
    assert run("pause", *settings)[0] == REFUSED
    assert waiting.slept_s < 2.0


def test_a_folder_that_cannot_be_made_is_told(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    (tmp_path / "state").write_text("in the way")
    code, out, err = run("note", "refilled", *settings)
    assert code in (1, WRONG)
    assert out == ""
    assert "cannot be made" in err
