"""An air conditioner: takes heat above a set temperature, and water where its coil is below the dew point.

In:    the room's air, the heat to be taken.
Out:   sensible kW taken, kg/s of water taken.
Never: cools below its set temperature.
"""

from __future__ import annotations

from pydantic import Field

from controller.core import air
from controller.core.limits import Celsius, Limits, TempC

AIR_HEAT_KJ = 1.006


class BenchCooling(Limits):
    """Cooling; 0 W = none."""

    cooler_w: float = Field(0.0, ge=0, le=50000, description="the most sensible heat it takes")
    cool_above_c: TempC = Field(28.0, description="it holds the room at or below this")
    coil_c: Celsius = Field(10.0, ge=2, le=20, description="temperature of its coil")


def water_taken_kg_per_s(
    settings: BenchCooling, cooling_kw: float, temp_c: float, ratio: float, pressure_pa: float,
    dt_s: float, dry_air_kg: float,
) -> float:  # fmt: skip
    """Air that gives ``cooling_kw`` leaves the coil at its temperature, saturated if it was wetter.

    No more air passes in a step than there is, so however big the cooler, nothing dries past its coil.
    """
    if cooling_kw <= 0.0 or temp_c <= settings.coil_c + 0.5:
        return 0.0
    flow_kg_per_s = min(cooling_kw / (AIR_HEAT_KJ * (temp_c - settings.coil_c)), dry_air_kg / dt_s)
    return flow_kg_per_s * max(0.0, ratio - air.humidity_ratio(settings.coil_c, 100.0, pressure_pa))
