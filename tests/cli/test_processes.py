"""The program as it is really run: a process of its own, real signals, real files, the wall clock."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.history.read import HistoryReader
from controller.keep import peek
from controller.status import read_status

pytestmark = pytest.mark.process

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0  # for a machine with other work; nothing here is a measure of speed
"""A shared machine may be slow; a healthy one needs a second or two."""


def clean_environment(tmp_path: Path) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("HYGROHOLD", "XDG_", "COV_"))
        and name not in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "JOURNAL_STREAM")
    }
    return {**kept, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path), "PYTHONWARNINGS": "error"}


def until(true: Callable[[], Any], what: str) -> Any:
    """Waits until ``true()`` is; its value."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")


class Room:
    """A settings file with a replayed probe and the simulated relay, and processes over it."""

    def __init__(self, tmp_path: Path) -> None:
        self.tmp_path = tmp_path
        self.folder = tmp_path / "state" / "room"
        self.settings = tmp_path / "room.toml"
        self.replay = tmp_path / "replay.csv"
        rows = "".join(f"{second},{50 + second % 5 / 10},24.0\n" for second in range(600))
        self.replay.write_text(f"time,rh_pct,temp_c\n{rows}")
        self.write()
        self.running: list[subprocess.Popen[str]] = []

    def write(self, more: str = "") -> None:
        # Without a shortest off, a dry room is misted as soon as three samples are in.
        self.settings.write_text(
            f'settings_version = 1\n[room]\nstate_dir = "{self.tmp_path / "state"}"\n'
            f'[[probe]]\nkind = "replay"\nfile = "{self.replay}"\n[loop]\ntick_s = 1\n'
            f"[guards]\nshortest_off_s = 0\n{more}"
        )

    def start(self, *more: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "controller", "run", "--settings", str(self.settings), *more],
            cwd=self.tmp_path,
            env=clean_environment(self.tmp_path),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.running.append(process)
        return process

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "controller", *words, "--settings", str(self.settings)],
            cwd=self.tmp_path,
            env=clean_environment(self.tmp_path),
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )

    def status(self) -> dict[str, Any]:
        return read_status(self.folder / "status.json") or {}

    def on(self) -> bool:
        return self.status().get("relay_on") is True

    def end(self) -> None:
        for process in self.running:
            if process.poll() is None:
                process.kill()
            process.communicate()


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    room = Room(tmp_path)
    yield room
    room.end()


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    _, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in err
    return process.returncode, err


@pytest.mark.parametrize("wish", [signal.SIGTERM, signal.SIGINT])
def test_a_wish_to_stop_is_the_normal_end(room: Room, wish: signal.Signals) -> None:
    process = room.start()
    until(room.on, "on")
    process.send_signal(wish)
    code, _ = ended(process)
    assert code == 0
    state = peek(room.folder)
    assert state is not None
    assert state.relay.on is False
    assert state.t > 0.0
    assert not (room.folder / "status.json").exists()
    assert not list(room.folder.glob("history.sqlite-wal"))  # closed in good order
    reader = HistoryReader(room.folder / "history.sqlite")
    assert [switching.on for switching in reader.switchings()][:2] == [False, True]


def test_the_record_says_when_the_program_stopped(room: Room) -> None:
    """ports.History.event: "start, stop, settings, state lost"."""
    process = room.start()
    until(room.on, "on")
    process.terminate()
    ended(process)
    reader = HistoryReader(room.folder / "history.sqlite")
    assert reader.switchings()[-1].on is False
    assert reader.events()[-1].kind != "start"


def test_killed_outright_the_state_says_on(room: Room) -> None:
    """SIGKILL runs no code: the kept state must say on, so that the next start counts the run."""
    process = room.start()
    until(room.on, "on")
    process.kill()
    process.communicate()
    state = peek(room.folder)
    assert state is not None
    assert state.relay.on is True
    (room.folder / "status.json").unlink()  # what the killed one said last
    again = room.start()
    until(room.on, "on again")
    again.terminate()
    assert ended(again)[0] == 0


def test_people_ask_and_are_answered(room: Room) -> None:
    process = room.start()
    until(room.on, "on")
    noted = room.command("note", "refilled", "--litres", "2", "--by", "Ann")
    assert (noted.returncode, noted.stderr) == (0, "")
    assert noted.stdout.startswith("Done: noted: about 2.0 L")
    paused = room.command("pause", "--for", "30min")
    assert (paused.returncode, paused.stdout) == (0, "Done: paused for 30 min.\n")
    status = room.command("status")
    assert status.returncode == 0
    assert status.stdout.startswith("Off: paused for another")
    plain = json.loads(room.command("status", "--json").stdout)
    assert plain["relay_on"] is False
    assert plain["reasons"][0] == "paused"
    assert plain["tank_l"] == pytest.approx(2.0, abs=0.1)
    assert room.command("resume").stdout == "Done: back to the settings.\n"
    process.terminate()
    assert ended(process)[0] == 0
    notes = HistoryReader(room.folder / "history.sqlite").notes()
    assert next((note.kind, note.by) for note in notes) == ("refilled", "Ann")
    assert room.command("status").returncode == 4


def test_a_probe_that_falls_silent_is_off_within_the_bridge(room: Room) -> None:
    """Its file is gone as well. (A replay is read at the start; a kernel probe's files are in tests/loop.)"""
    rows = "".join(f"{second},50.{second % 5},24.0\n" for second in range(5))
    room.replay.write_text(f"time,rh_pct,temp_c\n{rows}")  # then "the replay file has ended"
    room.write("[trust]\nbridge_s = 2\n")
    process = room.start()
    until(room.on, "on")
    room.replay.unlink()
    until(lambda: room.status().get("relay_on") is False, "off")
    assert process.poll() is None
    assert "replay file has ended" in room.status()["sentence"]
    process.terminate()
    assert ended(process)[0] == 0


@pytest.mark.parametrize(
    ("more", "code", "told"),
    [
        ("[target]\nday_rh_pct = 900\n", 2, "room.toml:12"),
        ("[nonsense]\n", 2, "nonsense"),
    ],
)
def test_refused_settings_end_at_once(room: Room, more: str, code: int, told: str) -> None:
    room.write(more)
    found, err = ended(room.start())
    assert found == code
    assert told in err
    assert not room.folder.exists()


def test_a_state_folder_that_is_a_file_ends_with_1(room: Room) -> None:
    (room.tmp_path / "state").write_text("in the way")
    process = room.start()
    code, err = ended(process)
    assert code == 1
    assert "room.state_dir" in err


def test_a_record_that_is_a_folder_is_an_alarm_and_no_end(room: Room) -> None:
    (room.folder / "history.sqlite").mkdir(parents=True)
    process = room.start()
    until(lambda: any(item["code"] == "record_broken" for item in room.status().get("alarms", ())), "alarm")
    until(room.on, "on all the same")
    process.terminate()
    assert ended(process)[0] == 0


def test_two_loops_over_one_room(room: Room) -> None:
    """Two programs that both keep one room's ledger and relay would undo each other."""
    first = room.start()
    until(room.on, "on")
    second = room.start()
    code, err = ended(second)
    first.terminate()
    assert ended(first)[0] == 0
    assert code not in (None, 0)
    assert "already" in err
