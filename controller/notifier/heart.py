"""HEART: asks one address again and again, as long as the loop completes its cycles.

In:    when the loop last completed one.
Out:   requests; whoever expects them misses them when program, board, power or network are gone.
Never: beats for a loop that stands still.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.notifier.lane import FIRST_RETRY_S, TROUBLE_AFTER_S
from controller.notifier.ways import Waiter, why

SHORTEST_S = 60.0
TICKS = 3
"""A cycle is late after 60 s, or three ticks where that is longer: as for the dead man's switch."""


class Heart:
    def __init__(
        self,
        name: str,
        timeout_s: float,
        ask: Callable[[], None],
        waiter: Waiter,
        every_s: float,
        tick_s: float,
    ) -> None:
        self.name = name
        self._timeout_s = timeout_s
        self._ask = ask
        self._waiter = waiter
        self._every_s = every_s
        self._patience_s = max(SHORTEST_S, TICKS * tick_s)
        self._next_s = float("-inf")
        self._retry_s = 0.0
        self._failing_since_s: float | None = None
        self._why = ""

    def work(self, now_s: float, cycle_s: float) -> bool:
        """Beats if it is due; True when it did. ``cycle_s``: when the loop last completed a cycle."""
        if now_s < self._next_s or now_s - cycle_s > self._patience_s:
            return False
        try:
            self._waiter(self._timeout_s, self._ask)
        except Exception as error:  # whatever it is: messages go on
            self._why = why(error)
            if self._failing_since_s is None:
                self._failing_since_s = now_s
            self._retry_s = max(FIRST_RETRY_S, 2.0 * self._retry_s)
            self._next_s = now_s + min(self._retry_s, self._every_s)
            return False
        self._failing_since_s, self._retry_s = None, 0.0
        self._next_s = now_s + self._every_s
        return True

    def trouble(self, now_s: float) -> str:
        """What has been wrong with it for a while, in words; "" when nothing is."""
        since_s = self._failing_since_s
        return "" if since_s is None or now_s - since_s < TROUBLE_AFTER_S else f"{self.name}: {self._why}"
