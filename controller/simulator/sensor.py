"""The simulated probe and its errors. Seeded: the same seed, the same figures.

In:    the true air at each tick, whether mist leaves the humidifier.
Out:   a Reading, as a real probe would give it.
Never: draws a number that a setting of zero does not need: an error that is off leaves no trace.

The order is the order of cause. The air at the element: a plume of mist, then its own warmth at
constant vapour pressure. The element: its lag. Its electronics: gain, offset, drift, creep, noise,
steps. How often it renews its figure comes last.

Creep, the shift after days in damp air, is real (data sheets of capacitive parts warn of it); the
size and the times here are invented: common practice, no source.
"""

from __future__ import annotations

from math import exp
from random import Random

from pydantic import Field

from controller.core import air
from controller.core.limits import Kelvin, Limits
from controller.core.records import Reading

CREEP_ABOVE_RH_PCT = 80.0
PLUME_S = 10.0
"""Time constant with which a plume reaches the probe and blows away: common practice, no source."""
_EARLY_S = 1e-6


class BenchProbe(Limits):
    """How the simulated probe errs."""

    lag_s: float = Field(20.0, ge=0, le=3600, description="time constant")
    temp_lag_s: float | None = Field(
        None, ge=0, le=3600, description="that of its thermometer; empty = as lag_s"
    )
    noise_rh_pct: float = Field(0.15, ge=0, le=10, description="standard deviation of one sample")
    noise_temp_c: Kelvin = Field(0.0, ge=0, le=5, description="the same for temperature")
    step_rh_pct: float = Field(0.1, ge=0, le=5, description="smallest step it shows; 0 = none")
    step_temp_c: Kelvin = Field(0.1, ge=0, le=5, description="smallest step it shows; 0 = none")
    sample_every_s: float = Field(0.0, ge=0, le=3600, description="renews its figure so often; 0 = always")
    offset_rh_pct: float = Field(0.0, ge=-20, le=20, description="how far it reads too high")
    rh_gain: float = Field(1.0, ge=0.5, le=1.5, description="its slope; 1.05 = shows 5 % more")
    drift_rh_pct_per_day: float = Field(0.0, ge=-5, le=5, description="how its offset grows")
    creep_rh_pct: float = Field(
        0.0, ge=-20, le=20, description="largest shift after many days above 80 %RH; invented"
    )
    creep_days: float = Field(
        3.0, ge=0.1, le=60, description="time constant of that shift, both ways; invented"
    )
    self_heating_k: float = Field(0.0, ge=0, le=10, description="how much warmer than the room it is")
    plume_rh_pct: float = Field(
        0.0, ge=0, le=60, description="what it sees on top while mist blows at it; 0 = well placed"
    )

    @property
    def is_plain(self) -> bool:
        """None of the rarer errors."""
        zeros = self.noise_temp_c, self.sample_every_s, self.drift_rh_pct_per_day, self.creep_rh_pct
        return self.rh_gain == 1.0 and not any((*zeros, self.self_heating_k, self.plume_rh_pct))


class SimulatedProbe:
    """Implements ``ports.Probe``."""

    def __init__(
        self, settings: BenchProbe, seed: int | str, rh_pct: float, temp_c: float, name: str = "simulated"
    ) -> None:
        self.name = name
        self._settings = settings
        self._plain = settings.is_plain
        self._random = Random(seed)
        self._temp_random = Random(f"{seed} temperature")
        self._plume_rh_pct = self._creep = self._shift_rh_pct = 0.0
        self._t_s = self._next_t_s = self._shown_t_s = 0.0
        self._shown = Reading()
        if not self._plain:
            rh_pct, temp_c = self._at_the_element(0.0, rh_pct, temp_c, False)
        self._rh_pct = rh_pct
        self._temp_c = temp_c
        self._dt_s = -1.0
        self._follow = self._follow_temp = self._follow_plume = self._follow_creep = 1.0

    def feel(self, dt_s: float, rh_pct: float, temp_c: float, misting: bool = False) -> None:
        """The probe's element follows the air with its lag; mist left the humidifier, or not."""
        if dt_s != self._dt_s:
            self._learn(dt_s)
        if not self._plain:
            rh_pct, temp_c = self._at_the_element(dt_s, rh_pct, temp_c, misting)
        self._rh_pct += self._follow * (rh_pct - self._rh_pct)
        self._temp_c += self._follow_temp * (temp_c - self._temp_c)

    def read(self) -> Reading:
        settings = self._settings
        if self._plain:
            rh, temp = self._rh_pct + settings.offset_rh_pct, self._temp_c
        elif self._t_s < self._next_t_s - _EARLY_S:
            return self._shown._replace(age_s=self._t_s - self._shown_t_s)
        else:
            rh, temp = self._rare(self._temp_c)
        if settings.noise_rh_pct:
            rh += self._random.gauss(0.0, settings.noise_rh_pct)
        if settings.step_rh_pct:
            rh = round(rh / settings.step_rh_pct) * settings.step_rh_pct
        if settings.step_temp_c:
            temp = round(temp / settings.step_temp_c) * settings.step_temp_c
        reading = Reading(0.0 if rh < 0.0 else 100.0 if rh > 100.0 else rh, temp)
        if not self._plain:
            self._keep(reading)
        return reading

    def _learn(self, dt_s: float) -> None:
        """The shares of the way that a step of this length goes."""
        settings = self._settings
        self._dt_s = dt_s
        self._follow = self._follow_temp = _share(dt_s, settings.lag_s)
        if settings.temp_lag_s is not None:
            self._follow_temp = _share(dt_s, settings.temp_lag_s)
        if not self._plain:
            self._follow_plume = _share(dt_s, PLUME_S)
            self._follow_creep = _share(dt_s, settings.creep_days * 86400.0)

    def _at_the_element(
        self, dt_s: float, rh_pct: float, temp_c: float, misting: bool
    ) -> tuple[float, float]:
        """The air the element has around it, which is not the room's; its age and its soaking go on."""
        settings = self._settings
        if dt_s:
            self._t_s += dt_s
            self._shift_rh_pct += settings.drift_rh_pct_per_day * (dt_s / 86400.0)
            if settings.creep_rh_pct:
                soaking = 1.0 if rh_pct > CREEP_ABOVE_RH_PCT else 0.0
                self._creep += self._follow_creep * (soaking - self._creep)
            if settings.plume_rh_pct:
                plume = settings.plume_rh_pct if misting else 0.0
                self._plume_rh_pct += self._follow_plume * (plume - self._plume_rh_pct)
                rh_pct = min(100.0, rh_pct + self._plume_rh_pct)
        if settings.self_heating_k:
            warm_c = temp_c + settings.self_heating_k
            rh_pct *= air.saturation_pressure_pa(temp_c) / air.saturation_pressure_pa(warm_c)
            temp_c = warm_c
        return rh_pct, temp_c

    def _rare(self, temp_c: float) -> tuple[float, float]:
        """What the electronics make of the element's state, but for noise in RH and steps."""
        settings = self._settings
        rh = self._rh_pct * settings.rh_gain + settings.offset_rh_pct
        rh += self._shift_rh_pct + settings.creep_rh_pct * self._creep
        if settings.noise_temp_c:
            temp_c += self._temp_random.gauss(0.0, settings.noise_temp_c)
        return rh, temp_c

    def _keep(self, reading: Reading) -> None:
        """Its own clock, from the beginning, decides when the next figure is due, not who asks when."""
        every_s = self._settings.sample_every_s
        self._shown, self._shown_t_s = reading, self._t_s
        if every_s:
            self._next_t_s = ((self._t_s + _EARLY_S) // every_s + 1.0) * every_s


def _share(dt_s: float, constant_s: float) -> float:
    return 1.0 - exp(-dt_s / constant_s) if constant_s > 0.0 else 1.0
