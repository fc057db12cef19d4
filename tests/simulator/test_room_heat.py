"""The room's heat by itself: what steady heating must give, its limit, floating, the cost of mist."""

from __future__ import annotations

from math import exp, inf
from typing import Any

import CoolProp.CoolProp as CoolProp
import pytest

from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor

PRESSURE_PA = 101325.0
HOUR_S = 3600.0
VENTILATION_KW_PER_K = 0.5 / HOUR_S * 35.008 * 1.006  # 30 m3, 0.5/h, 24 °C 60 %; cp of ASHRAE HoF 2017 ch.1
LOSS_KW_PER_K = 0.045 + VENTILATION_KW_PER_K


def make(pressure_pa: float = PRESSURE_PA, **room: Any) -> Room:
    settings = {
        "volume_m3": 30,
        "air_changes_per_h": 0.5,
        "warm_temp_c": 24,
        "cool_temp_c": 24,
        "heat_loss_w_per_k": 45,
        "heat_store_kj_per_k": 900,
        "heater_w": 2000,
        "start_rh_pct": 40,
        **room,
    }
    bench = BenchSettings(room=settings, humidifier={"mist_delay_s": 0})
    return Room(bench, 0.3, inf, pressure_pa)


def outdoors(temp_c: float) -> Outdoor:
    return Outdoor(temp_c, 0.003, PRESSURE_PA)


def test_steady_heating_gives_what_is_lost() -> None:
    room = make()
    for _ in range(24 * 60):
        room.advance(60.0, False, outdoors(4.0), Drive(24.0))
        assert room.temp_c == pytest.approx(24.0, abs=1e-9)
    # steady state, (UA + n m cp) dT; tolerance 1e-4 (the mass of air is given to five figures)
    assert room.heat_kwh == pytest.approx(24 * LOSS_KW_PER_K * 20.0, rel=1e-4)


def test_a_heater_that_is_too_weak_approaches_its_own_balance() -> None:
    room = make(heater_w=500)
    settled = -6.0 + 0.5 / LOSS_KW_PER_K
    for minute in range(1, 20 * 60 + 1):
        room.advance(60.0, False, outdoors(-6.0), Drive(24.0))
        # exact first-order answer, time constant C / (UA + n m cp); tolerance 1e-3 K
        exact = settled + (24.0 - settled) * exp(-LOSS_KW_PER_K * 60 * minute / 900)
        assert room.temp_c == pytest.approx(exact, abs=1e-3)
    assert room.heat_kwh == pytest.approx(20 * 0.5, rel=1e-9)
    assert room.temp_c < 6.0


def test_nothing_cools_a_room_in_warmer_air() -> None:
    room = make()
    for minute in range(1, 30 * 60 + 1):
        room.advance(60.0, False, outdoors(33.0), Drive(24.0))
        # exact first-order answer towards outdoors; tolerance 1e-3 K
        exact = 33.0 + (24.0 - 33.0) * exp(-LOSS_KW_PER_K * 60 * minute / 900)
        assert room.temp_c == pytest.approx(exact, abs=1e-3)
    assert room.heat_kwh == 0.0


def test_a_higher_setting_is_reached_at_full_heat_and_then_kept() -> None:
    room = make(cool_temp_c=20, heater_w=2000)
    for _ in range(2 * 60):
        room.advance(60.0, False, outdoors(4.0), Drive(24.0))
        assert room.temp_c <= 24.0 + 1e-9
    assert room.temp_c == pytest.approx(24.0, abs=1e-9)
    # energy balance: stored heat plus what was lost; the mean temperature lies between 20 and 24
    stored_kwh = 900 * 4 / 3600
    assert stored_kwh + 2 * LOSS_KW_PER_K * 16 < room.heat_kwh < stored_kwh + 2 * LOSS_KW_PER_K * 20


def test_a_lower_setting_is_reached_without_heat() -> None:
    room = make(cool_temp_c=24)
    for _ in range(90):
        before_kwh = room.heat_kwh
        room.advance(60.0, False, outdoors(4.0), Drive(20.0))
        assert room.temp_c >= 20.0 - 1e-9
        if room.temp_c > 20.01:
            assert room.heat_kwh == before_kwh
    assert room.temp_c == pytest.approx(20.0, abs=1e-9)


@pytest.mark.parametrize("heater_w", [0, 5000])
def test_mist_takes_its_heat_from_the_room(heater_w: int) -> None:
    vapour, water = (CoolProp.PropsSI("H", "T", 297.15, "Q", quality, "Water") for quality in (1, 0))
    taken_kw = 0.3 / HOUR_S * (vapour - water) / 1000  # IAPWS-95, 24 °C: 2444 kJ/kg
    with_mist, without = (make(heater_w=heater_w, mist_cools=cools) for cools in (True, False))
    for room in (with_mist, without):
        for _ in range(60):
            room.advance(10.0, True, outdoors(24.0), Drive(24.0))
    if heater_w:
        # tolerance 0.2 %: ASHRAE's linear enthalpies against IAPWS-95
        assert (with_mist.heat_kwh - without.heat_kwh) * 3600 == pytest.approx(taken_kw * 600, rel=0.002)
        assert with_mist.temp_c == pytest.approx(24.0, abs=1e-9)
    else:
        # exact first-order answer; tolerance 0.3 % of the fall
        fall = taken_kw / LOSS_KW_PER_K * (1 - exp(-LOSS_KW_PER_K * 600 / 900))
        assert without.temp_c - with_mist.temp_c == pytest.approx(fall, rel=0.003)
        assert 0.12 < fall < 0.14  # 204 W for ten minutes out of 900 kJ/K


def test_thin_air_carries_less_heat() -> None:
    low, high = make(), make(77546.0)  # 2200 m, standard atmosphere
    for room in (low, high):
        room.advance(HOUR_S, False, outdoors(4.0), Drive(24.0))
    share = (77546.0 - 1791.0) / (PRESSURE_PA - 1791.0)  # dry air by the gas law; 60 % of 2985 Pa at 24 °C
    assert high.heat_kwh == pytest.approx(20 * (0.045 + share * VENTILATION_KW_PER_K), rel=1e-3)
    assert high.heat_kwh < low.heat_kwh
