"""Invented outdoor weather, so that a rehearsal needs no file: seeded, and said to be invented.

In:    a climate's name, a seed, the moment it starts, how many hours.
Out:   hourly ``Weather`` with ``invented`` set.
Never: claims to be a place's weather. The figures are made up to be of the right kind; no
       station's record was fitted.

A day is a season's sine plus a day's sine plus a front: a first-order random walk pulled
back to nothing (AR(1)). The dew point follows the day's mean by a depression that wanders in
the same way, and never exceeds the air's own temperature. Seasons are the northern half's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from random import Random
from typing import NamedTuple

from controller.core.air import humidity_ratio_from_dew_point, standard_pressure_pa
from controller.errors import SettingsError
from controller.simulator.weather import Outdoor, Weather

COLDEST_DAY = 20  # of the year: some four weeks after the solstice, common practice for inland places
WARMEST_HOUR = 15  # of the day, sun time; common practice
LONGEST_HOURS = 10 * 8784  # ten years


class Climate(NamedTuple):
    """What an invented climate is made of. Swings are half of what lies between the extremes."""

    words: str
    altitude_m: float
    year_mean_c: float
    season_swing_c: float
    day_swing_c: float
    front_c: float  # standard deviation of the fronts
    front_h: float  # hours over which a front fades to 1/e
    dew_depression_c: float  # median distance from the day's mean down to the dew point
    dew_spread: float  # standard deviation of that distance's logarithm


CLIMATES: dict[str, Climate] = {
    "continental-winter": Climate(
        "cold inland winter (in January -4 to +6 °C by the day), warm summer",
        200,
        10,
        9,
        3,
        2.5,
        40,
        3.5,
        0.4,
    ),
    "mild-maritime": Climate("mild and damp near the sea, all year", 20, 10.5, 5.5, 2, 2.2, 30, 2.5, 0.4),
    "hot-humid": Climate("hot and humid near the sea, all year", 5, 26, 2.5, 3.5, 0.8, 30, 2.5, 0.3),
    "high-altitude": Climate("dry and thin air at 2200 m, cold winter", 2200, 8, 10, 6, 2.8, 36, 9, 0.4),
}
DEFAULT_CLIMATE = "continental-winter"


def make_weather(climate_name: str, seed: int, start: datetime, hours: int) -> Weather:
    """Hourly invented weather; the same arguments give the same rows on any Python.

    Seasons go by the day of the year of ``start``, so a summer start makes summer weather. The
    hour of ``start`` is taken as the sun's, with no daylight saving.
    """
    climate = CLIMATES.get(climate_name)
    if climate is None:
        raise SettingsError(f"there is no climate {climate_name!r}; choose one of {', '.join(CLIMATES)}")
    if not 1 <= hours <= LONGEST_HOURS:
        raise SettingsError(f"invented weather is made for 1 to {LONGEST_HOURS} hours, not {hours}")
    fronts = _wander(seed, climate.front_h)
    pressure_pa = standard_pressure_pa(climate.altitude_m)
    sun_time = start.replace(tzinfo=None)
    points = []
    for hour in range(hours):
        front, dryness = fronts()
        temp_c, dew_c = _air(climate, sun_time + timedelta(hours=hour), front, dryness)
        points.append(Outdoor(temp_c, humidity_ratio_from_dew_point(dew_c, pressure_pa), pressure_pa))
    name = f"{climate_name} (invented, seed {seed})"
    return Weather.from_hourly(points, name=name, start=start, invented=True)


def _air(climate: Climate, when: datetime, front: float, dryness: float) -> tuple[float, float]:
    """Temperature and dew point, to the 0.1 °C of a station's record.

    Rounding also hides the last bits, in which the sines of two machines may differ.
    """
    day = when.timetuple().tm_yday + when.hour / 24
    hour = when.hour + when.minute / 60
    season_c = -climate.season_swing_c * math.cos(math.tau * (day - COLDEST_DAY) / 365.25)
    swing_c = climate.day_swing_c * math.cos(math.tau * (hour - WARMEST_HOUR) / 24)
    mean_c = climate.year_mean_c + season_c + climate.front_c * front
    depression_c = climate.dew_depression_c * math.exp(climate.dew_spread * dryness)
    temp_c = round(mean_c + swing_c, 1)
    return temp_c, min(round(mean_c - depression_c, 1), temp_c)


def _wander(seed: int, fade_h: float) -> Callable[[], tuple[float, float]]:
    """Two independent AR(1) series with mean 0 and standard deviation 1, a step an hour.

    Only ``random()`` is drawn: Python promises its sequence for a seed, and not that of gauss().
    """
    uniform = Random(seed).random  # weather, no secret
    keep = math.exp(-1.0 / fade_h)
    fresh = math.sqrt(1.0 - keep * keep)

    def pair() -> tuple[float, float]:
        radius = math.sqrt(-2.0 * math.log(1.0 - uniform()))  # Box and Muller 1958
        angle = math.tau * uniform()
        return radius * math.cos(angle), radius * math.sin(angle)

    first, second = pair()

    def step() -> tuple[float, float]:
        nonlocal first, second
        now = first, second
        one, other = pair()
        first, second = keep * first + fresh * one, keep * second + fresh * other
        return now

    return step
