"""The simulated probe: lag, noise, coarse steps, an offset. Seeded: the same seed, the same figures.

In:    the true air at each tick.
Out:   a Reading, as a real probe would give it.
"""

from __future__ import annotations

from math import exp
from random import Random

from controller.core.records import Reading
from controller.simulator.settings import BenchProbe


class SimulatedProbe:
    """Implements ``ports.Probe``."""

    def __init__(self, settings: BenchProbe, seed: int, rh_pct: float, temp_c: float) -> None:
        self.name = "simulated"
        self._settings = settings
        self._random = Random(seed)
        self._rh_pct = rh_pct
        self._temp_c = temp_c
        self._dt_s = -1.0
        self._follow = 1.0

    def feel(self, dt_s: float, rh_pct: float, temp_c: float) -> None:
        """The probe's element follows the air with its lag."""
        if dt_s != self._dt_s:
            lag_s = self._settings.lag_s
            self._dt_s, self._follow = dt_s, 1.0 - exp(-dt_s / lag_s) if lag_s > 0.0 else 1.0
        self._rh_pct += self._follow * (rh_pct - self._rh_pct)
        self._temp_c += self._follow * (temp_c - self._temp_c)

    def read(self) -> Reading:
        settings = self._settings
        rh, temp = self._rh_pct + settings.offset_rh_pct, self._temp_c
        if settings.noise_rh_pct:
            rh += self._random.gauss(0.0, settings.noise_rh_pct)
        if settings.step_rh_pct:
            rh = round(rh / settings.step_rh_pct) * settings.step_rh_pct
        if settings.step_temp_c:
            temp = round(temp / settings.step_temp_c) * settings.step_temp_c
        return Reading(0.0 if rh < 0.0 else 100.0 if rh > 100.0 else rh, temp)
