"""Two nodes of moisture, air and store, solved exactly over a step.

    dW/dt = n (S - W) + (M / th) (B - W),    dB/dt = (W - B) / th

with S the humidity ratio the air would settle at, n the air changes a second, M the store in multiples of the
air's own capacity, th its time constant.
"""

from __future__ import annotations

from math import exp, expm1, sqrt
from typing import NamedTuple


class Moisture(NamedTuple):
    """The 2x2 matrix exponential over one step."""

    air_air: float
    air_store: float
    store_air: float
    store_store: float

    def step(self, ratio: float, store: float, settled: float) -> tuple[float, float]:
        off, store_off = ratio - settled, store - settled
        return (
            settled + self.air_air * off + self.air_store * store_off,
            settled + self.store_air * off + self.store_store * store_off,
        )


def factors(dt_s: float, n_per_s: float, times_air: float, store_s: float) -> Moisture:
    back = 1.0 / store_s
    into = times_air * back
    mean, det = -0.5 * (n_per_s + into + back), n_per_s * back
    root = sqrt(max(mean * mean - det, 1e-30))
    # cosh and sinh by their exponentials, of which none can overflow: a big, quick store is legal
    slow, fade = exp(-det / (root - mean) * dt_s), -2.0 * root * dt_s
    even, odd = 0.5 * slow * (1.0 + exp(fade)), -0.5 * slow * expm1(fade) / root
    return Moisture(
        even + odd * (-n_per_s - into - mean), odd * into, odd * back, even + odd * (-back - mean)
    )
