"""The notice of an end that nobody wished for. systemd.exec(5), $SERVICE_RESULT, has systemd's words."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.service import notice
from controller.status import ended_words

NOW = datetime(2026, 1, 12, 3, 0, tzinfo=UTC)
SCRIPT = Path(notice.__file__)


class Room:
    def __init__(self, tmp_path: Path) -> None:
        self.runtime = tmp_path / "runtime"
        self.state = tmp_path / "state"
        self.runtime.mkdir()
        self.state.mkdir()

    def ends(self, result: str, status: str = "", at: datetime = NOW) -> str:
        environ = {"SERVICE_RESULT": result, "EXIT_STATUS": status}
        return notice.note("ended", "larch", self.runtime, self.state, environ, at)

    def gives_up(self, result: str = "", status: str = "", at: datetime = NOW) -> str:
        environ = {"MONITOR_SERVICE_RESULT": result, "MONITOR_EXIT_STATUS": status} if result else {}
        return notice.note("gave-up", "larch", self.runtime, self.state, environ, at)

    def noted(self) -> dict[str, object]:
        found = notice.newest((self.runtime, self.state))
        assert found is not None
        return found


@pytest.fixture
def room(tmp_path: Path) -> Room:
    return Room(tmp_path)


def test_a_wish_to_stop_is_no_news(room: Room) -> None:
    assert room.ends("success", "0") == ""
    assert notice.newest((room.runtime, room.state)) is None


@pytest.mark.parametrize(
    ("result", "status", "words"),
    [
        ("watchdog", "ABRT", "did not answer any more"),
        ("signal", "KILL", "killed (KILL)"),
        ("core-dump", "SEGV", "crashed (SEGV)"),
        ("exit-code", "1", "it failed"),
        ("exit-code", "2", "settings were refused"),
        ("exit-code", "3", "refused to run"),
        ("exit-code", "203", "could not start it (status 203)"),
        ("exit-code", "77", "exit status 77"),
        ("timeout", "TERM", "in time"),
        ("oom-kill", "KILL", "memory"),
        ("something-new", "", "something-new"),
        ("", "", "unknown"),
    ],
)
def test_each_end_is_told_in_words(room: Room, result: str, status: str, words: str) -> None:
    told = room.ends(result, status)
    assert words in told
    assert told.startswith("hygrohold, room larch: ")
    assert "journalctl -u hygrohold@larch" in told
    assert room.noted()["times"] == 1


def test_a_crash_loop_is_counted_and_told_once_an_hour(room: Room) -> None:
    told = [room.ends("signal", "SEGV", NOW + timedelta(minutes=n)) != "" for n in range(100)]
    assert [n for n, one in enumerate(told) if one] == [0, 61]  # a minute apart: past an hour at the 62nd
    assert room.noted()["times"] == 100
    assert room.noted()["first_at"] == NOW.isoformat(timespec="seconds")


def test_a_memory_card_is_not_written_at_every_crash(room: Room) -> None:
    versions = set()
    for n in range(34):
        room.ends("signal", "SEGV", NOW + timedelta(seconds=30 * n))
        versions.add((room.state / notice.NAME).read_text())
    assert len(versions) == 2  # 990 s: at once, and ten minutes later
    assert json.loads((room.runtime / notice.NAME).read_text())["times"] == 34


def test_another_end_is_told_at_once(room: Room) -> None:
    assert room.ends("signal", "SEGV")
    assert room.ends("watchdog", "ABRT", NOW + timedelta(seconds=5))
    assert room.noted()["times"] == 2


def test_a_day_later_it_is_another_series(room: Room) -> None:
    room.ends("signal", "SEGV")
    assert room.ends("signal", "SEGV", NOW + timedelta(hours=25))
    assert room.noted()["times"] == 1


def test_a_clock_that_went_back_hides_nothing(room: Room) -> None:
    room.ends("signal", "SEGV", NOW + timedelta(days=300))
    assert room.ends("signal", "SEGV")


def test_giving_up_is_told_although_the_end_was(room: Room) -> None:
    room.ends("exit-code", "3")
    told = room.gives_up("exit-code", "3", NOW + timedelta(seconds=1))
    assert "will not be started again by itself" in told
    assert room.noted()["gave_up"] is True
    assert room.noted()["times"] == 1  # the same end


def test_a_manager_that_does_not_say_why(room: Room) -> None:
    """$MONITOR_SERVICE_RESULT came with systemd 251: the end noted just before is the one."""
    room.ends("exit-code", "3")
    assert "refused to run" in room.gives_up()


@pytest.mark.parametrize("text", ["", "{}", "[]", "nonsense", '{"at": 3}', "[" * 100000, "null"])
def test_what_is_no_notice_of_ours_is_passed_over(room: Room, text: str) -> None:
    (room.state / notice.NAME).write_text(text)
    assert notice.newest((room.runtime, room.state)) is None
    assert room.ends("watchdog", "ABRT")
    assert room.noted()["times"] == 1


def test_a_moment_without_an_offset_is_none(room: Room) -> None:
    room.ends("watchdog", "ABRT")
    path = room.runtime / notice.NAME
    path.write_text(json.dumps({**json.loads(path.read_text()), "at": "2026-01-12T03:00:00"}))
    assert notice.read(room.runtime) is None


def test_no_link_is_followed(room: Room, tmp_path: Path) -> None:
    """It is written as root, in a folder where the keepers may write too."""
    precious = tmp_path / "precious"
    precious.write_text("as it was")
    for name in (notice.NAME, f".{notice.NAME}.part"):
        (room.runtime / name).symlink_to(precious)
    room.ends("watchdog", "ABRT")
    assert precious.read_text() == "as it was"
    assert not (room.runtime / notice.NAME).is_symlink()
    assert (room.runtime / notice.NAME).stat().st_mode & 0o777 == 0o640


def test_without_folders_it_is_told_all_the_same(tmp_path: Path) -> None:
    environ = {"SERVICE_RESULT": "watchdog", "EXIT_STATUS": "ABRT"}
    assert notice.note("ended", "larch", tmp_path / "no", tmp_path / "none", environ, NOW)


def script(room: Room, *words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-I", "-S", str(SCRIPT), *words], env=environ, capture_output=True, text=True,
        check=False, cwd=room.state,
    )  # fmt: skip


def test_as_a_script_with_the_standard_library_alone(room: Room) -> None:
    words = ("ended", "larch", str(room.runtime), str(room.state))
    done = script(room, *words, SERVICE_RESULT="exit-code", EXIT_STATUS="3")
    assert done.returncode == 0
    assert done.stderr.startswith("<1>hygrohold, room larch: ")  # sd-daemon(3): <1> is the priority alert
    assert notice.read(room.state) is not None
    assert script(room, *words, SERVICE_RESULT="success").stderr == ""
    assert script(room, "ended", "larch").returncode == 2


def test_it_is_said_on_the_terminals(room: Room, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    wall = tmp_path / "wall"
    wall.write_text(f"#!/bin/sh\ncat > {tmp_path / 'heard'}\n")
    wall.chmod(0o755)
    monkeypatch.setattr(notice, "WALLS", ("/no/such/wall", str(wall)))
    for name, value in {"SERVICE_RESULT": "watchdog", "EXIT_STATUS": "ABRT"}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(subprocess, "run", _without_timeout(subprocess.run))
    assert notice.main(["ended", "larch", str(room.runtime), str(room.state)]) == 0
    assert "the watchdog ended it" in (tmp_path / "heard").read_text()
    (tmp_path / "heard").unlink()
    assert notice.main(["ended", "larch", str(room.runtime), str(room.state)]) == 0  # told a moment ago
    assert not (tmp_path / "heard").exists()


def _without_timeout(real):  # type: ignore[no-untyped-def]
    """The standard library waits by sleeping where there is a timeout, which tests must not."""
    return lambda *words, timeout=None, **more: real(*words, **more)


def test_in_the_status(room: Room) -> None:
    room.ends("watchdog", "ABRT")
    room.ends("watchdog", "ABRT", NOW + timedelta(seconds=10))
    noted, later = room.noted(), NOW + timedelta(hours=1)
    words = ended_words(noted, later, running=True)
    assert words.startswith("Service ")
    assert "watchdog" in words
    assert "2 times" in words
    assert words.endswith("it runs again")
    assert ended_words(noted, later, running=False).endswith("it is started again")
    room.gives_up("exit-code", "3", later)
    assert ended_words(room.noted(), later, running=False).endswith("not be started again by itself")
    assert ended_words(noted, NOW + timedelta(days=8), running=True) == ""  # long over
    assert ended_words(noted, NOW + timedelta(days=8), running=False) != ""
