"""TALK: plain lines to the keeper, y or n back. Over ssh, from a pipe, or from a test.

In:    lines of a terminal or a pipe, a wish to stop.
Out:   True, False, or None where nobody answered in time; ``Ended`` at the end of input or a wish to stop.
Never: takes anything but y or n for an answer, or goes on once it has been asked to stop.

It listens on a pipe of its own beside the input: a signal handler that writes one byte to it ends a wait
and a question at once, and orderly, which an exception out of a handler would not.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol, TextIO

YES, NO = ("y", "yes"), ("n", "no")
LONGEST_LINE = 4096


class Ended(Exception):
    """Stopped by the keeper, by a signal, or because the input has ended. The text says which."""


class Talk(Protocol):
    """The keeper, as the walk sees them."""

    def say(self, words: str) -> None: ...

    def ask(self, question: str, within_s: float | None = None) -> bool | None:
        """True: yes. None: no answer ``within_s``. Raises Ended."""
        ...

    def wait(self, seconds: float) -> None:
        """Lets time pass. Raises Ended."""
        ...

    @property
    def ending(self) -> bool:
        """Whether there is a wish to stop; the next ``ask`` or ``wait`` raises Ended."""
        ...


class Console:
    """Implements ``Talk`` on a descriptor to read lines from and a text stream to write to.

    ``pass_time`` waits in another way than by the wall clock: a rehearsal moves its room on.
    """

    def __init__(
        self, answers: int, out: TextIO, echo: bool, pass_time: Callable[[float], None] | None = None
    ) -> None:
        """``echo``: write the answers as well, because nobody sees them being typed."""
        self._answers = answers
        self._out = out
        self._echo = echo
        self._pass_time = pass_time
        self._ahead = b""
        self._over = False
        self._stopped = ""
        self._heard, self._wake = os.pipe()
        os.set_blocking(self._wake, False)

    @property
    def ending(self) -> bool:
        return self._stopped != ""

    def stop(self, why: str = "you stopped it") -> None:
        """May be called from a signal handler."""
        self._stopped = self._stopped or why
        with suppress(OSError):
            os.write(self._wake, b"!")

    def close(self) -> None:
        for end in (self._heard, self._wake):
            with suppress(OSError):
                os.close(end)

    def say(self, words: str) -> None:
        self._write(f"{words}\n")

    def ask(self, question: str, within_s: float | None = None) -> bool | None:
        until = None if within_s is None or self._pass_time else time.monotonic() + within_s
        while True:
            self._write(f"  {question} [y/n] ")
            answer = self._line(until)
            if self._echo or answer is None:
                self._write(f"{answer or ''}\n")
            if answer is None:
                return None
            if answer.lower() in (*YES, *NO):
                return answer.lower() in YES
            self.say("  Please answer y or n.")

    def wait(self, seconds: float) -> None:
        self._go_on()
        if self._pass_time is not None:
            self._pass_time(seconds)
        else:
            select.select([self._heard], [], [], max(seconds, 0.0))
        self._go_on()

    def _write(self, text: str) -> None:
        """Whoever does not see the question must not be taken to have answered it: then it ends."""
        try:
            self._out.write(text)
            self._out.flush()
        except (OSError, ValueError):
            self.stop("nobody reads what is said")

    def _go_on(self) -> None:
        if self._stopped:
            raise Ended(self._stopped)

    def _line(self, until: float | None) -> str | None:
        """The next line without its end; None when the time is over."""
        while True:
            self._go_on()
            line, found, rest = self._ahead.partition(b"\n")
            if found or (self._over and line) or len(line) > LONGEST_LINE:
                self._ahead = rest
                return line.decode(errors="replace").strip()
            if self._over:
                self._write("\n")
                raise Ended("there was no more input")
            left_s = None if until is None else until - time.monotonic()
            if left_s is not None and left_s <= 0.0:
                return None
            ready = select.select([self._answers, self._heard], [], [], left_s)[0]
            if self._answers in ready and not self._stopped:
                self._read()

    def _read(self) -> None:
        try:
            block = os.read(self._answers, LONGEST_LINE)
        except OSError:  # the terminal is gone
            block = b""
        self._over = not block
        self._ahead += block
