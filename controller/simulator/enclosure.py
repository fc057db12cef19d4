"""The animals' enclosures: a second, slower and damper volume of air inside the room.

In:    the room's air.
Out:   the enclosure's RH, and the water it gives to the room (negative: takes).
Never: makes water: its dish is the only source, and that is counted.

One volume stands for all enclosures. It exchanges air with the room through its vents, holds a store of
moisture in its substrate, and is warmer than the room by a lamp or mat.
"""

from __future__ import annotations

from pydantic import Field

from controller.core import air
from controller.core.limits import Limits
from controller.simulator.moisture import Moisture, factors
from controller.simulator.sources import DISH_COLDER_K, DISH_KG_PER_M2_S_KPA


class BenchEnclosure(Limits):
    """Enclosures; 0 m³ = none."""

    volume_m3: float = Field(0.0, ge=0, le=100, description="air in all enclosures")
    vents_per_h: float = Field(2.0, ge=0.05, le=60, description="air changes with the room")
    substrate_times_air: float = Field(10.0, ge=0, le=200, description="its store, in multiples of its air's")
    substrate_hours: float = Field(4.0, ge=0.05, le=200, description="how slowly the substrate follows")
    dish_m2: float = Field(0.0, ge=0, le=5, description="open water inside")
    warmer_by_k: float = Field(2.0, ge=0, le=15, description="warmer than the room, on average")


class Enclosure:
    """Implements its own step; exchanged water is handed to the room in the next one."""

    def __init__(self, settings: BenchEnclosure, temp_c: float, ratio: float, pressure_pa: float) -> None:
        self.settings = settings
        self.temp_c = temp_c + settings.warmer_by_k
        self.ratio = self.store_ratio = ratio
        self.dry_air_kg = settings.volume_m3 / air.volume_m3(self.temp_c, ratio, pressure_pa)
        self.rh_pct = air.rh_pct_from_humidity_ratio(self.temp_c, ratio, pressure_pa)
        self.from_dish_kg = self.condensed_kg = 0.0
        self._pressure_pa = pressure_pa
        self._vents_per_s = settings.vents_per_h / 3600.0
        self._factors: dict[float, Moisture] = {}

    @property
    def water_kg(self) -> float:
        return self.dry_air_kg * (self.ratio + self.settings.substrate_times_air * self.store_ratio)

    def run(self, dt_s: float, room_temp_c: float, room_ratio: float) -> float:
        """Moves on by ``dt_s``; the kg of water given to the room."""
        settings = self.settings
        self.temp_c = room_temp_c + settings.warmer_by_k
        dish_kg = 0.0
        if settings.dish_m2:
            lack_kpa = 1e-3 * (
                air.saturation_pressure_pa(self.temp_c - DISH_COLDER_K)
                - air.vapour_pressure_pa(self.temp_c, self.rh_pct)
            )
            dish_kg = DISH_KG_PER_M2_S_KPA * settings.dish_m2 * max(0.0, lack_kpa) * dt_s
            self.from_dish_kg += dish_kg
        before_kg = self.water_kg
        moisture = self._factors.get(dt_s)
        if moisture is None:
            moisture = factors(
                dt_s, self._vents_per_s, settings.substrate_times_air, settings.substrate_hours * 3600.0
            )
            if len(self._factors) > 16:
                self._factors.clear()
            self._factors[dt_s] = moisture
        settled = room_ratio + dish_kg / (dt_s * self.dry_air_kg * self._vents_per_s)
        self.ratio, self.store_ratio = moisture.step(self.ratio, self.store_ratio, settled)
        given_kg = before_kg + dish_kg - self.water_kg
        self.rh_pct = air.rh_pct_from_humidity_ratio(self.temp_c, self.ratio, self._pressure_pa)
        if self.rh_pct > 100.0:  # it runs down the glass and away
            most = air.humidity_ratio(self.temp_c, 100.0, self._pressure_pa)
            self.condensed_kg += (self.ratio - most) * self.dry_air_kg
            self.ratio, self.rh_pct = most, 100.0
        return given_kg
