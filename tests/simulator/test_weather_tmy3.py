"""TMY3: the real files that come with pvlib, and damage to them."""

from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from statistics import fmean

import pvlib
import pytest

from controller.errors import DataFileError
from controller.simulator.weather_files import load_weather

DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO = DATA / "723170TYA.CSV"
SAND_POINT = DATA / "703165TY.csv"


@pytest.fixture(scope="module")
def greensboro():
    return load_weather(GREENSBORO)


@pytest.fixture(scope="module")
def sand_point():
    return load_weather(SAND_POINT)


def written(folder, text):
    path = folder / "w.csv"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path):
    with pytest.raises(DataFileError) as caught:
        load_weather(path)
    return str(caught.value)


def test_regression_means_of_the_year(greensboro, sand_point):
    # regression: the same files read independently with pvlib and psychrolib, W from dew point and
    # station pressure; tolerances 0.02 K and 0.02 g/kg
    for weather, mean_c, mean_g in ((greensboro, 14.42, 8.432), (sand_point, 4.42, 4.068)):
        assert len(weather.points) == 8760
        assert fmean(point.temp_c for point in weather.points) == pytest.approx(mean_c, abs=0.02)
        assert fmean(point.humidity_ratio for point in weather.points) * 1e3 == pytest.approx(
            mean_g, abs=0.02
        )


def test_stamps_are_the_end_of_their_hour_in_local_standard_time(greensboro, sand_point):
    # the file's first row: 01/01/1988,01:00 at UTC-5, 10.0 °C, 993 mbar; a typical year has 365 days
    assert (greensboro.start.month, greensboro.start.day, greensboro.start.hour) == (1, 1, 1)
    assert greensboro.start.utcoffset() == timedelta(hours=-5)
    assert sand_point.start.utcoffset() == timedelta(hours=-9)
    assert greensboro.at(0.0).temp_c == 10.0
    assert greensboro.at(0.0).pressure_pa == 99300.0
    assert greensboro.hours == sand_point.hours == 8760
    assert greensboro.gaps_filled == sand_point.gaps_filled == 0
    # months of different years, 1988 a leap year among them: no step is longer than the hour
    steps = {b - a for a, b in pairwise(greensboro.times_s)}
    assert steps == {3600.0}
    assert greensboro.name == "GREENSBORO PIEDMONT TRIAD INT, NC (723170TYA.CSV)"
    assert not greensboro.invented


def test_tmy3_marker_for_missing(tmp_path):
    lines = GREENSBORO.read_text().splitlines()[:30]
    lines[4] = lines[4].split(",")
    lines[4][31] = "-9900"  # dry bulb: the 32nd column
    lines[4] = ",".join(lines[4])
    weather = load_weather(written(tmp_path, "\n".join(lines)))
    assert (weather.hours, len(weather.points), weather.gaps_filled) == (28, 27, 1)


TMY3_BAD = {
    "column": (1, "Dew-point (C)", "Dew (C)", ":2: column 'Dew-point (C)' of TMY3 is missing"),
    "names": (1, "RHum source", '"RHum source', ":2: a quotation mark"),
    "fields": (6, ",05:00", ",1,05:00", ":7:"),
    "time": (4, "03:00", "3 am", ":5: date and time are '01/01/1988,3 am'"),
    "hour": (4, "03:00", "24:01", ":5: time is '24:01'"),
    "leap": (4, "01/01/1988", "02/29/1988", ":5: 29 February; a TMY3 year has 365 days"),
    "station": (0, "723170", "seven", ":1: pvlib cannot read the header: ValueError"),
}


@pytest.mark.parametrize("case", TMY3_BAD)
def test_every_tmy3_refusal_names_file_and_line(case, tmp_path):
    at, old, new, words = TMY3_BAD[case]
    lines = GREENSBORO.read_text().splitlines()[:30]
    assert old in lines[at]
    lines[at] = lines[at].replace(old, new, 1)
    assert words in refusal(written(tmp_path, "\n".join(lines)))
