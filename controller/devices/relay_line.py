"""The relay's line, whichever library reaches it: off when made, off when closed, errors in words.

In:    the relay's settings, a driver that opens one line, then on or off.
Out:   a level on that line, and what the line really is.
Never: knows a library; lets go of a line that it could drive off.

A closed relay's line stays claimed and driven off until the process ends: a line that is let go of
floats on some kernels. Only where off could not be driven is it let go of, so that a resistor can act.

What software cannot promise: the time before the start, a frozen or killed program, and what the
kernel does with the line once the process is gone. What counts there is wiring: a relay board that
switches on at a high line, with a pull-down resistor on the line.
"""

from __future__ import annotations

import atexit
from collections.abc import Callable
from contextlib import suppress
from threading import RLock
from typing import Protocol

from controller.devices.relay_words import caution, in_words, line_words
from controller.devices.settings import RelaySettings
from controller.errors import RelayError


class Line(Protocol):
    """One claimed output line, in electrical levels, 0 or 1. Every method may raise anything."""

    def rest_at(self, level: int) -> None:
        """Drives this level, and leaves the line at it whenever the library itself closes it."""
        ...

    def drive(self, level: int) -> None: ...

    def level(self) -> int:
        """The level read from the kernel."""
        ...

    def release(self) -> None: ...


class Opener(Protocol):
    """Claims the line as an output that starts at its off level. May raise anything."""

    def __call__(self, settings: RelaySettings, before_claim: Callable[[], None]) -> Line:
        """``before_claim`` is called once the library is loaded, and nothing slow comes after it."""
        ...


_kept: dict[tuple[str, int, int], Line] = {}
"""Lines of closed relays, driven off, by kind, chip and pin."""


class LineRelay:
    """Implements ``ports.Relay``. Off at an ordinary end of the program that forgot to close, too."""

    def __init__(
        self, settings: RelaySettings, open_line: Opener, before_claim: Callable[[], None] = lambda: None
    ) -> None:
        self._settings = settings
        self._key = (settings.kind, settings.chip, settings.pin)
        self._alone = RLock()  # the dead man's switch comes from a thread of its own
        self._line: Line | None = _taken_again(self._key, settings.off_level)
        if self._line is None:
            try:
                self._line = open_line(settings, before_claim)
            except Exception as error:  # the libraries' errors are many unrelated kinds
                raise RelayError(in_words(error, settings)) from error
        # Registered after the library's own hook, so it runs before that.
        atexit.register(self._at_exit)

    @property
    def caution(self) -> str:
        """What to warn the keeper of at the start; "" when nothing."""
        return caution(self._settings)

    def switch(self, on: bool) -> None:
        off = self._settings.off_level
        with self._alone:
            if self._line is None:
                raise RelayError(f"{line_words(self._settings)}: it is closed already")
            try:
                self._line.drive(1 - off if on else off)
            except Exception as error:
                raise RelayError(in_words(error, self._settings)) from error

    def seen_on(self) -> bool | None:
        """The level of the line itself. Whether the contact follows cannot be seen from here."""
        with self._alone:
            try:
                return None if self._line is None else self._line.level() != self._settings.off_level
            except Exception:
                return None

    def close(self) -> None:
        """Off, and stays so until the process ends. Raises RelayError if off could not be driven."""
        with self._alone:
            line, self._line = self._line, None
            if line is None:
                return
            atexit.unregister(self._at_exit)
            try:
                line.rest_at(self._settings.off_level)
            except Exception as error:
                _let_go(line)
                raise RelayError(in_words(error, self._settings)) from error
            _kept[self._key] = line

    def _at_exit(self) -> None:
        with suppress(RelayError):
            self.close()


def _taken_again(key: tuple[str, int, int], off_level: int) -> Line | None:
    """A line that this process still holds from before, at its off level; None where it must be opened."""
    line = _kept.pop(key, None)
    if line is not None:
        try:
            line.rest_at(off_level)
        except Exception:
            _let_go(line)
            return None
    return line


def _let_go(line: Line) -> None:
    """Of what may be half broken already; whoever calls has an error of its own to tell."""
    with suppress(Exception):
        line.release()
