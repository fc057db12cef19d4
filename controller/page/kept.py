"""KEPT: what was worked out a moment ago serves everybody who asks for the same.

In:    a key, how to work it out, for how long it is good.
Out:   the value, worked out once for all who ask meanwhile.
Never: lets more than a few wait for the slow ones: whoever comes then is told to come again.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import BoundedSemaphore, Lock
from time import monotonic
from typing import Generic, TypeVar

from controller.errors import HygroholdError

T = TypeVar("T")
MOST = 48
"""So many values are kept; the one that was made longest ago goes first."""


class BusyError(HygroholdError):
    """Too many wait for something slow already."""


class Kept(Generic[T]):
    """``waiting``: so many may work or wait at once; 0: no limit, for what is quick."""

    def __init__(self, good_for_s: float, waiting: int = 0, now_s: Callable[[], float] = monotonic) -> None:
        self._good_for_s = good_for_s
        self._now_s = now_s
        self._found: OrderedDict[Hashable, tuple[float, T]] = OrderedDict()
        self._lock = Lock()
        self._seats = BoundedSemaphore(waiting) if waiting else None

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Raises what ``make`` raises, and BusyError."""
        found = self._fresh(key)
        if found is not None:
            return found[1]
        if self._seats is None:
            return self._made(key, make)
        if not self._seats.acquire(blocking=False):
            raise BusyError("too many ask for long reports just now: look again in a moment")
        try:
            return self._made(key, make)
        finally:
            self._seats.release()

    def _fresh(self, key: Hashable) -> tuple[float, T] | None:
        found = self._found.get(key)
        if found is None or self._now_s() - found[0] >= self._good_for_s:
            return None
        return found

    def _made(self, key: Hashable, make: Callable[[], T]) -> T:
        with self._lock:
            found = self._fresh(key)  # somebody made it while this one waited
            if found is None:
                found = (self._now_s(), make())
                self._found[key] = found
                self._found.move_to_end(key)
                while len(self._found) > MOST:
                    self._found.popitem(last=False)
            return found[1]
