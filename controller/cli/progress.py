"""How far a rehearsal is, on a terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.core.records import Decision, Inputs
    from controller.settings import Settings

QUIET_S = 2.0


class Progress:
    """Implements ``loop.Teller``: says how far it is, once it has taken two seconds, on a terminal.

    Of several runs one after another each has its own, with the ``name`` of the run and the time at
    which the first of them ``began``.
    """

    def __init__(self, settings: Settings, name: str = "", began: float | None = None) -> None:
        self._end_s = settings.bench.days * 86400.0
        self._every_s = max(self._end_s / 200.0, settings.loop.tick_s)
        self._next_s = self._every_s
        self._name = f"{name}: " if name else ""
        self._began = time.perf_counter() if began is None else began
        self._seen_s = self._before_s = 0.0
        self._shown = False

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        passed_s = self._passed_s(decision.at.mono_s)
        if passed_s < self._next_s:
            return
        self._next_s += self._every_s
        if time.perf_counter() - self._began < QUIET_S or not sys.stderr.isatty():
            return
        done, days = passed_s / self._end_s, passed_s / 86400.0
        over = done > 1.0 - self._every_s / self._end_s
        words = "\r" + " " * 40 + "\r" if over else f"\r  {self._name}day {days:.0f}, {100 * done:.0f} % "
        self._shown = not over
        sys.stderr.write(words)
        sys.stderr.flush()

    def wipe(self) -> None:
        """Takes away what is still shown: hours without power are not told, so the end may not be seen."""
        if self._shown:
            self._shown = False
            sys.stderr.write("\r" + " " * 40 + "\r")
            sys.stderr.flush()

    def _passed_s(self, mono_s: float) -> float:
        """A board that was without power counts from 0 again."""
        if mono_s < self._seen_s:
            self._before_s += self._seen_s
        self._seen_s = mono_s
        return self._before_s + mono_s
