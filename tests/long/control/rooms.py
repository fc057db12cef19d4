"""The rooms in which ways of control are compared, each a set of settings on top of the default.

All invented, of common sizes; the weather is real (``weather.py``). Ways are tuned on the first twelve, of
which seven were once a half that nobody had looked at. The eight last, of other shapes, with other seeds and
in other places, are the result. Whoever changes a way after having seen them gives that half other rooms,
seeds and weather first.
"""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any, NamedTuple

from controller.settings import Settings
from tests.long.control.weather import weather_file

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
    "guards": {"longest_run_minutes": 1440},
    "bench": {
        "starts": "2026-01-01T00:00:00",
        "room": {"start_rh_pct": 55, "volume_m3": 25, "heater_w": 4000},
        "keeper": {"fills_below_l": 19.9},
        "probe": {"noise_rh_pct": 0.25},
    },
}  # fmt: skip
"""A narrow band, so that a moment of lag counts; a big tank filled twice a day, so that water does not. No
longest run but a day's: neither the timer, simple-pid nor the plans keep one, and in frost its rests cost
more than any way of control.
"""


class BenchRoom(NamedTuple):
    about: str
    over: dict[str, Any]
    tuned_on: bool
    """Whether the ways were tuned on it."""
    place: str
    """Of the weather."""
    seed: int


def _doors(*hours: int, minutes: float) -> list[dict[str, Any]]:
    return [{"at": f"{hour:02d}:15", "minutes": minutes, "air_changes_per_h": 8} for hour in hours]


ROOMS: dict[str, BenchRoom] = {
    "leaky": BenchRoom(
        "0.9 air changes an hour, the humidifier just strong enough",
        {"bench": {"room": {"air_changes_per_h": 0.9}}},
        True, "greensboro", 11,
    ),
    "oversized": BenchRoom(
        "2 L/h into 25 m3, mist that takes three minutes to spread",
        {"tank": {"full_tank_lasts_h": 10}, "bench": {"humidifier": {"mist_delay_s": 180}}},
        True, "greensboro", 12,
    ),
    "slow-probe": BenchRoom(
        "a probe that follows in a quarter of an hour and shows whole %RH",
        {"bench": {"probe": {"lag_s": 900, "step_rh_pct": 1}}},
        True, "greensboro", 13,
    ),
    "doors": BenchRoom(
        "a door stands open for ten minutes, four times a day",
        {"bench": {"opening": _doors(8, 12, 16, 20, minutes=10)}},
        True, "greensboro", 14,
    ),
    "one-refill": BenchRoom(
        "filled once a day; in frost the tank is empty long before",
        {
            "tank": {"tank_l": 4, "full_tank_lasts_h": 8},
            "bench": {"room": {"air_changes_per_h": 0.7},
                      "keeper": {"looks_in": ["18:30:00"], "fills_below_l": 3.95}},
        },
        True, "greensboro", 15,
    ),
    "tight": BenchRoom(
        "40 m3, 0.15 air changes an hour, walls that hold much",
        {
            "tank": {"full_tank_lasts_h": 60},
            "bench": {"room": {"volume_m3": 40, "air_changes_per_h": 0.15,
                               "store_times_air": 5, "store_hours": 3}},
        },
        True, "new-york", 31,
    ),
    "undersized": BenchRoom(
        "0.25 L/h where frost asks for more",
        {"tank": {"full_tank_lasts_h": 80}, "runtime": {"cap_hours_in_any_24": 24},
         "bench": {"room": {"air_changes_per_h": 0.8}}},
        True, "new-york", 32,
    ),
    "biased-probe": BenchRoom(
        "a probe that reads 1.5 %RH too high",
        {"bench": {"probe": {"offset_rh_pct": 1.5}}},
        True, "golden", 33,
    ),
    "big-buffer": BenchRoom(
        "walls and goods that hold ten times the air's moisture, and give it back over hours",
        {"bench": {"room": {"store_times_air": 10, "store_hours": 2}}},
        True, "golden", 34,
    ),
    "night-setback": BenchRoom(
        "heated to 24 °C by day and 18 °C by night",
        {"bench": {"room": {"warm_temp_c": 24, "cool_temp_c": 18}}},
        True, "new-york", 35,
    ),
    "capped": BenchRoom(
        "ten hours of mist in any 24, where frost asks for more",
        {"runtime": {"cap_hours_in_any_24": 10}, "bench": {"room": {"air_changes_per_h": 0.9}}},
        True, "golden", 36,
    ),
    "scarce-water": BenchRoom(
        "three litres, filled in the evening only",
        {
            "tank": {"tank_l": 3, "full_tank_lasts_h": 5},
            "bench": {"room": {"air_changes_per_h": 0.6},
                      "keeper": {"looks_in": ["19:00:00"], "fills_below_l": 2.95}},
        },
        True, "new-york", 37,
    ),
    "cellar": BenchRoom(
        "18 m3, 0.2 air changes an hour, a humidifier of 0.3 L/h",
        {
            "tank": {"full_tank_lasts_h": 66},
            "bench": {"room": {"volume_m3": 18, "air_changes_per_h": 0.2,
                               "store_times_air": 3, "store_hours": 1}},
        },
        False, "newark", 51,
    ),
    "draughty": BenchRoom(
        "1.1 air changes an hour, 0.4 L/h: in frost only just enough",
        {"tank": {"full_tank_lasts_h": 50}, "runtime": {"cap_hours_in_any_24": 24},
         "bench": {"room": {"air_changes_per_h": 1.1}}},
        False, "newark", 52,
    ),
    "strong-mist": BenchRoom(
        "1.6 L/h into 20 m3, mist that takes two minutes to spread",
        {"tank": {"full_tank_lasts_h": 12.5},
         "bench": {"room": {"volume_m3": 20}, "humidifier": {"mist_delay_s": 120}}},
        False, "sand-point", 53,
    ),
    "late-probe": BenchRoom(
        "a probe that follows in eight minutes and reads 1.2 %RH too low",
        {"bench": {"probe": {"lag_s": 480, "offset_rh_pct": -1.2}}},
        False, "newark", 54,
    ),
    "timber": BenchRoom(
        "wood that holds eight times the air's moisture, and heating that is turned down by 4 K at night",
        {"bench": {"room": {"store_times_air": 8, "store_hours": 4, "warm_temp_c": 23, "cool_temp_c": 19}}},
        False, "sand-point", 55,
    ),
    "visits": BenchRoom(
        "a door stands open for a quarter of an hour, twice a day, once in the night",
        {"bench": {"opening": _doors(2, 18, minutes=15)}},
        False, "sand-point", 56,
    ),
    "nine-hours": BenchRoom(
        "nine hours of mist in any 24, where frost asks for more",
        {"runtime": {"cap_hours_in_any_24": 9}, "bench": {"room": {"air_changes_per_h": 0.9}}},
        False, "newark", 57,
    ),
    "morning-can": BenchRoom(
        "five litres, filled in the morning only",
        {
            "tank": {"tank_l": 5, "full_tank_lasts_h": 9},
            "bench": {"room": {"air_changes_per_h": 0.8},
                      "keeper": {"looks_in": ["07:30:00"], "fills_below_l": 4.95}},
        },
        False, "newark", 58,
    ),
}  # fmt: skip


def settings_of(
    name: str, days: float, over: dict[str, Any] | None = None, weather: Path | None = None
) -> Settings:
    """``weather``: a file, instead of the room's own."""
    room = ROOMS[name]
    data = deepcopy(SHARED)
    bench = {"days": days, "seed": room.seed, "weather_file": str(weather or weather_file(room.place))}
    for more in (room.over, {"bench": bench}, over or {}):
        _merge(data, more)
    return Settings(**data)


def _merge(into: dict[str, Any], over: dict[str, Any]) -> None:
    for key, value in over.items():
        if isinstance(value, dict):
            _merge(into.setdefault(key, {}), value)
        else:
            into[key] = value
