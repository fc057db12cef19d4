"""The room's shell: how much air it exchanges, and its coldest surface.

In:    indoor and outdoor temperature, wind, what stands open.
Out:   air changes a second; water that condenses on the coldest surface.
Never: goes negative, or lets a surface give water back (what condenses runs off).

Leakage follows the basic model of ASHRAE HoF ch.16 (Sherman and Grimsrud): Q = A sqrt(Cs dT + Cw v²),
Q in L/s, A the effective leakage area in cm². The coefficients are from memory. Condensation follows the
Lewis relation with a convective film of 3.4 W/(m² K), common practice, no source.
"""

from __future__ import annotations

from functools import cached_property
from math import sqrt

from pydantic import Field

from controller.core import air
from controller.core.limits import Limits
from controller.simulator.weather import Outdoor

STACK = (0.000145, 0.000290, 0.000435)
"""(L/s)² / (cm⁴ K) for one, two, three storeys; from memory."""
WIND = (0.000104, 0.000137, 0.000161)
"""(L/s)² / (cm⁴ (m/s)²) in a built-up place, one to three storeys; from memory."""
FILM_KG_PER_M2_S = 3.4 / 1006.0
"""Water flux for each unit of difference in humidity ratio (Lewis: h / cp)."""


class BenchLeak(Limits):
    """Air exchange by temperature difference and wind, on top of the room's constant rate."""

    area_cm2: float = Field(0.0, ge=0, le=5000, description="effective leakage area; 0 = none")
    storeys: int = Field(1, ge=1, le=3, description="storeys of the house")
    wind_m_s: float = Field(2.0, ge=0, le=40, description="mean wind at the house")


class BenchWall(Limits):
    """The coldest surface of the simulated room."""

    area_m2: float = Field(0.0, ge=0, le=200, description="area on which water may condense; 0 = none")
    frsi: float = Field(0.7, ge=0.1, le=1.0, description="temperature factor of ISO 13788")


class Envelope:
    """Shell of one room of ``volume_m3``."""

    def __init__(self, leak: BenchLeak, wall: BenchWall, constant_per_h: float, volume_m3: float) -> None:
        self._constant_per_s = constant_per_h / 3600.0
        self._leak = leak if leak.area_cm2 > 0.0 else None
        self._stack, self._wind = STACK[leak.storeys - 1], WIND[leak.storeys - 1]
        self._per_s_of_l_s = 1e-3 / volume_m3
        self.wall = wall if wall.area_m2 > 0.0 else None
        self._frsi = wall.frsi

    def air_changes_per_s(self, temp_c: float, outdoor: Outdoor, open_per_s: float) -> float:
        """Constant exchange, leakage and what stands open."""
        total = self._constant_per_s + open_per_s
        leak = self._leak
        if leak is not None:
            drive = self._stack * abs(temp_c - outdoor.temp_c) + self._wind * leak.wind_m_s**2
            total += leak.area_cm2 * sqrt(drive) * self._per_s_of_l_s
        return total

    def wall_temp_c(self, temp_c: float, outdoor_c: float) -> float:
        return outdoor_c + self._frsi * (temp_c - outdoor_c)

    def condensing_kg_per_s(
        self, temp_c: float, ratio: float, outdoor: Outdoor, dt_s: float, dry_air_kg: float
    ) -> float:
        """Water that leaves the air at the coldest surface; in ``dt_s`` never more than its excess there."""
        if self.wall is None:
            return 0.0
        most = air.humidity_ratio(self.wall_temp_c(temp_c, outdoor.temp_c), 100.0, outdoor.pressure_pa)
        return max(0.0, ratio - most) * min(FILM_KG_PER_M2_S * self.wall.area_m2, dry_air_kg / dt_s)


class BenchStore(Limits):
    """Moisture that walls, wood and substrate take up and give back, by a class of the Nordtest method."""

    nordtest_class: str = Field(
        "", pattern=r"^(|negligible|limited|moderate|good|excellent)$",
        description="negligible, limited, moderate, good or excellent; empty = use store_times_air",
    )  # fmt: skip
    area_m2: float = Field(0.0, ge=0, le=2000, description="area of such surface")

    @cached_property
    def buffer_g_per_m2_rh(self) -> float:
        """Moisture buffer value in g/(m² %RH): the middle of its class (Rode et al. 2005, BYG-DTU R-126)."""
        return {"": 0.0, "negligible": 0.1, "limited": 0.35, "moderate": 0.75, "good": 1.5, "excellent": 2.5}[
            self.nordtest_class
        ]

    def times_air(self, volume_m3: float, temp_c: float) -> float:
        """The store in multiples of the air's own capacity at ``temp_c``."""
        air_g_per_rh = 10.0 * air.saturation_pressure_pa(temp_c) * volume_m3 / (461.52 * (temp_c + 273.15))
        return self.buffer_g_per_m2_rh * self.area_m2 / air_g_per_rh
