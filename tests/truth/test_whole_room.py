"""The whole room at once against scipy's integration of the same equations, and its books of water and heat.

Written here afresh, from the balances (W air, S store's water for each kg of dry air, e the enclosure, P and
K kg of droplets and of water in soaked ground):
    dW/dt = n (Wo - W) - (M W - S)/th + (mist + breath + dish + P' + K' - wall - to the enclosure)/m
    dS/dt = (M W - S)/th,  M falling as saturation rises;  C dT/dt = Q - (UA + n m cp)(T - To) - L e
    dWe/dt = v (W - We) + (Me/the)(Be - We) + dish_e/me,  dBe/dt = (We - Be)/the
with e what evaporates but breath. The thermostat is stiff instead of perfect: 60 kW for each K, on top of
what keeps the temperature.
"""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from math import pi, sin, sqrt
from typing import Any

import numpy as np
import psychrolib
import pytest
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from controller.simulator.climate import make_weather
from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor
from tests.truth.helpers import HOUR_S, PRESSURE_PA, dry_air_kg, merged, ratio_of, rh_of

DAYS, DAY_S, DELAY_S = 4, 86400, 90.0
WARM_C, COOL_C, MOST_KW, UA, HEAT = 25.0, 22.0, 1.7, 0.045, 900.0
TIMES, STORE_S = 4.0, 5400.0
CM2, WIND = 60.0, 3.0
DISH, SPRAY_KG, SOAKED_KG, SOAKED_S, DROPS_S = 0.10, 0.10, 2.0, 30 * HOUR_S, 1200.0
WALL_M2, FRSI = 1.5, 0.45
BOX_M3, VENTS, BOX_TIMES, BOX_S, BOX_DISH, WARMER = 1.5, 2.0 / HOUR_S, 10.0, 4 * HOUR_S, 0.02, 2.0
MIST, BREATH = 0.3 / HOUR_S, 0.040 / HOUR_S
MASS = dry_air_kg(30.0, WARM_C)

BENCH: dict[str, Any] = {
    "room": {
        "volume_m3": 30, "air_changes_per_h": 0.3, "store_times_air": TIMES, "store_hours": STORE_S / HOUR_S,
        "start_rh_pct": 45, "warm_temp_c": WARM_C, "cool_temp_c": COOL_C, "heater_w": MOST_KW * 1000,
        "heat_loss_w_per_k": UA * 1000, "heat_store_kj_per_k": HEAT,
    },
    "humidifier": {"mist_delay_s": DELAY_S},
    "leak": {"area_cm2": CM2, "storeys": 1, "wind_m_s": WIND},
    "wall": {"area_m2": WALL_M2, "frsi": FRSI},
    "sources": {
        "dish_m2": DISH, "sleepers": 1, "soaked_l": SOAKED_KG, "soaked_hours": SOAKED_S / HOUR_S,
        "hand_mist_ml": SPRAY_KG * 1000, "hand_mist_at": ["09:00", "19:30"],
    },
    "enclosure": {
        "volume_m3": BOX_M3, "vents_per_h": VENTS * HOUR_S, "substrate_times_air": BOX_TIMES,
        "substrate_hours": BOX_S / HOUR_S, "dish_m2": BOX_DISH, "warmer_by_k": WARMER,
    },
}  # fmt: skip


def outdoor_at(t_s: float) -> Outdoor:
    ratio = 0.0036 + 0.0009 * sin(2 * pi * t_s / (40 * HOUR_S))
    return Outdoor(1.0 + 7.0 * sin(2 * pi * (t_s - 9 * HOUR_S) / DAY_S), ratio, PRESSURE_PA)


def hour_of(t_s: float) -> float:
    return (t_s % DAY_S) / HOUR_S


def hold_at(t_s: float) -> float:
    return WARM_C if 7 <= hour_of(t_s) < 21 else COOL_C


def open_at(t_s: float) -> float:
    return 6 / HOUR_S if 18 <= hour_of(t_s) < 18.2 else 0.0


def asleep_at(t_s: float) -> int:
    return 0 if 6.5 <= hour_of(t_s) < 22.5 else 1


def sprays_at(t_s: float) -> bool:
    return hour_of(t_s) in (9.0, 19.5)


def on_at(t_s: float) -> bool:
    """Half an hour and more of every hour and a half, by turns."""
    count, into_s = divmod(t_s, 5400)
    return into_s < 2100 + 600 * (count % 3)


def simulate(bench: dict[str, Any], step_s: int, days: int) -> tuple[Room, list[tuple[float, ...]]]:
    room = Room(BenchSettings(**bench), MIST * HOUR_S, 1e6, PRESSURE_PA)
    rows: list[tuple[float, ...]] = []
    for t_s in range(0, days * DAY_S, step_s):
        if sprays_at(t_s):
            room.sources.spray()
        room.sources.sleepers = asleep_at(t_s)
        room.advance(step_s, on_at(t_s), outdoor_at(t_s + step_s / 2), Drive(hold_at(t_s), open_at(t_s)))
        assert room.enclosure is not None
        rows.append((room.temp_c, room.rh_pct, room.enclosure.rh_pct, room.water_kg))
    return room, rows


def dish_kg_per_s(area_m2: float, temp_c: float, ratio: float) -> float:
    """4e-5 A (pw - pa) F in kPa, F 0.5, water 2 K colder (ASHRAE HVAC Applications, from memory)."""
    vapour_pa = PRESSURE_PA * ratio / (0.621945 + ratio)
    return float(2e-5 * area_m2 * 1e-3 * max(0.0, psychrolib.GetSatVapPres(temp_c - 2.0) - vapour_pa))


BOX_MASS = BOX_M3 / psychrolib.GetMoistAirVolume(COOL_C + WARMER, ratio_of(COOL_C, 45.0), PRESSURE_PA)
WARM_PA = psychrolib.GetSatVapPres(WARM_C)


def slope(t_s: float, y: Any, hold_c: float, per_s: float, breath: float, mist: float) -> list[float]:
    temp, ratio, stored, box, ground, drops, soaked = y
    outdoor = outdoor_at(t_s)
    n = 0.3 / HOUR_S + per_s
    n += CM2 * sqrt(0.000145 * abs(temp - outdoor.temp_c) + 0.000104 * WIND**2) * 1e-3 / 30.0
    lack = max(0.0, 100.0 - rh_of(temp, ratio)) / 40.0
    dry_drops, dry_soaked = drops * lack / DROPS_S, soaked * lack / SOAKED_S
    dish = dish_kg_per_s(DISH, temp, ratio)
    wall_c = outdoor.temp_c + FRSI * (temp - outdoor.temp_c)
    wall = 3.4 / 1006 * WALL_M2 * max(0.0, ratio - psychrolib.GetSatHumRatio(wall_c, PRESSURE_PA))
    into_store = (TIMES * WARM_PA / psychrolib.GetSatVapPres(temp) * ratio - stored) / STORE_S
    to_box = VENTS * (ratio - box)
    into_ground = (box - ground) / BOX_S
    gains = mist + breath + dish + dry_drops + dry_soaked - wall - BOX_MASS * to_box
    latent_kw = (mist + dish + dry_drops + dry_soaked) * (2501 + 1.86 * temp - 4.186 * temp)
    loss = UA + n * MASS * 1.006
    heat = loss * (hold_c - outdoor.temp_c) + latent_kw + 60.0 * (hold_c - temp)
    heat = min(max(heat, 0.0), MOST_KW)
    return [
        (heat - loss * (temp - outdoor.temp_c) - latent_kw) / HEAT,
        n * (outdoor.humidity_ratio - ratio) - into_store + gains / MASS,
        into_store,
        to_box - BOX_TIMES * into_ground + dish_kg_per_s(BOX_DISH, temp + WARMER, box) / BOX_MASS,
        into_ground,
        -dry_drops,
        -dry_soaked,
    ]


def integrate(days: int) -> Any:
    """States every 300 s. Each piece runs between two moments at which something is switched."""
    edges = [t for t in range(0, days * DAY_S + 1, 30) if t % DAY_S == 0 or switched(t)]
    start = ratio_of(COOL_C, 45.0)
    stored = TIMES * WARM_PA / psychrolib.GetSatVapPres(COOL_C) * start
    state = np.array([COOL_C, start, stored, start, start, 0.0, SOAKED_KG])
    found = []
    for begin, end in pairwise(edges):
        if sprays_at(begin):
            state[5] += SPRAY_KG
        mist = MIST if begin >= DELAY_S and on_at(begin - DELAY_S) else 0.0
        args = (hold_at(begin), open_at(begin), BREATH * asleep_at(begin), mist)
        looks = [t for t in range(begin - begin % 300 + 300, end + 1, 300)]
        done = solve_ivp(
            slope, (begin, end), state, "LSODA", sorted({*looks, end}), args=args, rtol=1e-7, atol=1e-9,
            max_step=600.0,
        )  # fmt: skip
        assert done.success
        found += [done.y[:, place] for place, t in enumerate(done.t) if t % 300 == 0]
        state = done.y[:, -1].copy()
    return np.array(found)


def switched(t_s: int) -> bool:
    """Something is another way from ``t_s`` on."""
    now = hold_at(t_s), open_at(t_s), asleep_at(t_s), on_at(t_s - DELAY_S)
    before = hold_at(t_s - 30), open_at(t_s - 30), asleep_at(t_s - 30), on_at(t_s - 30 - DELAY_S)
    return now != before or sprays_at(t_s)


@pytest.fixture(scope="module")
def found() -> Any:
    return integrate(DAYS)


@pytest.mark.parametrize("step_s", [10, 30])
def test_the_whole_room_is_the_integral_of_its_equations(step_s: int, found: Any) -> None:
    room, rows = simulate(BENCH, step_s, DAYS)
    mine = np.array(rows)[300 // step_s - 1 :: 300 // step_s]
    assert len(mine) == len(found) == DAYS * 288
    rh = np.array([rh_of(temp, ratio) for temp, ratio in found[:, :2]])
    box = np.array([rh_of(temp + WARMER, ratio) for temp, ratio in found[:, (0, 3)]])
    # everything happens: the wall sweats, the heater is off at times and too weak at others
    assert room.wall_kg > 0.1
    assert np.ptp(rh) > 15
    assert max(found[:, 0]) == pytest.approx(WARM_C, abs=0.01)
    assert 21.8 < min(found[:, 0]) < COOL_C - 0.05
    # tolerance 0.05 %RH, 0.01 K
    assert mine[:, 0] == pytest.approx(found[:, 0], abs=0.01)
    assert mine[:, 1] == pytest.approx(rh, abs=0.05)
    assert mine[:, 2] == pytest.approx(box, abs=0.05)
    assert room.sources.soaked.kg == pytest.approx(found[-1, 6], abs=0.002)


def water_books(room: Room, before_kg: float) -> tuple[float, float]:
    """(kg put in, kg found again): tank, sources and dishes against air, store, enclosure and what left."""
    box, sources = room.enclosure, room.sources
    assert box is not None
    put_in = room.used_l + sources.given_kg + box.from_dish_kg
    left = room.vented_kg + room.condensed_kg + room.wall_kg + room.dried_kg
    still = room.on_its_way_kg + sources.sprayed.kg + sources.soaked.kg
    return put_in, room.water_kg - before_kg + left + still


def heat_left_kwh(room: Room) -> float:
    return room.heat_kwh - room.taken_kwh - room.cooling_kwh - room.lost_kwh


@pytest.mark.slow
def test_a_year_makes_and_loses_neither_water_nor_heat() -> None:
    """Everything on, invented weather, steps of a minute. Closed to 1e-6 of water used and heat given."""
    cooler = {"cooling": {"cooler_w": 1500, "cool_above_c": 26, "coil_c": 8}}
    room = Room(BenchSettings(**merged(BENCH, cooler)), 0.35, 1e6, PRESSURE_PA)
    before_kg, start_c = room.water_kg, room.temp_c
    weather = make_weather("continental-winter", 3, datetime(2026, 1, 1), 8760)  # noqa: DTZ001
    drives = [Drive(hold_at(60 * minute), open_at(60 * minute)) for minute in range(1440)]
    asleep = [asleep_at(60 * minute) for minute in range(1440)]
    sprays = {minute for minute in range(1440) if sprays_at(60 * minute)}
    on = False
    for minute in range(365 * 1440):
        of_day = minute % 1440
        if of_day in sprays:
            room.sources.spray()
        room.sources.sleepers = asleep[of_day]
        on = room.rh_pct < (61.0 if on else 59.0) or minute % 14400 < 300  # now and then until it drips
        room.advance(60.0, on, weather.at(60.0 * minute), drives[of_day])
    put_in, again = water_books(room, before_kg)
    assert min(room.used_l, room.sources.given_kg, room.vented_kg) > 100.0
    assert min(room.wall_kg, room.dried_kg, room.condensed_kg) > 1.0
    assert again == pytest.approx(put_in, abs=1e-6 * room.used_l)
    assert min(room.heat_kwh, room.taken_kwh, room.lost_kwh) > 500.0
    assert room.cooling_kwh > 1.0
    stored_kwh = HEAT * (room.temp_c - start_c) / 3600
    assert heat_left_kwh(room) == pytest.approx(stored_kwh, abs=1e-6 * room.heat_kwh)


def test_what_the_air_carried_out_is_the_integral_of_the_difference() -> None:
    """n m (W - Wo) dt by trapezes over steps of a second, apart from the books; tolerance 1e-4."""
    room = Room(BenchSettings(**BENCH), MIST * HOUR_S, 1e6, PRESSURE_PA)
    carried_kg, before_kg, start_c = 0.0, room.water_kg, room.temp_c
    for t_s in range(5 * 3600, 11 * 3600):
        if sprays_at(t_s):
            room.sources.spray()
        room.sources.sleepers = asleep_at(t_s)
        outdoor, drive = outdoor_at(t_s), Drive(hold_at(t_s), 6 / HOUR_S if t_s % 7200 < 600 else 0.0)
        n = 0.3 / HOUR_S + drive.open_per_s
        stack = 0.000145 * abs(room.temp_c - outdoor.temp_c) + 0.000104 * WIND**2
        n += CM2 * sqrt(stack) * 1e-3 / 30.0
        ratio, fallen_kg = room.ratio, room.condensed_kg
        room.advance(1.0, on_at(t_s), outdoor, drive)
        fallen = (room.condensed_kg - fallen_kg) / room.dry_air_kg
        carried_kg += n * room.dry_air_kg * (0.5 * (ratio + room.ratio + fallen) - outdoor.humidity_ratio)
    assert carried_kg > 1.0
    assert room.vented_kg == pytest.approx(carried_kg, rel=1e-4)
    put_in, again = water_books(room, before_kg)
    assert again == pytest.approx(put_in, abs=1e-9)
    stored_kwh = HEAT * (room.temp_c - start_c) / 3600
    assert heat_left_kwh(room) == pytest.approx(stored_kwh, abs=1e-9)
