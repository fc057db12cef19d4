"""FIT: from what a probe showed over known humidities to the correction that it needs.

In:    one or two points, each shown and true.
Out:   gain and offset, so that shown * gain + offset is the truth; or why these points are nonsense.
Never: takes a fault for a drift: a correction that no probe in order needs is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from controller.core.calibration import HIGHEST_GAIN, LOWEST_GAIN, MOST_OFFSET_PCT

LEAST_APART_RH_PCT = 20.0
"""Two points closer than this would make a slope out of their own errors. Common practice, no source."""
MOST_TEMP_DRIFT_K = 0.5
"""While a point settles; a salt's fixed point moves with temperature, and the jar lags. The same."""
MOST_ONE_POINT_PCT = 10.0
"""A probe that is further off than this over one salt is broken, wet, or over another salt. The same."""


class Point(NamedTuple):
    shown_rh_pct: float
    true_rh_pct: float


class Fit(NamedTuple):
    rh_gain: float
    rh_offset_pct: float

    def corrected(self, shown_rh_pct: float) -> float:
        return shown_rh_pct * self.rh_gain + self.rh_offset_pct


class Nonsense(ValueError):
    """Points that no probe in order gives; the text says why and what to look at."""


def fit(points: Sequence[Point]) -> Fit:
    """One point: an offset. Two or more: the straight line of least squares. Raises Nonsense."""
    if not points:
        raise Nonsense("there is no point to compare by")
    if any(not (0.0 < figure <= 100.0) for point in points for figure in point):
        raise Nonsense("a humidity lies between 0 and 100 %RH")
    if len(points) == 1:
        return _checked(Fit(1.0, points[0].true_rh_pct - points[0].shown_rh_pct))
    apart = max(point.true_rh_pct for point in points) - min(point.true_rh_pct for point in points)
    if apart < LEAST_APART_RH_PCT:
        raise Nonsense(
            f"the points are only {apart:.1f} %RH apart; for a slope they must be {LEAST_APART_RH_PCT:g} "
            "or more. Compare at one of them alone"
        )
    shown_mean = sum(point.shown_rh_pct for point in points) / len(points)
    true_mean = sum(point.true_rh_pct for point in points) / len(points)
    spread = sum((point.shown_rh_pct - shown_mean) ** 2 for point in points)
    together = sum((p.shown_rh_pct - shown_mean) * (p.true_rh_pct - true_mean) for p in points)
    if spread <= 0.0:
        raise Nonsense("the probe shows the same at both points: it is frozen, or did not reach the air")
    gain = together / spread
    return _checked(Fit(gain, true_mean - gain * shown_mean))


def _checked(found: Fit) -> Fit:
    gain, offset_pct = found
    if not LOWEST_GAIN <= gain <= HIGHEST_GAIN:
        raise Nonsense(
            f"the slope comes out as {gain:.3g}; {LOWEST_GAIN:g} to {HIGHEST_GAIN:g} is what a probe in "
            "order can need. Is it the right salt, a wet paste, a tight jar? Then the probe is spoilt"
        )
    most = MOST_ONE_POINT_PCT if gain == 1.0 else MOST_OFFSET_PCT
    if abs(offset_pct) > most:
        raise Nonsense(
            f"the probe needs {offset_pct:+.1f} %RH; more than {most:g} is no drift. Is it the right salt, "
            "a wet paste, a tight jar? Then the probe is spoilt"
        )
    return found
