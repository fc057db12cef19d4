"""A year of real weather indoors without a humidifier: hours in each range of RH, and the mean.

The files are pvlib's own. The expected figures were computed apart from this repository: 0.5 air changes
an hour, no moisture store, 24 °C from 07 to 19 h local standard time and 22 °C else, outdoor humidity
ratio from dew point and station pressure, standing still through each hour, exact exponential within it,
the year run twice and the second counted. Tolerance 90 h (1 % of the year) for each range, 0.3 %RH.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import psychrolib
import pvlib
import pytest

from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchRoom, BenchSettings
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.weather_files import load_weather
from tests.truth.helpers import HOUR_S, places

DATA = Path(pvlib.__file__).parent / "data"
psychrolib.SetUnitSystem(psychrolib.SI)


class Year(NamedTuple):
    """Hours below 20, 30, 40, 60 and above 80 %RH, and the mean."""

    below_20: int
    below_30: int
    below_40: int
    below_60: int
    above_80: int
    mean_rh_pct: float


def miami() -> Weather:
    """TMY2: tenths of a degree, mbar; hour 1 ends at 01:00 (NREL, User's Manual for TMY2s)."""
    frame, _ = pvlib.iotools.read_tmy2(DATA / "12839.tm2")
    points = []
    for temp, dew, mbar in zip(frame["DryBulb"], frame["DewPoint"], frame["Pressure"], strict=True):
        pressure_pa = 100.0 * float(mbar)
        vapour_pa = psychrolib.GetSatVapPres(min(dew, temp) / 10.0)
        ratio = 0.621945 * vapour_pa / (pressure_pa - vapour_pa)
        points.append(Outdoor(temp / 10.0, ratio, pressure_pa))
    return Weather.from_hourly(points, name="Miami, TMY2")


WEATHER: dict[str, Callable[[], Weather]] = {
    "Greensboro": lambda: load_weather(DATA / "723170TYA.CSV"),
    "Sand Point": lambda: load_weather(DATA / "703165TY.csv"),
    "Miami": miami,
}
HELD = {
    "Greensboro": Year(1850, 3232, 4171, 5637, 1395, 46.8),
    "Sand Point": Year(3177, 6713, 8266, 8760, 0, 23.4),
    "Miami": Year(27, 161, 396, 1668, 5000, 80.2),
}
TIGHT = {
    "store_times_air": 0,
    "air_changes_per_h": 0.5,
    "warm_temp_c": 24,
    "cool_temp_c": 22,
    "start_rh_pct": 30,
}


SETTLES_H = 720
"""Hours of one room's air, changed every two hours, or of one warm day's stored heat: forgotten by then."""


def year(weather: Weather, settings: BenchRoom, hot: bool, held: bool) -> list[float]:
    """RH at the end of each hour of a year, straight from the room, after ``SETTLES_H`` hours of another.

    hot   the room is at 70 °C, where nothing condenses, and its humidity ratio is put at the held
          temperature here: RH above 100 % counts, as in the expected figures.
    held  the room's temperature is set before each hour, also where it would have to be cooled.
    """
    room = Room(BenchSettings(room=settings), 0.0, 0.0, weather.points[0].pressure_pa)
    hours = len(weather.points)
    assert hours == 8760
    found = []
    for count in range(hours - SETTLES_H, 2 * hours):
        outdoor = weather.points[count % hours]  # row 0 ends at 01:00
        hold_c = 24.0 if 7 <= count % 24 < 19 else 22.0
        if held:
            room.temp_c = 70.0 if hot else hold_c
        room.advance(HOUR_S, False, outdoor, Drive(room.temp_c if held else hold_c))
        if count >= hours:
            rh = room.rh_pct
            if hot:
                vapour_pa = outdoor.pressure_pa * room.ratio / (0.621945 + room.ratio)
                rh = 100.0 * vapour_pa / psychrolib.GetSatVapPres(hold_c)
            found.append(rh)
    return found


def counted(rh_pct: list[float]) -> Year:
    below = {f"below_{limit}": sum(rh < limit for rh in rh_pct) for limit in (20, 30, 40, 60)}
    return Year(**below, above_80=sum(rh > 80 for rh in rh_pct), mean_rh_pct=sum(rh_pct) / len(rh_pct))


@pytest.mark.parametrize("place", places(HELD))
def test_the_year_of_the_humidity_ratio(place: str) -> None:
    """Everything is compared: the room's own moisture, with RH unlimited."""
    seen, expected = counted(year(WEATHER[place](), BenchRoom(**TIGHT), True, True)), HELD[place]
    assert seen[:5] == pytest.approx(expected[:5], abs=90)
    assert seen.mean_rh_pct == pytest.approx(expected.mean_rh_pct, abs=0.3)


@pytest.mark.parametrize("place", places(HELD))
def test_the_year_of_the_room_s_own_rh(place: str) -> None:
    """Compared below 80 %RH only, and hours above it: the room condenses at 100 %, the figures do not.

    The mean is compared where nothing condenses (Sand Point).
    """
    settings = BenchRoom(**TIGHT, heater_w=50000, heat_store_kj_per_k=100000)
    rh_pct = year(WEATHER[place](), settings, False, True)
    seen, expected = counted(rh_pct), HELD[place]
    assert max(rh_pct) <= 100.0
    assert seen[:5] == pytest.approx(expected[:5], abs=90)
    if place == "Sand Point":
        assert seen.mean_rh_pct == pytest.approx(expected.mean_rh_pct, abs=0.3)


FLOATING = {"Greensboro": (1853, 4210, 6132, 781), "Miami": (27, 410, 2221, 2192)}
"""Hours below 20, 40, 60 and above 80 %RH when the room is as warm as outdoors at least."""


@pytest.mark.parametrize("place", places(FLOATING))
def test_the_year_of_a_room_that_is_heated_and_never_cooled(place: str) -> None:
    """Nothing is set from outside: a room that holds little heat, and a heater that always suffices."""
    settings = BenchRoom(**TIGHT, heater_w=50000, heat_loss_w_per_k=500, heat_store_kj_per_k=10)
    seen = counted(year(WEATHER[place](), settings, False, False))
    figures = (seen.below_20, seen.below_40, seen.below_60, seen.above_80)
    assert figures == pytest.approx(FLOATING[place], abs=90)


@pytest.mark.slow
def test_real_air_between_the_hours_changes_little() -> None:
    """The rehearsal's own straight lines between the rows, minute by minute: the same figures hold."""
    weather = WEATHER["Greensboro"]()
    assert [b - a for a, b in pairwise(weather.times_s)] == [HOUR_S] * 8759
    settings = BenchRoom(**TIGHT, heater_w=50000, heat_store_kj_per_k=100000)
    room = Room(BenchSettings(room=settings), 0.0, 0.0, weather.points[0].pressure_pa)
    rh_pct = []
    for count in range(8760 - SETTLES_H, 2 * 8760):
        hold_c = 24.0 if 7 <= count % 24 < 19 else 22.0
        room.temp_c = hold_c
        for minute in range(0, 60, 5):
            # the first row is the air at 01:00, the end of the first hour
            room.advance(300.0, False, weather.at((count - 1) * HOUR_S + 60.0 * minute), Drive(hold_c))
        rh_pct.append(room.rh_pct)
    seen, expected = counted(rh_pct[SETTLES_H:]), HELD["Greensboro"]
    assert seen[:5] == pytest.approx(expected[:5], abs=90)
