"""FIT: a first-order lag with dead time, laid through minutes of moisture and of mist by least squares.

In:    the mean moisture of each minute and the share of it with mist.
Out:   gain, time constant and dead time with their covariance, and the line itself.
Never: reads a record, judges whether the figures are worth anything (``judge.py`` does), or needs numpy.

    v(t) = ground + drift t + ahead exp(-t / tau) + gain x(t)
    tau dx/dt = u(t - theta) - x,  x(0) = 0

``ahead`` is what the room was away from its ground when the stretch began, whatever brought it there: so
mist before the stretch does no harm, and mist of any pattern in it may be used. ``drift`` stands for weather,
and for walls and goods that fill up too slowly to be seen otherwise: left out, they bend gain and time
constant. Before the first minute u is taken to be as in it. u is steady within a minute, so x and its mean
over each minute are exact. For given theta and tau the other four are linear and come in closed form (Golub
and Pereyra 1973, "separable"); tau is then found by golden section for each theta of a grid, and theta by
golden section at the end. The covariance is that of nonlinear least squares, s^2 (J'J)^-1; what is left over
is seldom white, so ``stretched`` says by how much standard deviations must be stretched for its correlation
from minute to minute.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from math import exp, inf, log, sqrt
from typing import NamedTuple

MINUTE_S = 60.0
LEAST_TAU_S, MOST_TAU_S = 120.0, 24.0 * 3600.0
MOST_THETA_S = 20.0 * 60.0
GOLDEN = 0.5 * (sqrt(5.0) - 1.0)
GRID_S, NARROW_S = 120, 1.0
STEP = log(MOST_TAU_S / LEAST_TAU_S) / 10.0
LOG_TAUS = tuple(log(LEAST_TAU_S) + STEP * turn for turn in range(11))
MOST_TURNS = 4
MOST_CORRELATED = 0.9

Matrix = tuple[tuple[float, ...], ...]


class Fit(NamedTuple):
    """Moisture units as given, seconds. ``cov``: of gain, tau_s, theta_s and drift, not stretched."""

    gain: float  # that a duty of 1 would raise in the end
    tau_s: float
    theta_s: float
    ground: float
    ahead: float
    drift: float  # an hour, by itself
    cov: Matrix
    rms: float  # of what is left over
    correlated: float  # from one minute to the next, 0 to 0.9
    line: tuple[float, ...]  # one for each minute
    without: tuple[float, ...]  # the same without the mist of the stretch
    rises: float  # the most that mist lifts the one above the other, from any minute to a later one

    @property
    def stretched(self) -> float:
        """A first-order autoregressive rest of this correlation makes a mean so much less sure."""
        return sqrt((1.0 + self.correlated) / (1.0 - self.correlated))


def response(on: Sequence[float], tau_s: float, theta_s: float) -> list[float]:
    """Mean of x over each minute."""
    whole, late = divmod(theta_s / MINUTE_S, 1.0)
    back = int(whole)
    parts = [(late * MINUTE_S, back + 1), ((1.0 - late) * MINUTE_S, back)]
    steps = [(for_s, exp(-for_s / tau_s), ago) for for_s, ago in parts if for_s > 0.0]
    x, means = 0.0, []
    padded = [on[0]] * (back + 1) + list(on)  # before the first minute as in it
    for now in range(len(on)):
        area = 0.0
        for for_s, fades, ago in steps:
            u = padded[now + back + 1 - ago]
            area += u * for_s + (x - u) * tau_s * (1.0 - fades)
            x = u + (x - u) * fades
        means.append(area / MINUTE_S)
    return means


@lru_cache(maxsize=64)
def _fading(tau_s: float, count: int) -> tuple[float, ...]:
    """Mean of exp(-t / tau) over each minute."""
    share = exp(-MINUTE_S / tau_s)
    first = tau_s / MINUTE_S * (1.0 - share)
    return tuple(first * share**minute for minute in range(count))


def least_squares(columns: Sequence[Sequence[float]], wanted: Sequence[float]) -> list[float] | None:
    """Plain ones, by the normal equations; None where the columns do not tell themselves apart."""
    return _solved([[_dot(a, b) for b in columns] for a in columns], [_dot(a, wanted) for a in columns])


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(map(float.__mul__, a, b))


def _solved(square: list[list[float]], right: list[float]) -> list[float] | None:
    """Gauss with pivots, on a matrix scaled to a diagonal of ones."""
    size = len(right)
    scale = [sqrt(square[i][i]) for i in range(size)]
    if min(scale) <= 0.0:
        return None
    rows = [
        [square[i][j] / (scale[i] * scale[j]) for j in range(size)] + [right[i] / scale[i]]
        for i in range(size)
    ]
    for i in range(size):
        best = max(range(i, size), key=lambda row, i=i: abs(rows[row][i]))  # type: ignore[misc]
        rows[i], rows[best] = rows[best], rows[i]
        if abs(rows[i][i]) < 1e-12:
            return None
        for j in range(i + 1, size):
            factor = rows[j][i] / rows[i][i]
            for k in range(i, size + 1):
                rows[j][k] -= factor * rows[i][k]
    found = [0.0] * size
    for i in reversed(range(size)):
        found[i] = (rows[i][size] - sum(rows[i][j] * found[j] for j in range(i + 1, size))) / rows[i][i]
    return [found[i] / scale[i] for i in range(size)]


class Problem:
    """The minutes whose moisture is known, and the mist of all."""

    def __init__(self, moisture: Sequence[float | None], on: Sequence[float]) -> None:
        self.on = on
        self.known = [minute for minute, v in enumerate(moisture) if v is not None]
        self.v = [v for v in moisture if v is not None]
        self._ones = [1.0] * len(self.known)
        self._hours = [_hours(i) for i in self.known]

    def columns(self, tau_s: float, theta_s: float) -> list[list[float]]:
        """Of gain, ground, ahead and drift (an hour)."""
        x, fading = response(self.on, tau_s, theta_s), _fading(tau_s, len(self.on))
        return [[x[i] for i in self.known], self._ones, [fading[i] for i in self.known], self._hours]

    def at(self, tau_s: float, theta_s: float) -> tuple[float, list[float] | None]:
        """The least sum of squares, and the linear figures that give it."""
        columns = self.columns(tau_s, theta_s)
        linear = least_squares(columns, self.v)
        if linear is None:
            return inf, None
        left = self.left(columns, linear)
        return _dot(left, left), linear

    def left(self, columns: Sequence[Sequence[float]], linear: Sequence[float]) -> list[float]:
        """What the line leaves over."""
        gain, ground, ahead, drift = linear
        rows = zip(self.v, columns[0], columns[2], columns[3], strict=True)
        return [v - gain * x - ground - ahead * fading - drift * hour for v, x, fading, hour in rows]

    def best_tau(self, theta_s: float, near: float) -> tuple[float, float]:
        """The least sum of squares at this dead time, and its log tau, within a step of ``near``."""
        low, high = max(near - STEP, LOG_TAUS[0]), min(near + STEP, LOG_TAUS[-1])
        return lowest(lambda log_tau: self.at(exp(log_tau), theta_s)[0], low, high)


def _hours(minute: int) -> float:
    """To the middle of a minute."""
    return (minute + 0.5) * MINUTE_S / 3600.0


def lowest(
    of: Callable[[float], float], low: float, high: float, narrow: float = 1e-3
) -> tuple[float, float]:
    """Golden section, down to ``narrow``: the least value, and where it is."""
    a, b = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_a, at_b = of(a), of(b)
    while high - low > narrow:
        if at_a <= at_b:
            high, b, at_b = b, a, at_a
            a = high - GOLDEN * (high - low)
            at_a = of(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + GOLDEN * (high - low)
            at_b = of(b)
    return min((at_a, a), (at_b, b))


def fit(moisture: Sequence[float | None], on: Sequence[float]) -> Fit | None:
    """None where there is no telling at all: no change of mist, or fewer than eight known minutes.

    ``moisture``: mean of each minute, None where not known; ``on``: share of each minute, 0 to 1.
    """
    problem = Problem(moisture, on)
    if len(problem.v) < 8:
        return None

    most_s = MOST_THETA_S
    grid = [(theta, log_tau) for theta in range(0, int(most_s) + 1, GRID_S) for log_tau in LOG_TAUS]
    nearest, near = min(grid, key=lambda place: problem.at(exp(place[1]), place[0])[0])
    theta_s = float(nearest)
    for _ in range(MOST_TURNS):
        low_s, high_s = max(theta_s - GRID_S, 0.0), min(theta_s + GRID_S, most_s)
        theta_s = lowest(partial(_miss, problem, near), low_s, high_s, NARROW_S)[1]
        before, near = near, problem.best_tau(theta_s, near)[1]
        if abs(near - before) < 0.9 * STEP:
            break  # else the least was at the edge of where it was looked for
    tau_s = exp(near)
    square, linear = problem.at(tau_s, theta_s)
    if linear is None:
        return None
    return _described(problem, linear, tau_s, theta_s, square)


def _miss(problem: Problem, near: float, theta_s: float) -> float:
    return problem.best_tau(theta_s, near)[0]


def _described(problem: Problem, linear: list[float], tau_s: float, theta_s: float, square: float) -> Fit:
    gain, ground, ahead, drift = linear
    columns = problem.columns(tau_s, theta_s)
    x, fading = response(problem.on, tau_s, theta_s), _fading(tau_s, len(problem.on))
    without = [ground + ahead * faded + drift * _hours(i) for i, faded in enumerate(fading)]
    line = [gain * share + bare for share, bare in zip(x, without, strict=True)]
    left = problem.left(columns, linear)
    slopes = [*columns, *(_slope(problem, linear, tau_s, theta_s, which) for which in (0, 1))]
    freedom = max(len(left) - len(slopes), 1)
    cov = _covariance(slopes, square / freedom)
    return Fit(
        gain, tau_s, theta_s, ground, ahead, drift, cov, sqrt(square / len(left)), _correlation(left),
        tuple(line), tuple(without), abs(gain) * _lift(x),
    )  # fmt: skip


def _lift(x: Sequence[float]) -> float:
    """The most that x climbs from any minute to a later one."""
    low, most = x[0], 0.0
    for share in x:
        low = min(low, share)
        most = max(most, share - low)
    return most


def _slope(
    problem: Problem, linear: Sequence[float], tau_s: float, theta_s: float, which: int
) -> list[float]:
    """How the line moves with tau (0) or theta (1), per second: by differences."""
    by_s = 1e-3 * tau_s if which == 0 else 0.5
    lines = []
    for sign in (1.0, -1.0):
        tau = tau_s + sign * by_s * (which == 0)
        columns = problem.columns(tau, max(theta_s + sign * by_s * (which == 1), 0.0))
        lines.append(problem.left(columns, linear))
    wide_s = 2.0 * by_s if which == 0 else by_s + min(by_s, theta_s)
    return [(down - up) / wide_s for up, down in zip(*lines, strict=True)]


def _covariance(slopes: Sequence[Sequence[float]], noise: float) -> Matrix:
    """Of gain, tau, theta and drift; infinite where the minutes do not tell them apart."""
    square = [[_dot(a, b) for b in slopes] for a in slopes]
    wanted = (0, 4, 5, 3)
    rows = []
    for i in wanted:
        column = _solved(square, [float(i == j) for j in range(len(slopes))])
        if column is None:
            return tuple(tuple(inf if i == j else 0.0 for j in wanted) for i in wanted)
        rows.append(tuple(noise * column[j] for j in wanted))
    return tuple(rows)


def _correlation(left: Sequence[float]) -> float:
    whole = _dot(left, left)
    if whole <= 0.0:
        return 0.0
    return min(max(_dot(left[1:], left[:-1]) / whole, 0.0), MOST_CORRELATED)
