"""EPW, a real TMY3 year written out as EPW, and damage to both formats."""

import csv
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.air import humidity_ratio, standard_pressure_pa
from controller.errors import DataFileError
from controller.simulator.weather import Weather
from controller.simulator.weather_files import load_weather

GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
EPW_TOP = [
    "LOCATION,{place},{height}",
    "DESIGN CONDITIONS,0",
    "TYPICAL/EXTREME PERIODS,0",
    "GROUND TEMPERATURES,0",
    "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
    'COMMENTS 1,"an unbalanced quote',
    "COMMENTS 2,",
    "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
]
# what the dictionary says for the fields that are of no concern here, from field 11 on
EPW_REST = (
    "9999,9999,9999,9999,9999,9999,999999,999999,999999,9999,999,999,99,99,9999,99999,9,999999999,999,.999,999,99,"
    "999,999,99"
)


def epw_row(year, month, day, hour, temp, dew, rh, pressure_pa):
    """A row in the published order of EnergyPlus' weather data dictionary: 35 fields, pressure the tenth."""
    row = f"{year},{month},{day},{hour},0,?9?9?9?9E0,{temp},{dew},{rh},{pressure_pa},{EPW_REST}"
    assert row.count(",") == 34
    return row


def epw(rows, place="Nowhere,-,XXX,SRC,000000,36.10,-79.95,-5.0", height="273.0"):
    top = "\n".join(EPW_TOP).format(place=place, height=height)
    return "\n".join([top, *rows, ""])


def tmy3_as_epw(path):
    """Read here by the csv module alone, so that pvlib stands on one side of the comparison only."""
    with path.open(newline="") as file:
        head = next(csv.reader([file.readline()]))
        rows = []
        for row in csv.DictReader(file):
            month, day, year = row["Date (MM/DD/YYYY)"].split("/")
            pressure_pa = round(float(row["Pressure (mbar)"]) * 100)
            air = (row["Dry-bulb (C)"], row["Dew-point (C)"], row["RHum (%)"], pressure_pa)
            rows.append(epw_row(year, int(month), int(day), int(row["Time (HH:MM)"][:2]), *air))
    place = ",".join([head[1], head[2], "USA", "TMY3", head[0], head[4], head[5], head[3]])
    return epw(rows, place, head[6])


@pytest.fixture(scope="module")
def greensboro():
    return load_weather(GREENSBORO)


def test_the_same_year_written_out_as_epw_reads_back_the_same(greensboro, tmp_path):
    path = tmp_path / "greensboro.epw"
    path.write_text(tmy3_as_epw(GREENSBORO))
    back = load_weather(path)
    assert back.start == greensboro.start
    assert back.times_s == greensboro.times_s
    assert back.points == greensboro.points
    assert back.name == "GREENSBORO PIEDMONT TRIAD INT, USA (greensboro.epw)"


def day(first=1, **changes):
    """26 hours of EPW from ``first`` January; ``changes``: r3="...": the third row's text instead."""
    rows = []
    for index in range(26):
        extra, hour = divmod(index, 24)
        rows.append(epw_row(2001, 1, first + extra, hour + 1, f"{index}.0", "-2.0", 50, 99000))
    for name, text in changes.items():
        rows[int(name[1:]) - 1] = text
    return rows


def written(folder, text, name="w.epw"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path):
    with pytest.raises(DataFileError) as caught:
        load_weather(path)
    return str(caught.value)


def test_epw_is_known_by_its_first_line_whatever_its_name(tmp_path):
    weather = load_weather(written(tmp_path, epw(day()), "weather.txt"))
    assert weather.at(3600.0).temp_c == 1.0
    assert weather.start.replace(tzinfo=None) == datetime(2001, 1, 1, 1)  # noqa: DTZ001 - compared as on the wall


def test_epw_markers_for_missing(tmp_path):
    # the dictionary's markers: 99.9 dry bulb and dew point, 999 RH, 999999 Pa
    rows = day(
        r2=epw_row(2001, 1, 1, 2, "99.9", "99.9", 999, 999999),
        r5=epw_row(2001, 1, 1, 5, "20.0", "99.9", 40, 99000),
        r9=epw_row(2001, 1, 1, 9, "8.0", "99.9", 104, 99000),
    )
    weather = load_weather(written(tmp_path, epw(rows)))
    assert weather.gaps_filled == 1
    assert weather.at(3600.0).temp_c == pytest.approx(1.0)
    assert weather.at(4 * 3600.0).humidity_ratio == pytest.approx(humidity_ratio(20.0, 40.0, 99000.0))
    assert weather.at(8 * 3600.0).humidity_ratio == pytest.approx(humidity_ratio(8.0, 100.0, 99000.0))


def test_without_any_pressure_the_elevation_tells_it(tmp_path):
    rows = [row.replace(",99000,", ",999999,", 1) for row in day()]
    weather = load_weather(written(tmp_path, epw(rows, height="1000.0")))
    # ASHRAE HoF 2017 ch.1 Table 1: 89875 Pa at 1000 m, 1 Pa
    assert weather.at(0.0).pressure_pa == pytest.approx(89875.0, abs=1.0)
    assert weather.at(0.0).pressure_pa == standard_pressure_pa(1000.0)


def test_a_real_leap_year_keeps_its_29_february(tmp_path):
    rows = [
        epw_row(2024, when.month, when.day, when.hour + 1, "1.0", "0.0", 90, 99000)
        for when in (datetime(2024, 2, 28) + timedelta(hours=hour) for hour in range(72))  # noqa: DTZ001
    ]
    weather = load_weather(written(tmp_path, epw(rows)))
    assert weather.hours == 72
    assert weather.start.year == 2024


def test_a_typical_february_of_a_leap_year_goes_on_to_march(tmp_path):
    rows = [epw_row(1988, 2, 28, hour, "1.0", "0.0", 90, 99000) for hour in range(1, 25)]
    rows += [epw_row(1991, 3, 1, hour, "1.0", "0.0", 90, 99000) for hour in range(1, 25)]
    weather = load_weather(written(tmp_path, epw(rows)))
    assert (weather.hours, weather.gaps_filled) == (48, 0)


def third(*cells):
    """A file whose third row, on line 11, is that."""
    return epw(day(r3=epw_row(*cells, 99000))).split("\n")


def jump(*stamps):
    return epw([epw_row(*stamp, "1.0", "0.0", 90, 99000) for stamp in stamps]).split("\n")


BAD = {
    "no location": (["x", *epw(day()).split("\n")[1:]], ":1: an EPW file begins with LOCATION"),
    "short header": (EPW_TOP[:5], ":5: the file ends within the 8 header lines"),
    "no period": ([*EPW_TOP[:7], "2001,1,1"], ":8: DATA PERIODS belongs here"),
    "half hours": ([*EPW_TOP[:7], EPW_TOP[7].replace("1,1", "1,2")], ":8: '2' records an hour; only 1"),
    "no rows": (EPW_TOP, ":8: no row of weather"),
    "short row": (epw(day(r3="2001,1,1,3")).split("\n"), ":11: 4 fields; an EPW row has 35"),
    "long row": (epw(day(r3=day()[2] + ",1")).split("\n"), ":11: 36 fields"),
    "quote": (epw(day(r3='"' + day()[2])).split("\n"), ":11: a quotation mark"),
    "hour": (third(2001, 1, 1, 25, 1, 0, 50), ":11: hour is 25; EPW counts"),
    "day": (third(2001, 2, 30, 3, 1, 0, 50), ":11: there is no day 2001-2-30"),
    "year": (third(9001, 1, 1, 3, 1, 0, 50), ":11: year is 9001"),
    "stamp": (third("x", 1, 1, 3, 1, 0, 50), ":11: year, month, day, hour are"),
    "word": (third(2001, 1, 1, 3, "hot", 0, 50), ":11: temp_air is 'hot'"),
    "hot": (third(2001, 1, 1, 3, 70, 0, 50), ":11: temperature in °C is 70;"),
    "dew": (third(2001, 1, 1, 3, 5, 7, 50), ":11: dew point 7 °C is above"),
    "rh": (third(2001, 1, 1, 3, 5, 1, 111), ":11: RH in % is 111"),
    "twice": (third(2001, 1, 1, 2, 5, 1, 50), ":11: time 2001-01-01 02:00"),
    "leap": (jump((2003, 12, 31, 24), (2004, 1, 1, 1), (2004, 2, 29, 1)), ":11: 29 February, and the year"),
    "elevation": (epw(day(), height="20000").split("\n"), ":1: elevation is 20000 m; -1000 to 9999.9"),
    "latitude": (epw(day(), "A,-,B,C,0,north,0,0").split("\n"), ":1: pvlib cannot read the header: Val"),
}


@pytest.mark.parametrize("case", BAD)
def test_every_epw_refusal_names_file_and_line(case, tmp_path):
    lines, words = BAD[case]
    path = written(tmp_path, "\n".join(lines))
    said = refusal(path)
    assert said.startswith(f"{path}:")
    assert words in said


def test_without_pvlib_it_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pvlib", None)
    assert "reading .epw needs pvlib: pip install '.[weather]'" in refusal(written(tmp_path, epw(day())))
    assert "reading TMY3 needs pvlib" in refusal(GREENSBORO)


def weather_or_refusal(path):
    weather, words = None, ""
    try:
        weather = load_weather(path)
    except DataFileError as error:
        words = str(error)
    if weather is None:
        assert words.startswith(f"{path}:")
        return
    assert isinstance(weather, Weather)
    temp_c, ratio, pressure_pa = weather.at(weather.period_s * 1.7)
    assert -90.0 <= temp_c <= 60.0
    assert 0.0 <= ratio < 2.0
    assert 30999.0 <= pressure_pa <= 120001.0


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz") / "w.csv"


GOOD = {
    "epw": epw(day()[:6]),
    "tmy3": "\n".join(GREENSBORO.read_text().splitlines()[:8]),
}
SPLICE = st.one_of(
    st.sampled_from(
        [
            "",
            ",",
            '"',
            "\n",
            "-",
            "9" * 400,
            "1e308",
            "nan",
            "24",
            "02/29",
            "\r",
            "é",
            "0",
            " ",
            "True",
            "2400",
        ]
    ),
    st.text('0123456789-+.:TZe,"\n #é\u2212', max_size=6),
)


@pytest.mark.parametrize("kind", GOOD)
@given(st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(0, 5), SPLICE), min_size=1, max_size=4))
@settings(deadline=None, database=None, max_examples=150)
def test_a_good_file_with_damage_makes_weather_or_a_refusal(kind, scratch, damage):
    text = GOOD[kind]
    for share, lost, put in damage:
        place = int(share * len(text))
        text = text[:place] + put + text[place + lost :]
    scratch.write_bytes(text.encode("utf-8", "replace"))
    weather_or_refusal(scratch)
