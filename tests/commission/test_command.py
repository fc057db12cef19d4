"""The command: refusals before anything is touched, the rehearsal, the kept printout, real signals."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller import commissioned, room_lock
from controller.cli import DONE, FAILED, REFUSED, WRONG, main
from controller.commissioning import real
from controller.commissioning.rehearsed import RehearsedSite
from tests.commission.file_relay import LINE
from tests.commission.helpers import bench, settings_of

ROOT = Path(__file__).parents[2]
PRINTOUT = ROOT / "demo" / "first-evening" / "commission.txt"
COMMAND = "$ hygrohold commission --rehearse --settings demo/larch-room.toml"

Typed = Callable[[str], None]


@pytest.fixture(autouse=True)
def no_service_manager(monkeypatch: pytest.MonkeyPatch) -> None:
    """This machine may have one; no test asks it."""
    monkeypatch.setattr("controller.cli.commission.shutil.which", lambda name: None)


@pytest.fixture
def room(tmp_path: Path) -> Callable[..., Path]:
    def write(name: str = "attic", pin: int = 5) -> Path:
        path = tmp_path / f"{name}.toml"
        path.write_text(
            f'settings_version = 1\n[room]\nname = "{name}"\nstate_dir = "{tmp_path / "state"}"\n'
            f'[relay]\nkind = "libgpiod"\npin = {pin}\nchip = 1\n[[probe]]\nkind = "hwmon"\nat = "1-0044"\n'
        )
        return path

    return write


@pytest.fixture
def simulated_board(monkeypatch: pytest.MonkeyPatch) -> list[RehearsedSite]:
    """The real command, whose site is simulated: all but the board itself."""
    made: list[RehearsedSite] = []

    class Site(RehearsedSite):
        def __init__(self, settings: Any, where: Any, clock: Any, say: Any, path: Any = None) -> None:
            super().__init__(settings)
            made.append(self)

    monkeypatch.setattr(real, "RealSite", Site)
    monkeypatch.setattr(
        "controller.commissioning.talk.select.select", lambda r, w, x, t=None: (r[:1], [], [])
    )
    return made


def test_the_kept_printout_is_what_the_rehearsal_says(
    typed: Typed, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven times yes. To write it anew after a change of words: WRITE_PRINTOUT=1."""
    monkeypatch.chdir(ROOT)
    typed("y\n" * 7)
    assert main(COMMAND.split()[2:]) == DONE
    said = f"{COMMAND}\n{capsys.readouterr().out}"
    if "WRITE_PRINTOUT" in os.environ:
        PRINTOUT.write_text(said, encoding="utf-8")
    assert said == PRINTOUT.read_text(encoding="utf-8")
    assert "SIMULATED" in said.splitlines()[1]
    assert "no record is written" in said.splitlines()[-1]
    assert "unplug the humidifier again" in said.splitlines()[-2]
    asked = said.index("may it mist for ten minutes?")
    for words in ("electrician has signed", "ten-second test"):
        assert said.index("Step 4.") < said.index(words) < asked


def test_a_rehearsal_leaves_no_trace(
    typed: Typed, room: Callable[..., Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typed("y\n" * 7)
    assert main(["commission", "--rehearse", "--settings", str(room())]) == DONE
    assert not (tmp_path / "state").exists()
    assert "Passed, in the rehearsal" in capsys.readouterr().out


def test_a_rehearsal_can_fail_as_the_real_one(
    typed: Typed, room: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    typed("y\nn\ny\n")
    assert main(["commission", "--rehearse", "--settings", str(room())]) == FAILED
    assert "active_high = false" in capsys.readouterr().out


def test_the_end_of_input_at_any_time(
    typed: Typed, room: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    for answers in range(7):
        typed("y\n" * answers)
        assert main(["commission", "--rehearse", "--settings", str(room())]) == REFUSED
        assert "Ended: there was no more input" in capsys.readouterr().out


def test_a_simulated_relay_cannot_be_commissioned(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["commission"]) == WRONG
    assert "--rehearse" in capsys.readouterr().err


def test_a_room_that_is_running_is_refused(
    typed: Typed, room: Callable[..., Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typed("y\n" * 7)
    with room_lock.hold(tmp_path / "state" / "attic"):
        assert main(["commission", "--settings", str(room())]) == FAILED
    assert "already runs this room" in capsys.readouterr().err


@pytest.mark.parametrize("state", ["active", "activating", "inactive", "failed", ""])
def test_a_service_between_two_starts_is_refused(
    state: str,
    typed: Typed,
    room: Callable[..., Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Its off step would spoil what is seen; one that rests or does not exist is no bar."""
    said = subprocess.CompletedProcess((), 0, stdout=f"{state}\n")
    monkeypatch.setattr("controller.cli.commission.shutil.which", lambda name: f"/bin/{name}")
    monkeypatch.setattr("controller.cli.commission.subprocess.run", lambda *_, **__: said)
    typed("y\n" * 7)
    with room_lock.hold(tmp_path / "state" / "attic"):  # the next thing that would refuse
        main(["commission", "--settings", str(room())])
    err = capsys.readouterr().err
    assert ("sudo systemctl stop hygrohold@attic" in err) == (state in ("active", "activating"))
    assert ("already runs this room" in err) == (state not in ("active", "activating"))


def test_a_room_of_the_service_is_for_the_service_s_user(
    typed: Typed,
    room: Callable[..., Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Its files would belong to whoever commissions, and the service could not write them."""
    monkeypatch.setattr("controller.service.folders.STATE", tmp_path / "state")
    (tmp_path / "state" / "attic").mkdir(parents=True)
    monkeypatch.setattr(os, "geteuid", lambda: 4321)
    typed("y\n" * 7)
    assert main(["commission", "--settings", str(room())]) == REFUSED
    assert "sudo -u hygrohold hygrohold commission --settings" in capsys.readouterr().err
    assert list((tmp_path / "state" / "attic").iterdir()) == []


def test_two_rooms_of_one_board(
    typed: Typed,
    room: Callable[..., Path],
    tmp_path: Path,
    simulated_board: list[RehearsedSite],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """While one is running, the other can be commissioned; each has its own record."""
    with room_lock.hold(tmp_path / "state" / "cellar"):
        walked(typed, room(), simulated_board)
    walked(typed, room("cellar", 6), simulated_board)
    for name, pin in (("attic", 5), ("cellar", 6)):
        record = json.loads((tmp_path / "state" / name / commissioned.FILE).read_text())
        assert (record["by"], record["room"], record["wiring"]["relay.pin"]) == ("Ann", name, pin)
    assert "PASSED" in capsys.readouterr().out


def walked(typed: Typed, path: Path, boards: list[RehearsedSite]) -> None:
    """Waits do not pass in the real console, so the simulated room is moved on by its own hints."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    typed("y\n" * 7)
    hint = RehearsedSite.hint

    def passing(self: RehearsedSite, what: str) -> str:
        said = hint(self, what)
        self.pass_time(2.0)
        return said

    RehearsedSite.hint = passing  # type: ignore[method-assign]
    try:
        assert main(["commission", "--settings", str(path), "--by", "Ann"]) == DONE
    finally:
        RehearsedSite.hint = hint  # type: ignore[method-assign]
    assert not boards[-1].outlet_on
    assert {number: signal.getsignal(number) for number in before} == before


def test_the_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["commission", "--help"])
    assert "hygrohold commission --settings larch.toml" in capsys.readouterr().out


def test_faults_of_the_bench_that_touch_nothing_here_are_left_out() -> None:
    site = RehearsedSite(settings_of(bench=bench("power-cut", "door-open", "probe-jumps")))
    assert [fault.kind for fault in site.world.bench.fault] == ["probe-jumps"]


STARTER = """
import sys
from controller.commissioning import hand
hand.DRIVERS["libgpiod"] = "tests.commission.file_relay:FileRelay"
from controller.commissioning import real
real.make_probe = lambda settings, now_s: type("P", (), {"name": "p", "read": lambda self: None})()
from controller.cli import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.process
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda one: one.name)
@pytest.mark.parametrize("answers", [1, 2], ids=["while it is off", "while it is on"])
def test_signals_leave_the_line_off_and_no_record(
    tmp_path: Path, room: Callable[..., Path], number: signal.Signals, answers: int
) -> None:
    """The real command, its real child, a line that is a file: a terminal's Ctrl-C, or a lost connection."""
    line = tmp_path / "line"
    environ = {**os.environ, "PYTHONPATH": str(ROOT), LINE: str(line)}
    process = subprocess.Popen(
        [sys.executable, "-c", STARTER, "commission", "--settings", str(room())],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environ,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write("y\n" * answers)
    process.stdin.flush()
    seen = ""
    while seen.count("[y/n]") < answers + 1:
        seen += process.stdout.read(1)
    assert line.read_text() == ("1" if answers == 2 else "0")
    process.send_signal(number)
    out, err = process.communicate(timeout=30)
    assert process.returncode == REFUSED, err
    assert "No record is written. The relay is driven off." in out
    assert line.read_text() == "0"
    assert "Traceback" not in err
    assert not (tmp_path / "state" / "attic" / commissioned.FILE).exists()


@pytest.mark.process
def test_the_whole_of_it_killed_leaves_the_line_off(tmp_path: Path, room: Callable[..., Path]) -> None:
    """Not even SIGKILL of the command itself leaves the lamp on: its child hears the pipe close."""
    line = tmp_path / "line"
    environ = {**os.environ, "PYTHONPATH": str(ROOT), LINE: str(line)}
    process = subprocess.Popen(
        [sys.executable, "-c", STARTER, "commission", "--settings", str(room())],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environ,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    with process.stdin, process.stdout:
        process.stdin.write("y\ny\n")
        process.stdin.flush()
        seen = ""
        while seen.count("[y/n]") < 3:
            seen += process.stdout.read(1)
        assert line.read_text() == "1"
        process.kill()
        process.wait()
    until = time.monotonic() + 15
    while line.read_text() == "1" and time.monotonic() < until:
        time.sleep(0.05)
    assert line.read_text() == "0"
