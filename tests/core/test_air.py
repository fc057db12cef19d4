"""Moist air against outside truth: HoF (ASHRAE Handbook of Fundamentals, SI), IAPWS-95, ISO 13788."""

from __future__ import annotations

from math import exp

import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI

from controller.core import air
from controller.core.ceiling import SurfaceLimits, coldest_surface

GRID = [(t / 2, rh) for t in range(10, 81, 5) for rh in range(5, 96, 5)]  # 5..40 °C by 2.5 K, 5..95 % by 5 %


def bisect(rises: object, low: float, high: float) -> float:
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if rises(middle) > 0 else (middle, high)  # type: ignore[operator]
    return (low + high) / 2


@pytest.mark.parametrize(("temp_c", "pressure_pa"), [(5, 872.6), (25, 3169.7), (50, 12351.3), (-5, 401.74)])
def test_saturation_pressure_is_the_handbooks(temp_c: float, pressure_pa: float) -> None:
    # HoF 2017 ch.1 Table 3; 300 ppm is the accuracy ASHRAE claims for the formula.
    assert air.saturation_pressure_pa(temp_c) == pytest.approx(pressure_pa, rel=300e-6)


def test_dry_air_is_the_handbooks() -> None:
    # HoF 2017 ch.1 Table 2, 25 °C: 25.148 kJ/kg (0.03 %), 0.8443 m³/kg (0.1 %).
    assert air.enthalpy_kj(25.0, 0.0) == pytest.approx(25.148, rel=3e-4)
    assert air.volume_m3(25.0, 0.0) == pytest.approx(0.8443, rel=1e-3)


def test_enthalpy_is_equation_30() -> None:
    # HoF 2017 ch.1 eq.30: h = 1.006 t + W (2501 + 1.86 t); 30 °C, W 0.020: 81.316 kJ/kg, 0.03 %.
    assert air.enthalpy_kj(30.0, 0.020) == pytest.approx(81.316, rel=3e-4)
    assert air.temp_c_from_enthalpy(81.316, 0.020) == pytest.approx(
        (81.316 - 2501 * 0.020) / (1.006 + 1.86 * 0.020), abs=1e-6
    )


def test_humidity_ratio_at_altitude() -> None:
    # HoF 2017 ch.1 eq.20 at p_w 3169.7 Pa in 95461 Pa: 0.0213604, 1e-5 relative.
    rh_pct = 100.0 * 3169.7 / air.saturation_pressure_pa(25.0)
    assert air.humidity_ratio(25.0, rh_pct, 95461.0) == pytest.approx(0.0213604, rel=1e-5)
    assert air.vapour_pressure_pa(25.0, rh_pct) == pytest.approx(3169.7, rel=1e-9)


def test_the_handbooks_example_1() -> None:
    # HoF 2017 ch.1 Example 1: 40 °C dry bulb, 20 °C wet bulb, 101325 Pa; tolerances of reading a chart.
    rh_pct = bisect(lambda rh: air.wet_bulb_c(40.0, rh) - 20.0, 1.0, 99.0)
    ratio = air.humidity_ratio(40.0, rh_pct)
    assert rh_pct == pytest.approx(14.0, abs=1.0)
    assert ratio == pytest.approx(0.0065, abs=1e-4)
    assert air.dew_point_c(40.0, rh_pct) == pytest.approx(7.0, abs=0.5)
    assert air.enthalpy_kj(40.0, ratio) == pytest.approx(56.7, abs=0.1)
    assert air.volume_m3(40.0, ratio) == pytest.approx(0.896, rel=0.01)


@pytest.mark.parametrize(
    ("altitude_m", "pressure_pa"), [(0, 101325), (500, 95461), (1000, 89875), (4000, 61640)]
)
def test_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    # HoF 2017 ch.1 Table 1 and eq.3, 1 Pa.
    assert air.standard_pressure_pa(altitude_m) == pytest.approx(pressure_pa, abs=1.0)


@pytest.mark.parametrize("temp_c", [0.01, 10, 20, 24, 25, 30, 40])
def test_latent_heat_is_that_of_water(temp_c: float) -> None:
    # IAPWS-95 as CoolProp has it: h'' - h' on the saturation line; 0.15 %.
    steam, water = (PropsSI("H", "T", temp_c + 273.15, "Q", q, "Water") for q in (1, 0))
    assert air.vaporisation_heat_kj(temp_c) == pytest.approx((steam - water) / 1000.0, rel=1.5e-3)


@pytest.mark.parametrize("pressure_pa", [101325.0, 85000.0])
def test_a_room_against_real_gas_moist_air(pressure_pa: float) -> None:
    # CoolProp HAPropsSI (Herrmann, Kretzschmar & Gatley's real-gas moist air, ASHRAE RP-1485).
    # The perfect-gas relations lie within 0.02 K, 0.6 %, 0.7 kJ/kg, 0.06 % and 0.03 K of it here.
    for temp_c, rh_pct in GRID:
        known = ("T", temp_c + 273.15, "P", pressure_pa, "R", rh_pct / 100)
        where = f"{temp_c} °C {rh_pct} %"
        ratio = air.humidity_ratio(temp_c, rh_pct, pressure_pa)
        dew_c = HAPropsSI("D", *known) - 273.15
        assert air.dew_point_c(temp_c, rh_pct) == pytest.approx(dew_c, abs=0.02), where
        assert ratio == pytest.approx(HAPropsSI("W", *known), rel=6e-3), where
        assert air.enthalpy_kj(temp_c, ratio) == pytest.approx(HAPropsSI("H", *known) / 1000, abs=0.7), where
        assert air.volume_m3(temp_c, ratio, pressure_pa) == pytest.approx(HAPropsSI("V", *known), rel=6e-4), (
            where
        )
        wet_c = HAPropsSI("B", *known) - 273.15
        if wet_c > 1.0:  # nearer to 0 °C the choice between ice and water decides, not the accuracy
            assert air.wet_bulb_c(temp_c, rh_pct, pressure_pa) == pytest.approx(wet_c, abs=0.03), where


def test_relative_humidity_and_humidity_ratio_undo_each_other() -> None:
    for temp_c, rh_pct in GRID:
        ratio = air.humidity_ratio(temp_c, rh_pct, 90000.0)
        assert air.rh_pct_from_humidity_ratio(temp_c, ratio, 90000.0) == pytest.approx(rh_pct, rel=1e-12)
    # The same by real-gas moist air (CoolProp), 0.6 %.
    rh = HAPropsSI("R", "T", 297.15, "P", 101325, "W", 0.010) * 100
    assert air.rh_pct_from_humidity_ratio(24.0, 0.010) == pytest.approx(rh, rel=6e-3)


def test_air_at_its_dew_point_is_saturated() -> None:
    for temp_c, rh_pct in GRID:
        dew_c = air.dew_point_c(temp_c, rh_pct)
        assert air.humidity_ratio_from_dew_point(dew_c) == pytest.approx(
            air.humidity_ratio(temp_c, rh_pct), rel=2e-4
        )


@pytest.mark.parametrize(("rh_pct", "same_as"), [(0.0, 0.1), (-5.0, 0.1), (130.0, 100.0)])
def test_dew_point_bears_figures_beyond_the_scale(rh_pct: float, same_as: float) -> None:
    assert air.dew_point_c(24.0, rh_pct) == air.dew_point_c(24.0, same_as)
    assert air.dew_point_c(24.0, 100.0) == pytest.approx(24.0, abs=1e-3)


def iso_saturation_pa(temp_c: float) -> float:
    """ISO 13788:2012 Annex E, from memory."""
    return 610.5 * exp(17.269 * temp_c / (237.3 + temp_c))


def test_the_design_point_of_iso_13788() -> None:
    # DIN 4108-2 / ISO 13788: indoors 20 °C 50 %, outdoors -5 °C, 80 % at the surface: t_si,min 12.6 °C
    # (0.05 K), f_Rsi >= 0.70; by the standard's own pressure formula 0.705 (0.005).
    def over_80(frsi: float) -> float:
        surface = coldest_surface(20.0, 50.0, None, -5.0, SurfaceLimits(frsi=frsi))
        assert surface is not None
        return 80.0 - surface.rh_pct

    frsi = bisect(over_80, 0.1, 1.0)
    surface = coldest_surface(20.0, 50.0, None, -5.0, SurfaceLimits(frsi=frsi))
    assert surface is not None
    assert surface.temp_c == pytest.approx(12.6, abs=0.05)
    assert frsi >= 0.70
    assert frsi == pytest.approx(0.705, abs=0.005)


@pytest.mark.parametrize("frsi", [0.5, 0.7, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("outdoor_c", [-10.0, 0.0, 10.0])
def test_highest_room_humidity_before_a_wall_gets_wet(frsi: float, outdoor_c: float) -> None:
    # ISO 13788 clause 5 worked in closed form with its Annex E pressures, 24 °C, 80 %; 0.2 %RH.
    wall_c = outdoor_c + frsi * (24.0 - outdoor_c)
    known = 80.0 * iso_saturation_pa(wall_c) / iso_saturation_pa(24.0)
    surface = coldest_surface(24.0, 60.0, None, outdoor_c, SurfaceLimits(frsi=frsi))
    assert surface is not None
    assert not surface.measured
    assert surface.room_limit_rh_pct == pytest.approx(known, abs=0.2)


def test_warm_up_changes_nothing() -> None:
    before = air.dew_point_c(24.0, 60.0)
    air.warm_up()
    assert air.dew_point_c(24.0, 60.0) == before
