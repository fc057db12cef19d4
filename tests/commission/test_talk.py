"""Questions over a pipe and a terminal-like descriptor, and every way in which they end."""

from __future__ import annotations

import io
import os
import signal
import time
from collections.abc import Iterator

import pytest

from controller.commissioning.talk import LONGEST_LINE, Console, Ended


class Line:
    """A pipe to answer into, and what was said."""

    def __init__(self, echo: bool = False) -> None:
        self.read_end, self.write_end = os.pipe()
        self.out = io.StringIO()
        self.console = Console(self.read_end, self.out, echo)

    def type(self, text: str) -> None:
        os.write(self.write_end, text.encode())

    def hang_up(self) -> None:
        os.close(self.write_end)
        self.write_end = -1

    def close(self) -> None:
        self.console.close()
        for end in (self.read_end, self.write_end):
            if end >= 0:
                os.close(end)


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    made.close()


@pytest.mark.parametrize(
    ("typed", "answer"),
    [("y", True), ("yes", True), ("Y", True), (" n ", False), ("NO", False), ("y\r", True)],
)
def test_y_and_n(line: Line, typed: str, answer: bool) -> None:
    line.type(f"{typed}\n")
    assert line.console.ask("Well?") is answer
    assert "Well? [y/n] " in line.out.getvalue()


def test_anything_else_is_asked_again(line: Line) -> None:
    line.type("perhaps\n\ny n\n\xff\xfe\ny\n")
    assert line.console.ask("Well?") is True
    assert line.out.getvalue().count("Please answer y or n") == 4


def test_answers_wait_their_turn(line: Line) -> None:
    line.type("y\nn\ny\n")
    assert [line.console.ask("?") for _ in range(3)] == [True, False, True]


def test_a_last_line_without_its_end_counts(line: Line) -> None:
    line.type("y")
    line.hang_up()
    assert line.console.ask("?") is True
    with pytest.raises(Ended, match="no more input"):
        line.console.ask("?")


def test_an_endless_line_is_no_answer(line: Line) -> None:
    line.type("x" * (LONGEST_LINE + 1))
    line.hang_up()
    with pytest.raises(Ended):
        line.console.ask("?")


def test_the_end_of_input(line: Line) -> None:
    line.hang_up()
    with pytest.raises(Ended, match="no more input"):
        line.console.ask("?")


def test_a_terminal_that_is_gone(line: Line) -> None:
    os.close(line.read_end)
    line.read_end = os.open(os.devnull, os.O_WRONLY)  # readable to select, and EBADF to read
    console = Console(line.read_end, line.out, False)
    try:
        with pytest.raises(Ended):
            console.ask("?")
    finally:
        console.close()


def test_answers_from_a_pipe_are_written_as_well() -> None:
    line = Line(echo=True)
    line.type("n\n")
    line.console.ask("?")
    assert line.out.getvalue() == "  ? [y/n] n\n"
    line.close()


def test_a_wish_to_stop_ends_questions_and_waits(line: Line) -> None:
    assert not line.console.ending
    line.console.stop("the connection was lost")
    line.console.stop("again")
    assert line.console.ending
    line.type("y\n")
    with pytest.raises(Ended, match="connection was lost"):
        line.console.ask("?")
    with pytest.raises(Ended, match="connection was lost"):
        line.console.wait(3600)


def test_time_is_passed_on_where_it_is_simulated(line: Line) -> None:
    passed: list[float] = []
    console = Console(line.read_end, line.out, False, passed.append)
    console.wait(7.0)
    line.type("y\n")
    assert console.ask("?", within_s=0.0) is True
    console.close()
    assert passed == [7.0]


def test_who_cannot_be_told_is_not_asked(line: Line) -> None:
    line.out.close()
    line.type("y\n")
    with pytest.raises(Ended, match="nobody reads"):
        line.console.ask("?")


def test_no_answer_in_time(line: Line) -> None:
    assert line.console.ask("?", within_s=0.0) is None


def test_a_wait_of_nothing_looks_for_the_wish_to_stop(line: Line) -> None:
    line.console.wait(0.0)
    line.console.stop()
    with pytest.raises(Ended, match="you stopped it"):
        line.console.wait(0.0)


@pytest.mark.process
@pytest.mark.parametrize("waits", [True, False], ids=["while it waits", "while it asks"])
def test_a_signal_ends_it_at_once(line: Line, waits: bool) -> None:
    before = signal.signal(signal.SIGALRM, lambda *_: line.console.stop("told to"))
    began = time.monotonic()
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.2)
        with pytest.raises(Ended, match="told to"):
            line.console.wait(60.0) if waits else line.console.ask("?")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert time.monotonic() - began < 15.0


@pytest.mark.process
def test_time_runs_out_on_the_wall_clock(line: Line) -> None:
    assert line.console.ask("?", within_s=0.2) is None
    line.console.wait(0.05)
