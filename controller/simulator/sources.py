"""Water that comes into the room's air from elsewhere than the humidifier.

In:    the room's air, elapsed time, what a person did.
Out:   vapour in kg/s, and the heat that evaporation takes.
Never: gives more water than was put in (dishes are refilled by whoever looks after them).
"""

from __future__ import annotations

from datetime import time
from functools import cached_property
from math import expm1

from pydantic import Field

from controller.core import air
from controller.core.limits import Limits, Litres, seconds_of_day

SLEEPER_KG_PER_S = 0.040 / 3600.0
"""30 to 50 g an hour for a sleeping person (ASHRAE, from memory): the middle."""
DISH_KG_PER_M2_S_KPA = 4e-5 * 0.5
"""Open still water, activity factor 0.5 (ASHRAE HVAC Applications, natatoriums, from memory)."""
DISH_COLDER_K = 2.0
MIST_POOL_S = 1200.0
"""How fast hand-misted droplets go, at 60 %RH; common practice, no source."""


class BenchSources(Limits):
    """Water dishes, sleepers, hand misting, freshly soaked substrate."""

    dish_m2: float = Field(0.0, ge=0, le=20, description="open water surface of all dishes")
    sleepers: int = Field(0, ge=0, le=10, description="people who sleep in the room")
    asleep_from: time = Field(time(22, 30), description="from")
    asleep_until: time = Field(time(6, 30), description="until")
    hand_mist_ml: float = Field(0.0, ge=0, le=5000, description="water sprayed by hand each time")
    hand_mist_at: tuple[time, ...] = Field((), max_length=24, description="every day at")
    soaked_l: Litres = Field(0.0, ge=0, le=100, description="water in freshly soaked substrate at the start")
    soaked_hours: float = Field(72.0, ge=1, le=2000, description="how slowly it dries, at 60 %RH")

    @cached_property
    def asleep_s(self) -> tuple[int, int]:
        begin = seconds_of_day(self.asleep_from)
        return begin, (seconds_of_day(self.asleep_until) - begin) % 86400

    @property
    def any(self) -> bool:
        return bool(
            self.dish_m2 or self.sleepers or self.soaked_l or (self.hand_mist_ml and self.hand_mist_at)
        )


class Pool:
    """Liquid water that dries: faster the drier the air, at its time constant at 60 %RH."""

    def __init__(self, kg: float, dries_s: float) -> None:
        self.kg = kg
        self._per_s = 1.0 / dries_s

    def dry(self, dt_s: float, rh_pct: float) -> float:
        """Takes off and returns the kg that evaporate in ``dt_s``."""
        if self.kg <= 0.0:
            return 0.0
        gone = -self.kg * expm1(-self._per_s * dt_s * max(0.0, 100.0 - rh_pct) / 40.0)
        self.kg -= gone
        return gone


class Sources:
    """All sources of one room; ``given_kg`` counts the water brought in, evaporated or not."""

    def __init__(self, settings: BenchSources) -> None:
        self._settings = settings
        self.sprayed = Pool(0.0, MIST_POOL_S)
        self.soaked = Pool(settings.soaked_l, settings.soaked_hours * 3600.0)
        self.sleepers = 0
        self.sprays = 0
        self.given_kg = settings.soaked_l
        self.from_dishes_kg = 0.0

    def follow(self, other: Sources) -> None:
        """Does what the people did in another room: for a shadow of it."""
        self.sleepers = other.sleepers
        while self.sprays < other.sprays:
            self.spray()

    def spray(self) -> None:
        self.sprays += 1
        self.sprayed.kg += self._settings.hand_mist_ml * 1e-3
        self.given_kg += self._settings.hand_mist_ml * 1e-3

    def run(self, dt_s: float, temp_c: float, rh_pct: float) -> tuple[float, float]:
        """(kg into the air, kg of it that took its heat from the air) in ``dt_s``."""
        wet = self.sprayed.dry(dt_s, rh_pct) + self.soaked.dry(dt_s, rh_pct)
        if self._settings.dish_m2:
            lack_kpa = 1e-3 * (
                air.saturation_pressure_pa(temp_c - DISH_COLDER_K) - air.vapour_pressure_pa(temp_c, rh_pct)
            )
            dishes = DISH_KG_PER_M2_S_KPA * self._settings.dish_m2 * max(0.0, lack_kpa) * dt_s
            self.from_dishes_kg += dishes
            self.given_kg += dishes
            wet += dishes
        breath = self.sleepers * SLEEPER_KG_PER_S * dt_s
        self.given_kg += breath
        return wet + breath, wet
