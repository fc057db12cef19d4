"""The rooms in which ways of control are compared, each a set of settings on top of the default.

All invented, of common sizes; the weather is real: typical meteorological years that come with pvlib
(Greensboro TMY3, Miami TMY2 left out: there is nothing to humidify; Sand Point, Alaska, TMY3). Ways are
tuned on the first half alone; the other half, with other seeds and another year, is the result.
"""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any, NamedTuple

import pvlib

from controller.settings import Settings

DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO, SAND_POINT = DATA / "723170TYA.CSV", DATA / "703165TY.csv"
TICK_S = 60.0

SHARED: dict[str, Any] = {
    "room": {"timezone": "UTC"},
    "loop": {"tick_s": TICK_S},
    "target": {
        "day_rh_pct": 65, "night_rh_pct": 69, "band_low_rh_pct": 62, "band_high_rh_pct": 74,
    },
    "demand": {"deadband_rh_pct": 3},
    "tank": {"tank_l": 20, "full_tank_lasts_h": 33},
    "runtime": {"cap_hours_in_any_24": 16},
    "bench": {
        "starts": "2026-01-01T00:00:00",
        "room": {"start_rh_pct": 55, "volume_m3": 25, "heater_w": 4000},
        "keeper": {"fills_below_l": 19.9},
        "probe": {"noise_rh_pct": 0.25},
    },
}  # fmt: skip
"""A narrow band, so that a moment of lag counts; a big tank filled twice a day, so that water does not."""


class BenchRoom(NamedTuple):
    about: str
    over: dict[str, Any]
    tuned_on: bool
    """Whether the ways were tuned on it."""
    weather: Path
    seed: int


def _doors(*hours: int, minutes: float) -> list[dict[str, Any]]:
    return [{"at": f"{hour:02d}:15", "minutes": minutes, "air_changes_per_h": 8} for hour in hours]


ROOMS: dict[str, BenchRoom] = {
    "leaky": BenchRoom(
        "0.9 air changes an hour, the humidifier just strong enough",
        {"bench": {"room": {"air_changes_per_h": 0.9}}},
        True, GREENSBORO, 11,
    ),
    "oversized": BenchRoom(
        "2 L/h into 25 m3, mist that takes three minutes to spread",
        {"tank": {"full_tank_lasts_h": 10}, "bench": {"humidifier": {"mist_delay_s": 180}}},
        True, GREENSBORO, 12,
    ),
    "slow-probe": BenchRoom(
        "a probe that follows in a quarter of an hour and shows whole %RH",
        {"bench": {"probe": {"lag_s": 900, "step_rh_pct": 1}}},
        True, GREENSBORO, 13,
    ),
    "doors": BenchRoom(
        "a door stands open for ten minutes, four times a day",
        {"bench": {"opening": _doors(8, 12, 16, 20, minutes=10)}},
        True, GREENSBORO, 14,
    ),
    "one-refill": BenchRoom(
        "filled once a day; in frost the tank is empty long before",
        {
            "tank": {"tank_l": 4, "full_tank_lasts_h": 8},
            "bench": {"room": {"air_changes_per_h": 0.7},
                      "keeper": {"looks_in": ["18:30:00"], "fills_below_l": 3.95}},
        },
        True, GREENSBORO, 15,
    ),
    "tight": BenchRoom(
        "0.2 air changes an hour, walls that hold much",
        {"bench": {"room": {"air_changes_per_h": 0.2, "store_times_air": 8, "store_hours": 2}},
         "tank": {"full_tank_lasts_h": 66}},
        False, SAND_POINT, 21,
    ),
    "undersized": BenchRoom(
        "0.33 L/h where frost asks for half as much again",
        {"tank": {"full_tank_lasts_h": 60}, "runtime": {"cap_hours_in_any_24": 24},
         "bench": {"room": {"air_changes_per_h": 0.7}}},
        False, SAND_POINT, 22,
    ),
    "biased-probe": BenchRoom(
        "a probe that reads 2 %RH too high",
        {"bench": {"probe": {"offset_rh_pct": 2}}},
        False, SAND_POINT, 23,
    ),
    "big-buffer": BenchRoom(
        "walls and goods that hold fifteen times the air's moisture, and give it back over hours",
        {"bench": {"room": {"store_times_air": 15, "store_hours": 3}}},
        False, SAND_POINT, 24,
    ),
    "night-setback": BenchRoom(
        "heated to 26 °C by day and 20 °C by night",
        {"bench": {"room": {"warm_temp_c": 26, "cool_temp_c": 20}}},
        False, SAND_POINT, 25,
    ),
    "capped": BenchRoom(
        "eight hours of mist in any 24, where frost asks for twelve",
        {"runtime": {"cap_hours_in_any_24": 8}, "bench": {"room": {"air_changes_per_h": 0.7}}},
        False, SAND_POINT, 26,
    ),
    "scarce-water": BenchRoom(
        "a gallon tank, filled in the morning only",
        {
            "tank": {"tank_l": 3.8, "full_tank_lasts_h": 8},
            "bench": {"room": {"air_changes_per_h": 0.6},
                      "keeper": {"looks_in": ["07:45:00"], "fills_below_l": 3.75}},
        },
        False, SAND_POINT, 27,
    ),
}  # fmt: skip


def settings_of(name: str, days: float, over: dict[str, Any] | None = None) -> Settings:
    room = ROOMS[name]
    data = deepcopy(SHARED)
    bench = {"days": days, "seed": room.seed, "weather_file": str(room.weather)}
    for more in (room.over, {"bench": bench}, over or {}):
        _merge(data, more)
    return Settings(**data)


def _merge(into: dict[str, Any], over: dict[str, Any]) -> None:
    for key, value in over.items():
        if isinstance(value, dict):
            _merge(into.setdefault(key, {}), value)
        else:
            into[key] = value
