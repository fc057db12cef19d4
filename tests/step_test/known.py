"""A first-order room with dead time whose minutes are known in closed form, and rows of a record of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import exp
from random import Random

from controller.core import air
from controller.ports import Sample

MINUTE_S = 60.0
START_S = 1_768_000_000.0
PA_PER_PCT = 29.85
"""The unit of moisture, written again so that a change of it is seen here."""


def step_area(t: float, tau_s: float) -> float:
    """Integral from 0 to t of 1 - exp(-t/tau), the step response of a first-order lag (any textbook)."""
    return 0.0 if t <= 0.0 else t - tau_s * (1.0 - exp(-t / tau_s))


def minutes(
    count: int, mist: Sequence[tuple[int, int]], gain: float, tau_s: float, theta_s: float,
    ground: float = 50.0, ahead: float = 10.0, drift_per_h: float = 0.0,
) -> list[float]:  # fmt: skip
    """Mean moisture of each minute: superposed steps; ``mist``: (first minute, first without)."""
    found = []
    for minute in range(count):
        t0, t1 = minute * MINUTE_S, (minute + 1) * MINUTE_S
        v = ground + drift_per_h * (t0 + t1) / 7200.0
        v += ahead * tau_s * (exp(-t0 / tau_s) - exp(-t1 / tau_s)) / MINUTE_S
        for first, last in mist:
            for sign, at in ((1.0, first), (-1.0, last)):
                begins_s = at * MINUTE_S + theta_s
                area = step_area(t1 - begins_s, tau_s) - step_area(t0 - begins_s, tau_s)
                v += sign * gain * area / MINUTE_S
        found.append(v)
    return found


def on(count: int, mist: Sequence[tuple[int, int]]) -> list[float]:
    return [float(any(first <= minute < last for first, last in mist)) for minute in range(count)]


def noisy(values: Sequence[float], sd: float, seed: int = 1) -> list[float]:
    random = Random(seed)
    return [value + random.gauss(0.0, sd) for value in values]


def rows(
    moisture: Sequence[float | None],
    mist: Sequence[float],
    temp_c: Callable[[int], float] = lambda minute: 24.0,
    reason: str = "enough",
    whole_pct: bool = False,
) -> list[Sample]:
    """As the record has them."""
    found = []
    for minute, (v, share) in enumerate(zip(moisture, mist, strict=True)):
        temp = temp_c(minute)
        rh = None if v is None else 100.0 * v * PA_PER_PCT / air.saturation_pressure_pa(temp)
        rh = float(round(rh)) if rh is not None and whole_pct else rh
        found.append(
            Sample(
                START_S + MINUTE_S * (minute + 1), True, rh, None if v is None else temp, None, None, None,
                None, 65.0, True, 60.0 * share, None, None, "" if share else reason,
            )
        )  # fmt: skip
    return found
