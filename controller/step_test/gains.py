"""GAINS: those of the PID from a fitted room, with what the fit does not know carried along.

In:    a fit, the window of the pulses.
Out:   gain and integral time within the bounds that learned ones have, and how sure the gain is.
Never: decides that a fit is good enough (``judge.py`` does), or changes any settings.

By ``core.tuning.simc``, with the tightest closed loop that is prudent. Only the ratio of time constant and
gain, and the dead time, go into the gain of the PID: a test that is too short to tell the first two apart
still tells their ratio. As in ``core.tuning`` half the window of the pulses counts as dead time, since a
duty shows only in the mean of its pulses.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

from controller.core import tuning
from controller.step_test.fit import Fit


class Found(NamedTuple):
    """``sure_share``: standard deviation of the PID's gain, as a share of it, before any bound."""

    gain_duty_per_rh_pct: float
    integral_s: float
    sure_share: float
    bounded: bool  # the rule asked for figures outside the bounds


def gains(fit: Fit, per_pct: float, window_s: float) -> Found:
    """``fit.gain`` above 0; ``per_pct``: %RH for each of moisture."""
    figures = (fit.gain, fit.tau_s, fit.theta_s)
    asked = tuning.simc(fit.gain * per_pct, fit.tau_s, fit.theta_s + 0.5 * window_s)
    gain = min(max(asked.gain_duty_per_rh_pct, tuning.LEAST_GAIN), tuning.MOST_GAIN)
    integral_s = min(max(asked.integral_s, tuning.LEAST_INTEGRAL_S), tuning.MOST_INTEGRAL_S)
    # d ln Kc by each figure, for Kc = tau / (2 k (theta + window / 2)).
    slopes = (-1.0 / figures[0], 1.0 / figures[1], -1.0 / (figures[2] + 0.5 * window_s))
    return Found(gain, integral_s, _share(fit, slopes), (gain, integral_s) != asked)


def rise_share(fit: Fit) -> float:
    """Standard deviation of the rise an hour at first, gain / tau, as a share of it."""
    return _share(fit, (-1.0 / fit.gain, 1.0 / fit.tau_s, 0.0))


def _share(fit: Fit, slopes: tuple[float, float, float]) -> float:
    pairs = [(i, j) for i in range(3) for j in range(3) if slopes[i] and slopes[j]]
    square = sum(slopes[i] * slopes[j] * fit.cov[i][j] for i, j in pairs)
    return fit.stretched * sqrt(square) if 0.0 <= square < inf else inf
