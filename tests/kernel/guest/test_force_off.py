"""FORCE OFF as a script of its own, on the kernel's GPIO code: what it drives, how soon, what it refuses."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.kernel.guest.children import PIN
from tests.kernel.guest.gpio_trace import FOLDER as TRACING
from tests.kernel.guest.gpio_trace import Trace
from tests.kernel.guest.programs import Programs, force_off, start_force_off
from tests.kernel.guest.simulated_board import Board, Chip, KeepingChip, wait_until


def line_file(folder: Path, chip: Chip, off: int) -> None:
    """Written by hand here; that a room's program writes the same is tested with the program."""
    said = {"chip": chip.device, "line": PIN, "off_level": off}
    (folder / "relay-line.json").write_text(json.dumps(said))


@pytest.mark.parametrize("pull", [0, 1], ids=["pull-down", "pull-up"])
@pytest.mark.parametrize("off", [0, 1], ids=["active-high", "active-low"])
def test_it_drives_the_off_level_and_nothing_else(
    board: Board, trace: Trace, tmp_path: Path, fact: Callable[[str], None], off: int, pull: int
) -> None:
    line_file(tmp_path, board, off)
    board.pull(PIN, pull)
    trace.clear()
    (TRACING / "trace_marker").write_text("MARK start")
    code, said = force_off(tmp_path)
    assert (code, said.count("\n")) == (0, 1)
    assert f"relay driven off: line {PIN} of {board.device}" in said
    assert trace.driven() == [off]
    assert not board.seen(PIN).used
    assert board.level(PIN) == pull, "gpio-sim puts a freed line back to its pull"
    marks = [event.at_s for event in trace.events() if event.what in ("mark", "set")]
    began = time.monotonic()
    subprocess.run([sys.executable, "-I", "-S", "-c", "pass"], check=True)
    bare_ms = (time.monotonic() - began) * 1e3
    driven_ms = (marks[1] - marks[0]) * 1e3
    fact(f"force_off: driven {driven_ms:.0f} ms after the call; a bare Python: {bare_ms:.0f} ms")


@pytest.mark.parametrize(("kind", "name"), [("gpiozero", "lg"), ("libgpiod", "hygrohold")])
def test_a_line_that_a_living_program_holds_is_refused_in_words(
    board: Board, programs: Programs, trace: Trace, tmp_path: Path, kind: str, name: str
) -> None:
    """A frozen program is such a one: it must be killed first, as a service manager does."""
    line_file(tmp_path, board, 0)
    program = programs.start("hold", kind, str(board.number), "1")
    program.says("built")
    program.does("on")
    program.send(signal.SIGSTOP)
    trace.clear()
    code, said = force_off(tmp_path)
    assert code == 1
    assert "NOT driven off" in said
    assert f'held by "{name}"' in said
    assert "unplug the humidifier" in said
    assert trace.driven() == []
    assert board.level(PIN) == 1
    program.kill()
    assert force_off(tmp_path)[0] == 0


def test_it_waits_for_a_program_that_is_about_to_end(
    board: Board, programs: Programs, trace: Trace, tmp_path: Path
) -> None:
    line_file(tmp_path, board, 1)
    program = programs.start("hold", "libgpiod", str(board.number), "0")
    program.says("built")
    trace.clear()
    script = start_force_off(tmp_path)
    # The first look at the line in vain is not to be seen in the trace; half a second is a part of its wait.
    wait_until(lambda: b"force_off" in Path(f"/proc/{script.pid}/cmdline").read_bytes(), "the script")
    time.sleep(0.5)
    program.kill()
    said, _ = script.communicate(timeout=60)
    assert script.returncode == 0, said
    assert trace.driven() == [1]


@pytest.mark.parametrize("variable", ["RUNTIME_DIRECTORY", "STATE_DIRECTORY"])
def test_without_words_it_looks_where_the_service_manager_says(
    board: Board, trace: Trace, tmp_path: Path, variable: str
) -> None:
    line_file(tmp_path, board, 1)
    trace.clear()
    code, _ = force_off(**{variable: str(tmp_path)})
    assert code == 0
    assert trace.driven() == [1]


def test_a_chip_that_is_gone_is_told_in_words(other_board: Board, tmp_path: Path) -> None:
    line_file(tmp_path, other_board, 0)
    other_board.vanish()
    wait_until(lambda: not Path(other_board.device).exists(), "the chip to vanish")
    code, said = force_off(tmp_path)
    assert code == 1
    assert f"there is no {other_board.device}" in said


def test_it_drives_off_what_a_killed_program_left_on(
    keeping_chip: KeepingChip, programs: Programs, tmp_path: Path, kind: str, active_high: bool
) -> None:
    """On a chip whose driver leaves a freed line alone, like that of most boards and expanders."""
    off, on = (0, 1) if active_high else (1, 0)
    line_file(tmp_path, keeping_chip, off)
    for end in (signal.SIGKILL, signal.SIGTERM):  # neither is seen by this program
        program = programs.start("hold", kind, str(keeping_chip.number), str(int(active_high)))
        program.says("built")
        program.does("on")
        program.send(end)
        assert program.end() == -end
        assert not keeping_chip.seen(PIN).used
        assert keeping_chip.level(PIN) == on, "the killed program leaves the relay on"
        assert force_off(tmp_path)[0] == 0
        assert keeping_chip.level(PIN) == off, "and the script leaves it off, also after its own end"


def test_an_ordinary_end_leaves_the_relay_off_on_a_chip_that_keeps(
    keeping_chip: KeepingChip, programs: Programs, kind: str, active_high: bool
) -> None:
    program = programs.start("hold", kind, str(keeping_chip.number), str(int(active_high)))
    program.says("built")
    program.does("on")
    program.tell("return")
    assert program.end() == 0
    assert keeping_chip.level(PIN) == (0 if active_high else 1)
