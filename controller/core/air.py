"""Moist air: the one door to psychrolib.

In:    temperatures in °C, relative humidity in %, pressures in Pa.
Out:   pressures in Pa, humidity ratios in kg of water per kg of dry air, enthalpy in kJ/kg.
Never: raises on a figure a room can have; callers keep to -60..80 °C and 0 < RH <= 100 %.

psychrolib follows ASHRAE Handbook of Fundamentals 2017, chapter 1 (perfect-gas relations).
When numba is installed it compiles at the first call of a function, about a second:
``warm_up`` moves that off the first control tick.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from itertools import pairwise
from typing import cast

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

STANDARD_PRESSURE_PA = 101325.0
MASS_RATIO = 0.621945
"""Water to dry air, by molar mass (ASHRAE HoF 2017 ch.1 eq.20)."""
GAS_CONSTANT_DRY_AIR = 287.042
"""J/(kg K), ASHRAE HoF 2017 ch.1 eq.1."""
WATER_HEAT_CAPACITY_KJ = 4.186
"""kJ/(kg K) of liquid water, the value of ASHRAE HoF 2017 ch.1 eq.33."""

_saturation = psychrolib.GetSatVapPres
_remembered = lru_cache(maxsize=256)(psychrolib.GetSatVapPres)
"""For temperatures that come again: a probe shows steps of a tenth, an outdoor figure lasts a minute."""


def saturation_pressure_pa(temp_c: float) -> float:
    """Saturation vapour pressure over water, over ice below 0.01 °C (Hyland-Wexler; HoF ch.1 eq.5, 6)."""
    return cast(float, _saturation(temp_c))


_QUICK_FROM_C, _QUICK_TO_C, _QUICK_STEPS = -60, 80, 20  # a degree in twenty


@lru_cache(maxsize=1)
def quick_saturation() -> Callable[[float], float]:
    """A quick ``saturation_pressure_pa`` for -60..80 °C, in kPa: for sums over a year of minutes.

    Between twentieths of a degree on a straight line: at most 6e-6 of it too high, and up to 1e-4 between
    0.00 and 0.05 °C, where water takes over from ice. It raises IndexError above 80 °C.
    """
    last = (_QUICK_TO_C - _QUICK_FROM_C) * _QUICK_STEPS + 1
    temps_c = (_QUICK_FROM_C + step / _QUICK_STEPS for step in range(last + 1))
    kpa = [saturation_pressure_pa(temp_c) * 1e-3 for temp_c in temps_c]
    table = tuple((low, high - low) for low, high in pairwise(kpa))

    def saturation_kpa(temp_c: float) -> float:
        place = (temp_c - _QUICK_FROM_C) * _QUICK_STEPS
        step = int(place)
        low_kpa, rise_kpa = table[step]
        return low_kpa + (place - step) * rise_kpa

    return saturation_kpa


def vapour_pressure_pa(temp_c: float, rh_pct: float) -> float:
    return cast(float, rh_pct * 0.01 * _saturation(temp_c))


def humidity_ratio(temp_c: float, rh_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Kg of water vapour per kg of dry air (HoF ch.1 eq.20)."""
    vapour_pa = rh_pct * 0.01 * _saturation(temp_c)
    return cast(float, MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa))


def humidity_ratio_from_dew_point(dew_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    return humidity_ratio(dew_c, 100.0, pressure_pa)


def rh_pct_from_humidity_ratio(
    temp_c: float, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Relative humidity in %; above 100 when the air holds more than it can (the caller condenses)."""
    return cast(float, 100.0 * pressure_pa * ratio / ((MASS_RATIO + ratio) * _saturation(temp_c)))


def dew_point_c(temp_c: float, rh_pct: float) -> float:
    """Dew point, or frost point below 0 °C; the air's own temperature at 100 %, and as for 1 % below that."""
    return cast(float, psychrolib.GetTDewPointFromRelHum(temp_c, min(max(rh_pct, 1.0), 100.0) * 0.01))


def dew_point_of_vapour_c(vapour_pa: float) -> float:
    """The temperature at which air of this vapour pressure is saturated, -60..80 °C: dew or frost point."""
    return cast(float, psychrolib.GetTDewPointFromVapPres(float(_QUICK_TO_C), vapour_pa))


def wet_bulb_c(temp_c: float, rh_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    return cast(float, psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct * 0.01, pressure_pa))


def enthalpy_kj(temp_c: float, ratio: float) -> float:
    """KJ per kg of dry air (HoF ch.1 eq.30)."""
    return cast(float, psychrolib.GetMoistAirEnthalpy(temp_c, ratio)) * 1e-3


def volume_m3(temp_c: float, ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """m³ of moist air per kg of dry air (HoF ch.1 eq.26)."""
    return cast(float, psychrolib.GetMoistAirVolume(temp_c, ratio, pressure_pa))


def temp_c_from_enthalpy(enthalpy_kj_kg: float, ratio: float) -> float:
    return cast(float, psychrolib.GetTDryBulbFromEnthalpyAndHumRatio(enthalpy_kj_kg * 1e3, ratio))


def vaporisation_heat_kj(temp_c: float) -> float:
    """Heat to turn 1 kg of water at ``temp_c`` into vapour, as HoF ch.1 eq.30 and 33 imply it."""
    return 2501.0 + 1.86 * temp_c - WATER_HEAT_CAPACITY_KJ * temp_c


def surface_rh_pct(temp_c: float, rh_pct: float, surface_c: float) -> float:
    """RH of the room's air where it touches a surface of another temperature; may exceed 100."""
    return cast(float, rh_pct * _remembered(temp_c) / _remembered(surface_c))


def standard_pressure_pa(altitude_m: float) -> float:
    """The standard atmosphere (HoF ch.1 eq.3)."""
    return STANDARD_PRESSURE_PA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.2559)


def warm_up() -> None:
    """Lets a just-in-time compiler, where one is installed, do its work now."""
    saturation_pressure_pa(20.0)
    dew_point_c(20.0, 50.0)
