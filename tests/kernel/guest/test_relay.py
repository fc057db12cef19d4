"""The relay's drivers on the kernel's own GPIO code: no pulse at the start, off at each end Python sees."""

from __future__ import annotations

import signal

import pytest

from tests.kernel.guest.children import PIN
from tests.kernel.guest.gpio_trace import Trace
from tests.kernel.guest.programs import Program, Programs
from tests.kernel.guest.simulated_board import Board, wait_until


def held(programs: Programs, board: Board, kind: str, active_high: bool) -> Program:
    """A program that has built its relay, and not switched it yet."""
    program = programs.start("hold", kind, str(board.number), str(int(active_high)))
    program.says("built")
    return program


def test_no_pulse_at_the_start_and_driven_off_after_close(
    board: Board, programs: Programs, trace: Trace, kind: str, active_high: bool
) -> None:
    off, on = (0, 1) if active_high else (1, 0)
    board.pull(PIN, on)  # so that a line at off is one that is driven
    trace.clear()
    program = held(programs, board, kind, active_high)
    assert trace.driven(), "nothing was driven at all"
    assert set(trace.driven()) == {off}
    assert board.seen(PIN)[:2] == (True, True)
    assert board.level(PIN) == off

    assert "seen True" in program.does("on")
    assert board.level(PIN) == on
    assert "seen False" in program.does("off")
    assert board.level(PIN) == off

    program.does("on")
    program.does("close")
    assert board.seen(PIN)[:2] == (True, True), "after close the line is still claimed, as an output"
    assert board.level(PIN) == off
    program.tell("return")
    assert program.end() == 0
    assert not board.seen(PIN).used
    assert trace.driven()[-1] == off


@pytest.mark.parametrize("active_high", [True, False], ids=["active-high", "active-low"])
def test_the_trace_catches_the_pulse_of_the_stock_class(
    board: Board, programs: Programs, trace: Trace, active_high: bool
) -> None:
    """The check above can fail: gpiozero's own class drives low before high (its pull request 1177)."""
    on = 1 if active_high else 0
    board.pull(PIN, 1 - on)
    trace.clear()
    program = programs.start("stock", str(board.number), str(int(active_high)))
    program.says("built")
    assert (on in trace.driven()) is not active_high
    program.tell("")
    assert program.end() == 0


ENDS = {"return": 0, "raise": 1, "exit": 3, "SIGINT": -signal.SIGINT}


@pytest.mark.parametrize("how", ENDS)
def test_off_at_every_end_that_python_sees(
    board: Board, programs: Programs, trace: Trace, kind: str, active_high: bool, how: str
) -> None:
    """Nobody calls close. What was driven last counts; then the line is free, and the pull decides."""
    off, on = (0, 1) if active_high else (1, 0)
    board.pull(PIN, off)
    program = held(programs, board, kind, active_high)
    program.does("on")
    assert board.level(PIN) == on
    trace.clear()
    if how == "SIGINT":
        program.send(signal.SIGINT)
    else:
        program.tell(how)
    assert program.end() == ENDS[how]
    assert trace.driven()[-1:] == [off]
    assert on not in trace.driven()
    assert not board.seen(PIN).used
    assert board.level(PIN) == off


def test_what_sigkill_leaves_behind_on_gpio_sim(
    board: Board, programs: Programs, trace: Trace, kind: str, active_high: bool
) -> None:
    """The kernel frees the line; gpio-sim then shows the pull (gpio_sim_free). Nothing drives it off."""
    on = 1 if active_high else 0
    for pull in (0, 1):
        board.pull(PIN, pull)
        program = held(programs, board, kind, active_high)
        program.does("on")
        trace.clear()
        assert program.kill() == -signal.SIGKILL
        assert not board.seen(PIN).used
        assert trace.driven() == []
        assert board.level(PIN) == pull, f"on is {on}"


def test_a_frozen_program_keeps_the_relay_on(
    board: Board, programs: Programs, kind: str, active_high: bool
) -> None:
    on = 1 if active_high else 0
    board.pull(PIN, 1 - on)
    program = held(programs, board, kind, active_high)
    program.does("on")
    program.send(signal.SIGSTOP)
    wait_until(lambda: _state_of(program.pid) == "T", "the program to stop")
    assert board.level(PIN) == on
    assert board.seen(PIN).used
    program.kill()
    assert board.level(PIN) == 1 - on


def _state_of(pid: int) -> str:
    """The letter of proc(5) for a process' state; T: stopped by a signal."""
    with open(f"/proc/{pid}/stat") as file:  # noqa: PTH123
        return file.read().rsplit(")", 1)[1].split()[0]


def test_a_chip_that_vanishes_is_told_in_words(other_board: Board, programs: Programs, kind: str) -> None:
    program = held(programs, other_board, kind, True)
    program.does("on")
    other_board.vanish()
    for step in ("off", "on"):
        said = program.does(step)
        assert "RelayError: " in said
        assert f"gpiochip{other_board.number}" in said
        assert "gone away" in said
        assert "seen None" in said
    program.tell("return")
    program.end()
    assert "Traceback" not in program.output


def test_no_such_chip_is_told_in_words(board: Board, programs: Programs, kind: str) -> None:
    program = programs.start("try_to_build", kind, "63", "1")
    assert program.end() == 0
    assert "RelayError: " in program.output
    assert "there is no /dev/gpiochip63" in program.output
    assert board.name in program.output, "it says which chips there are"


def test_a_line_that_is_taken_is_told_in_words(board: Board, programs: Programs, kind: str) -> None:
    for holder, name in (("gpiozero", "lg"), ("libgpiod", "hygrohold")):
        first = held(programs, board, holder, True)
        second = programs.start("try_to_build", kind, str(board.number), "1")
        second.end()
        assert "RelayError: " in second.output
        assert f'in use by "{name}"' in second.output
        first.kill()


def test_a_user_without_the_right_is_told_in_words(board: Board, programs: Programs, kind: str) -> None:
    program = programs.start("try_to_build", kind, str(board.number), "1", user=65534)  # nobody
    program.end()
    assert "RelayError: " in program.output
    assert f"may not use {board.device}" in program.output
    assert "group" in program.output
