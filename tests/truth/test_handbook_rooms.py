"""The simulated room against worked examples: steam and cold mist into air, and thin air."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import psychrolib
import pytest

from controller.core.tank import TankLimits
from controller.simulator.climate import make_weather
from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor
from controller.simulator.world import World
from tests.truth.helpers import HOUR_S, PRESSURE_PA, dry_air_kg, ratio_of

HIGH_M = 2200


def test_the_handbook_s_steam_injection() -> None:
    """ASHRAE HoF ch.1, steam-injection example: 2 kg/s of air at 20 °C, wet bulb 8 °C.

    0.0151 kg/s of saturated steam of 110 °C take it to a dew point of 13 °C, 21.14 °C, 60 %RH and 9.4 g/kg.
    Here the stream is a room's ventilation. Tolerance 0.1 K, 0.7 %RH and 0.1 g/kg (the example's digits).
    """
    stream = Outdoor(20.0, psychrolib.GetHumRatioFromTWetBulb(20.0, 8.0, PRESSURE_PA), PRESSURE_PA)
    # 2691 kJ/kg is the steam's enthalpy (steam tables, 110 °C, from memory); the room's books count what the
    # boiler put into water of the room's temperature, 21 °C
    boiler_w = (2691.0 - 4.186 * 21.1) / 3.6
    kg_per_m3 = dry_air_kg(1.0, 21.0)
    bench = BenchSettings(
        room={"volume_m3": 2 * HOUR_S / 20 / kg_per_m3, "air_changes_per_h": 20, "store_times_air": 0,
              "warm_temp_c": 21, "cool_temp_c": 21, "heater_w": 0, "heat_loss_w_per_k": 1,
              "start_rh_pct": 20},
        humidifier={"kind": "warm-mist", "boiler_w_per_kg_per_h": boiler_w, "mist_delay_s": 0},
    )  # fmt: skip
    room = Room(bench, 0.0151 * HOUR_S, 1e6, PRESSURE_PA)
    assert room.dry_air_kg * 20 / HOUR_S == pytest.approx(2.0, rel=1e-4)
    for _ in range(3 * 60):
        room.advance(60.0, True, stream, Drive(5.0))
    assert room.temp_c == pytest.approx(21.14, abs=0.1)
    assert room.rh_pct == pytest.approx(60.0, abs=0.7)
    assert room.ratio == pytest.approx(0.0094, abs=1e-4)
    assert psychrolib.GetTDewPointFromHumRatio(room.temp_c, room.ratio, PRESSURE_PA) == pytest.approx(
        13, abs=0.1
    )


def test_cold_mist_without_heat_stops_where_its_enthalpy_does() -> None:
    """From 24 °C 30 % to 60 %: 18.4 °C, 2.33 g/kg, by an enthalpy balance made elsewhere, water of 20 °C.

    Nothing is lost: outdoors is what the room is, at every second. The room holds the heat of its own air and
    of nothing else. Tolerance 0.15 K, 2 %.
    """
    mass_kg = dry_air_kg(30.0, 24.0)
    start = ratio_of(24.0, 30.0)
    bench = BenchSettings(
        room={"volume_m3": 30, "air_changes_per_h": 0.01, "store_times_air": 0, "warm_temp_c": 24,
              "cool_temp_c": 24, "heater_w": 0, "heat_loss_w_per_k": 1, "start_rh_pct": 30,
              "heat_store_kj_per_k": mass_kg * (1.006 + 1.86 * (start + 0.0012))},
        humidifier={"mist_delay_s": 0},
    )  # fmt: skip
    room = Room(bench, 0.3, 1e6, PRESSURE_PA)
    while room.rh_pct < 60.0:
        room.advance(1.0, True, Outdoor(room.temp_c, room.ratio, PRESSURE_PA), Drive(24.0))
        assert room.used_l < 1.0
    assert room.temp_c == pytest.approx(18.4, abs=0.15)
    assert 1000 * (room.ratio - start) == pytest.approx(2.33, rel=0.02)
    assert room.heat_kwh == 0.0
    # the same by psychrolib's enthalpy: h + 4.186 x 20 x dW stays; tolerance 0.1 kJ/kg
    h_before, h_after = (
        psychrolib.GetMoistAirEnthalpy(temp, ratio) / 1000
        for temp, ratio in ((24.0, start), (room.temp_c, room.ratio))
    )
    assert h_after - h_before == pytest.approx(4.186 * 20 * (room.ratio - start), abs=0.1)


def test_mist_with_heat_needs_more_than_twice_the_water() -> None:
    """Held at 24 °C the same step needs 5.65 g/kg (psychrometric balance made elsewhere; tolerance 1 %)."""
    bench = BenchSettings(
        room={"volume_m3": 30, "air_changes_per_h": 0.01, "store_times_air": 0, "warm_temp_c": 24,
              "cool_temp_c": 24, "heater_w": 5000, "start_rh_pct": 30},
        humidifier={"mist_delay_s": 0},
    )  # fmt: skip
    room = Room(bench, 0.3, 1e6, PRESSURE_PA)
    while room.rh_pct < 60.0:
        room.advance(1.0, True, Outdoor(24.0, room.ratio, PRESSURE_PA), Drive(24.0))
    assert 1000 * room.used_l / room.dry_air_kg == pytest.approx(5.65, rel=0.01)


def high_world() -> World:
    weather = make_weather("high-altitude", 1, datetime(2026, 1, 12), 72)  # noqa: DTZ001
    bench = BenchSettings(
        days=2, climate="high-altitude", enclosure={"volume_m3": 1, "dish_m2": 0.01, "warmer_by_k": 2},
        room={"warm_temp_c": 24, "cool_temp_c": 22, "heater_w": 5000},
    )  # fmt: skip
    return World(bench, TankLimits(), weather, ZoneInfo("UTC"), 1)


def test_a_room_at_2200_m_has_less_air_and_more_water_in_each_kg_of_it() -> None:
    world = high_world()
    room, pressure_pa = world.room, world.outdoor.pressure_pa
    # psychrolib's standard atmosphere (ASHRAE HoF 2017 ch.1 eq.3): 77 546 Pa; tolerance 10 Pa
    assert pressure_pa == pytest.approx(77546.0, abs=10.0)
    assert pressure_pa == pytest.approx(psychrolib.GetStandardAtmPressure(HIGH_M), abs=1.0)
    vapour_pa = 0.6 * psychrolib.GetSatVapPres(24.0)
    gas_law_kg = (pressure_pa - vapour_pa) * 30 / (287.042 * 297.15)
    assert room.dry_air_kg == pytest.approx(gas_law_kg, rel=1e-4)
    assert room.dry_air_kg < 0.77 * dry_air_kg(30.0, 24.0)
    # the same RH is more water for each kg; psychrolib; tolerance 1e-9
    assert room.ratio == pytest.approx(psychrolib.GetHumRatioFromRelHum(22.0, 0.4, pressure_pa), rel=1e-9)
    assert room.ratio > 1.3 * ratio_of(22.0, 40.0)
    world.relay.switch(True)
    for minute in range(1, 36 * 60):
        assert world.wait_until(60.0 * minute)
        # tolerance 1e-9
        rh = 100 * psychrolib.GetRelHumFromHumRatio(room.temp_c, room.ratio, pressure_pa)
        assert room.rh_pct == pytest.approx(rh, rel=1e-9)
        assert room.enclosure is not None
        inside = psychrolib.GetRelHumFromHumRatio(room.temp_c + 2, room.enclosure.ratio, pressure_pa)
        assert room.enclosure.rh_pct == pytest.approx(min(100.0, 100 * inside), rel=1e-9)
    assert room.rh_pct > 60.0


def test_thin_air_saturates_at_the_water_psychrolib_says() -> None:
    bench = BenchSettings(room={"store_times_air": 0, "warm_temp_c": 24, "cool_temp_c": 24, "heater_w": 9000})
    room = Room(bench, 3.0, 1e6, 77546.0)
    for _ in range(180):
        room.advance(60.0, True, Outdoor(5.0, 0.004, 77546.0), Drive(24.0))
    assert room.rh_pct == 100.0
    assert room.ratio == pytest.approx(psychrolib.GetSatHumRatio(24.0, 77546.0), rel=1e-9)
