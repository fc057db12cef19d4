"""A room straight from its groups of settings; moist air by psychrolib (ASHRAE HoF 2017 ch. 1), not by us."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import Any

import psychrolib

from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor

psychrolib.SetUnitSystem(psychrolib.SI)
PRESSURE_PA = 101325.0
HOUR_S = 3600.0
PLAIN: dict[str, Any] = {
    "volume_m3": 30,
    "air_changes_per_h": 0.5,
    "store_times_air": 0,
    "warm_temp_c": 24,
    "cool_temp_c": 24,
    "heater_w": 50000,
    "heat_loss_w_per_k": 45,
    "heat_store_kj_per_k": 900,
}


HOLD_24 = Drive(24.0)


def ratio_of(temp_c: float, rh_pct: float, pressure_pa: float = PRESSURE_PA) -> float:
    return float(psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa))


def air_of(temp_c: float, rh_pct: float, pressure_pa: float = PRESSURE_PA) -> Outdoor:
    return Outdoor(temp_c, ratio_of(temp_c, rh_pct, pressure_pa), pressure_pa)


def make(
    room: dict[str, Any] | None = None,
    *,
    rate_l_per_h: float = 0.0,
    tank_l: float = inf,
    pressure_pa: float = PRESSURE_PA,
    **groups: Any,
) -> Room:
    """PLAIN: 30 m3, half an air change an hour, no store, 24 °C whatever comes. ``groups`` go on top."""
    bench = BenchSettings(**{"humidifier": {"mist_delay_s": 0}, **groups}, room={**PLAIN, **(room or {})})
    return Room(bench, rate_l_per_h, tank_l, pressure_pa)


def run(
    room: Room,
    hours: float,
    outdoor: Outdoor,
    *,
    on: bool = False,
    drive: Drive = HOLD_24,
    tick_s: float = 60.0,
    look: Callable[[], None] = lambda: None,
) -> None:
    for _ in range(round(hours * HOUR_S / tick_s)):
        room.advance(tick_s, on, outdoor, drive)
        look()


def trace(room: Room, hours: float = 30.0) -> list[tuple[float, ...]]:
    """A day and more of what a room can meet: cold nights, mist by turns, two heating levels, a door."""
    rows: list[tuple[float, ...]] = []
    for count in range(round(hours * 20)):
        t_s = 180.0 * count
        outdoor = air_of(4.0 + 12.0 * ((count // 97) % 3), 75.0)
        drive = Drive(25.0 if (t_s // HOUR_S) % 24 >= 7 else 22.0, 1e-3 if count % 211 < 5 else 0.0)
        room.advance(180.0, count % 11 < 5, outdoor, drive)
        rows.append((room.temp_c, room.ratio, room.rh_pct, room.store_ratio, room.water_kg))
        rows.append((room.heat_kwh, room.taken_kwh, room.lost_kwh, room.vented_kg, room.used_l))
    return rows
