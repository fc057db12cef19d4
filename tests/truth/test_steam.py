"""Humidifying by the books: steam that warms, cold mist that cools, and the heat between the two."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.core import air
from controller.simulator.sizing import load_l_per_h
from controller.simulator.weather import Outdoor

STEAM_110C_KJ = 2691.1
"""Enthalpy of saturated steam at 110 °C, IAPWS-95 and every steam table; tolerance 0.1 kJ/kg."""


def root(of: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function passes zero."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if of(middle) > 0.0 else (middle, high)
    return 0.5 * (low + high)


def test_steam_injection_of_the_handbook() -> None:
    """ASHRAE Handbook of Fundamentals, ch. 1, steam-injection example: 2 kg/s of dry air at 20 °C dry bulb
    and 8 °C wet bulb, saturated steam of 110 °C, to a dew point of 13 °C. The book finds 0.0151 kg/s and
    21.14 °C, 60 %RH, from W 0.0018 to 0.0094. Tolerances 0.0002 kg/s, 0.1 K, 1 %RH, 0.0001.
    """
    before_rh = root(lambda rh: air.wet_bulb_c(20.0, rh) - 8.0, 1.0, 90.0)
    before, after = air.humidity_ratio(20.0, before_rh), air.humidity_ratio_from_dew_point(13.0)
    assert before == pytest.approx(0.0018, abs=1e-4)
    assert after == pytest.approx(0.0094, abs=1e-4)
    steam = after - before
    assert 2.0 * steam == pytest.approx(0.0151, abs=0.0002)
    enthalpy = air.enthalpy_kj(20.0, before) + steam * STEAM_110C_KJ
    temp_c = air.temp_c_from_enthalpy(enthalpy, after)
    assert temp_c == pytest.approx(21.14, abs=0.1)
    rh_pct = air.rh_pct_from_humidity_ratio(temp_c, after)
    assert rh_pct == pytest.approx(60.0, abs=1.0)
    # the same as the load of a room: 7200 kg/h of dry air, held at the end state
    volume_m3 = 7200.0 * air.volume_m3(temp_c, after)
    outdoor = Outdoor(20.0, before, air.STANDARD_PRESSURE_PA)
    assert load_l_per_h(volume_m3, 1.0, temp_c, rh_pct, outdoor) / 3600.0 == pytest.approx(0.0151, abs=0.0002)


@pytest.mark.parametrize(
    ("temp_c", "heat_kj"),
    [(0.01, 2500.9), (10, 2477.2), (20, 2453.5), (24, 2444.0), (25, 2441.7), (30, 2429.8)],
)
def test_latent_heat(temp_c: float, heat_kj: float) -> None:
    """IAPWS-95; tolerance 0.1 %."""
    assert air.vaporisation_heat_kj(temp_c) == pytest.approx(heat_kj, rel=1e-3)


def test_cold_mist_without_reheat_stops_in_colder_air() -> None:
    """24 °C 30 % to 60 % with water of 20 °C: the enthalpy balance ends at 18.4 °C after 2.33 g/kg;
    held at 24 °C it takes 5.65 g/kg (computed apart from this repository with psychrolib; 0.1 K, 1 %).
    """
    before = air.humidity_ratio(24.0, 30.0)
    water_kj = air.WATER_HEAT_CAPACITY_KJ * 20.0

    def surplus_kj(temp_c: float) -> float:
        ratio = air.humidity_ratio(temp_c, 60.0)
        brought = air.enthalpy_kj(24.0, before) + (ratio - before) * water_kj
        return air.enthalpy_kj(temp_c, ratio) - brought

    end_c = root(surplus_kj, 5.0, 24.0)
    assert end_c == pytest.approx(18.4, abs=0.1)
    assert 1000.0 * (air.humidity_ratio(end_c, 60.0) - before) == pytest.approx(2.33, rel=0.01)
    assert 1000.0 * (air.humidity_ratio(24.0, 60.0) - before) == pytest.approx(5.65, rel=0.01)
