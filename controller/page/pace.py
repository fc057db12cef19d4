"""PACE: how often one address, and all together, may try something.

In:    who asks, the monotonic clock.
Out:   yes, or how many seconds to wait.
Never: grows: the addresses that were heard longest ago are forgotten, and what all do together still counts.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from time import monotonic

MOST_ADDRESSES = 512
ALL = "*"


class Pace:
    """A bucket for each address and one for all: ``burst`` at once, then one every ``each_s`` seconds."""

    def __init__(
        self, burst: int, each_s: float, together: int = 6, now_s: Callable[[], float] = monotonic
    ) -> None:
        """All together may do ``together`` times as much as one."""
        self._burst, self._each_s, self._together = burst, each_s, together
        self._now_s = now_s
        self._free_s: OrderedDict[str, float] = OrderedDict()  # when the whole burst is there again
        self._lock = Lock()

    def wait_s(self, address: str) -> float:
        """0.0 where it may go on, which then counts; else how long to wait, which counts nothing."""
        with self._lock:
            now_s = self._now_s()
            one = self._after(address, now_s, 1)
            all_ = self._after(ALL, now_s, self._together)
            wait = max(one[1], all_[1])
            if wait <= 0.0:
                for name, (free_s, _) in ((ALL, all_), (address, one)):
                    self._free_s[name] = free_s
                    self._free_s.move_to_end(name)
                while len(self._free_s) > MOST_ADDRESSES:
                    oldest = next(name for name in self._free_s if name != ALL)
                    del self._free_s[oldest]
            return max(wait, 0.0)

    def _after(self, name: str, now_s: float, times: int) -> tuple[float, float]:
        each_s = self._each_s / times
        free_s = max(self._free_s.get(name, now_s), now_s) + each_s
        return free_s, free_s - now_s - self._burst * times * each_s
