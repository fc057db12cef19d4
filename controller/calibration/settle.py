"""SETTLE: has the air in the jar, and the probe in it, come to rest?

In:    readings with their times, as they come.
Out:   progress in figures: the slope of the last ten minutes, and whether that will do.
Never: calls a probe settled that has not been in for the planned time, or whose temperature still moves.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

WINDOW_S = 600.0
LEAST_S = 3600.0
"""An hour at each point; small elements need half of it (sensor makers' sweeps: 20 to 40 min a step)."""
FLAT_RH_PCT = 0.1
"""In one window: slower than this is at rest. Common practice, no source."""
MOST_TEMP_DRIFT_K = 0.5
"""In the last half hour: a salt's fixed point moves with temperature, and the jar lags. The same."""
DRIFT_WINDOW_S = 1800.0
LONGEST_GAP_S = 60.0
"""Between two readings; after a longer one the window begins anew."""
LEAST_READINGS = 10


class Progress(NamedTuple):
    """Means and movement over the last window."""

    in_for_s: float
    rh_pct: float
    temp_c: float
    slope_rh_pct: (
        float | None
    )  # in WINDOW_S, by a straight line; None: too few readings, or not in for so long
    drift_temp_k: float
    settled: bool


class Settling:
    """Takes the readings of a probe in a jar."""

    def __init__(self, least_s: float = LEAST_S) -> None:
        self._least_s = least_s
        self._kept: deque[tuple[float, float, float]] = deque()
        self._temps: deque[tuple[float, float]] = deque()
        self._began_s: float | None = None

    def add(self, at_s: float, rh_pct: float, temp_c: float) -> Progress:
        """``at_s``: seconds on a clock that does not jump."""
        if self._began_s is None:
            self._began_s = at_s
        if self._kept and at_s - self._kept[-1][0] > LONGEST_GAP_S:
            self._kept.clear()  # nobody saw what it did meanwhile
        self._kept.append((at_s, rh_pct, temp_c))
        self._temps.append((at_s, temp_c))
        while self._kept[0][0] < at_s - WINDOW_S:
            self._kept.popleft()
        while self._temps[0][0] < at_s - DRIFT_WINDOW_S:
            self._temps.popleft()
        temps = [temp for _, _, temp in self._kept]
        ever = [temp for _, temp in self._temps]
        in_for_s, drift_k = at_s - self._began_s, max(ever) - min(ever)
        seen_s = at_s - self._kept[0][0]
        slope = self._slope() if seen_s >= WINDOW_S - LONGEST_GAP_S and in_for_s >= WINDOW_S else None
        flat = slope is not None and abs(slope) < FLAT_RH_PCT and drift_k <= MOST_TEMP_DRIFT_K
        rh_mean = sum(rh for _, rh, _ in self._kept) / len(self._kept)
        settled = flat and in_for_s >= self._least_s
        return Progress(in_for_s, rh_mean, sum(temps) / len(temps), slope, drift_k, settled)

    def _slope(self) -> float | None:
        """Of the straight line of least squares, over one window."""
        count = len(self._kept)
        if count < LEAST_READINGS:
            return None
        at_mean = sum(at_s for at_s, _, _ in self._kept) / count
        spread = sum((at_s - at_mean) ** 2 for at_s, _, _ in self._kept)
        return WINDOW_S * sum((at_s - at_mean) * rh for at_s, rh, _ in self._kept) / spread
