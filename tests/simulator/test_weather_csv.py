import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.air import humidity_ratio
from controller.errors import DataFileError
from controller.simulator import weather_files
from controller.simulator.weather import Weather
from controller.simulator.weather_files import load_weather

HEADER = "time,temp_c,rh_pct"


def written(folder, text, name="weather.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def hourly(cells, header=HEADER, start=datetime(2026, 1, 5)):  # noqa: DTZ001 - naive is meant
    lines = [f"{(start + timedelta(hours=hour)).isoformat()},{cell}" for hour, cell in enumerate(cells)]
    return "\n".join([header, *lines, ""])


def refusal(path):
    with pytest.raises(DataFileError) as caught:
        load_weather(path)
    return str(caught.value)


def test_rh_and_dew_point_become_a_humidity_ratio(tmp_path):
    # 25 °C saturated: W 0.020173 (ASHRAE HoF 2017 ch.1 Table 2; real gas, so 0.6 %)
    saturated = load_weather(written(tmp_path, hourly(["25,100", "25,0"])))
    assert saturated.at(0.0).humidity_ratio == pytest.approx(0.020173, rel=0.006)
    assert saturated.at(3600.0).humidity_ratio == 0.0
    # a dew point of 5 °C holds what saturated air of 5 °C holds: 0.005425 (same table)
    text = hourly(["40,5"] * 2, "time,temp_c,dew_point_c")
    assert load_weather(written(tmp_path, text)).at(0.0).humidity_ratio == pytest.approx(0.005425, rel=0.006)


def test_p_ws_3169_7_in_95461_pa(tmp_path):
    # ASHRAE HoF 2017 ch.1 eq.20 with Table 3 p_ws(25 °C) = 3169.7 Pa at 95461 Pa: W 0.0213604; p_ws 300 ppm
    text = hourly(["25,100,95461"] * 2, HEADER + ",pressure_pa")
    point = load_weather(written(tmp_path, text)).at(1800.0)
    assert point.pressure_pa == 95461.0
    assert point.humidity_ratio == pytest.approx(0.0213604, rel=4e-4)


def test_the_dew_point_wins_over_the_rh_and_the_rh_serves_where_it_is_missing(tmp_path):
    weather = load_weather(written(tmp_path, hourly(["40,5,99", "40,,50"], "time,temp_c,dew_point_c,rh_pct")))
    assert weather.at(0.0).humidity_ratio == pytest.approx(0.005425, rel=0.006)
    assert weather.at(3600.0).humidity_ratio == pytest.approx(humidity_ratio(40.0, 50.0), rel=1e-9)


def test_a_file_from_a_spreadsheet(tmp_path):
    # byte order mark, CRLF, spaces, capitals, another column, a blank line, any order
    text = (
        "\ufeffTemp_C, wind ,RH_pct,Time\r\n1.5, 3,80,2026-01-05 00:00Z\r\n\r\n2.5,4,80,2026-01-05 01:00Z\r\n"
    )
    weather = load_weather(written(tmp_path, text))
    assert [point.temp_c for point in weather.points] == [1.5, 2.5]
    assert weather.start == datetime(2026, 1, 5, tzinfo=UTC)
    assert (weather.name, weather.invented, weather.hours) == ("weather.csv", False, 2)


def test_old_line_ends_and_latin_letters(tmp_path):
    path = tmp_path / "w.csv"
    path.write_bytes("time,temp_c,rh_pct,Düse\r2026-01-05,1,80,1\r2026-01-05T01,2,80,1\x1a".encode("latin-1"))
    assert [point.temp_c for point in load_weather(path).points] == [1.0, 2.0]


def test_offsets_may_change_with_daylight_saving(tmp_path):
    text = f"{HEADER}\n2026-10-25T02:30+02:00,1,80\n2026-10-25T02:30+01:00,2,80\n"
    weather = load_weather(written(tmp_path, text))
    assert weather.times_s == (0.0, 3600.0)


def test_six_hours_missing_are_bridged_and_counted(tmp_path):
    cells = ["0,80", ",80", "nan,80", "1,", ",", "NA,80", ",", "7,80", "8,80"]
    weather = load_weather(written(tmp_path, hourly(cells)))
    assert weather.gaps_filled == 1
    # a straight line from 0 °C at 0 h to 7 °C at 7 h
    assert weather.at(3.0 * 3600).temp_c == pytest.approx(3.0)
    rows = hourly(cells).split("\n")
    same = load_weather(written(tmp_path, "\n".join(rows[:2] + rows[8:])))
    assert same.gaps_filled == 1
    assert same.at(3.0 * 3600).temp_c == pytest.approx(3.0)


def test_seven_hours_missing_are_an_error(tmp_path):
    text = hourly(["0,80", *[","] * 7, "8,80"])
    assert "weather.csv:2: after this row 7 h are missing; at most 6 h is bridged" in refusal(
        written(tmp_path, text)
    )


def test_a_gap_over_the_seam_counts_from_the_end_to_the_next_beginning(tmp_path):
    cells = [",", ",", *["1,80"] * 6, ","]
    weather = load_weather(written(tmp_path, hourly(cells)))
    assert (weather.hours, weather.gaps_filled) == (9, 1)
    assert weather.at(0.0).temp_c == 1.0
    cells = [*[","] * 4, "1,80", "1,80", *[","] * 3]
    assert ":7: after this row 7 h are missing" in refusal(written(tmp_path, hourly(cells)))


def test_missing_pressure_is_taken_from_its_neighbours_however_long(tmp_path):
    cells = ["1,80,", "1,80,100000", *["1,80,"] * 9, "1,80,101000", "1,80,"]
    weather = load_weather(written(tmp_path, hourly(cells, HEADER + ",pressure_pa")))
    pressures = [point.pressure_pa for point in weather.points]
    assert pressures[0] == pressures[1] == 100000.0
    assert pressures[6] == pytest.approx(100500.0)
    assert pressures[12] == 101000.0
    assert weather.gaps_filled == 0


BAD = {
    "": ":1: the file is empty",
    "\n \n": ":1: the file is empty",
    ",,\n,,\n": ":1: the file is empty",
    HEADER: ":1: 0 rows of weather; two are needed",
    "time,rh_pct\n": ":1: column temp_c is missing; found: time, rh_pct",
    "time,temp_c\n": ":1: column dew_point_c or rh_pct is missing",
    "temp_c,rh_pct\n": ":1: column time is missing",
    "time;temp_c;rh_pct\n": ":1: column time is missing",
    "time,temp_c,temp_c,rh_pct\n": ":1: column temp_c stands there twice",
    HEADER + ",pressure_hpa\n": "pressure is read in Pa only",
    hourly(["1,80", "2,80,9"]): ":3: 4 values; the header names 3 columns",
    hourly(["1,80", "1,5,80"]): ":3: 4 values",
    hourly(["1,80", "warm,80"]): ":3: temp_c is 'warm'; a number is needed",
    hourly(["1,80", "inf,80"]): ":3: temp_c is 'inf'; a number",
    hourly(["1,80", "1_0,80"]): ":3: temp_c is '1_0'",
    hourly(["1,80", "60.5,80"]): ":3: temperature in °C is 60.5; -90 to 60 is allowed",
    hourly(["1,80", "-90.5,80"]): ":3: temperature in °C is -90.5",
    hourly(["1,100.5", "1,80"]): ":2: RH in % is 100.5; 0 to 100 is allowed",
    hourly(["1,80", "1,-1"]): ":3: RH in % is -1",
    hourly(
        ["1,80,1013", "1,80,1013"], HEADER + ",pressure_pa"
    ): ":2: pressure in Pa is 1013; 31000 to 120000",
    hourly(["1,1.9", "1,2.1"], "time,temp_c,dew_point_c"): ":3: dew point 2.1 °C is above the air's 1 °C",
    f"{HEADER}\nyesterday,1,80\n": ":2: time is 'yesterday'; an ISO time such as",
    f"{HEADER}\n2026-02-30,1,80\n": ":2: time is '2026-02-30'",
    f"{HEADER}\n2026-01-05T01,1,80\n2026-01-05T00,1,80\n": ":3: time 2026-01-05 00:00:00 is not later",
    f"{HEADER}\n2026-01-05T01,1,80\n2026-01-05T01,1,80\n": ":3: time",
    f"{HEADER}\n2026-01-05T00,1,80\n2026-01-05T01Z,1,80\n": ":3: some times have a UTC offset",
    f"{HEADER}\n0001-01-05T00,1,80\n0001-01-05T01,1,80\n": ":2: year is 1;",
    f"{HEADER}\n2026-01-05,1,80\n2026-01-06,1,80\n": ":3: rows are 24 h apart; at most 6 h",
    hourly([",80", "1,"]): ":2: no row has both",
    HEADER + '\n"' + "x" * 200000 + '",1,2\n': "not CSV",
}


@pytest.mark.parametrize("text", BAD, ids=range(len(BAD)))
def test_every_refusal_names_file_and_line_and_what_is_allowed(tmp_path, text):
    path = written(tmp_path, text)
    words = refusal(path)
    assert words.startswith(f"{path}:")
    assert BAD[text] in words


def test_dew_point_a_little_above_the_air_is_taken_as_saturated(tmp_path):
    text = hourly(["10,10.9"] * 2, "time,temp_c,dew_point_c")
    point = load_weather(written(tmp_path, text)).at(0.0)
    assert point.humidity_ratio == pytest.approx(humidity_ratio(10.0, 100.0), rel=1e-12)


@pytest.mark.parametrize(
    "content", [b"\x00" * 100, b"SQLite format 3\x00", "time".encode("utf-16"), b"\x1f\x8b\x08"]
)
def test_a_binary_file_is_named_as_such(tmp_path, content):
    path = tmp_path / "w.csv"
    path.write_bytes(b"time,temp_c\n" + content)
    assert f"{path}:2: byte 0x" in refusal(path)
    assert "not a text file" in refusal(path)


def test_no_file_a_directory_a_pipe_an_impossible_path(tmp_path):
    assert "there is no such file" in refusal(tmp_path / "none.csv")
    assert "is a directory" in refusal(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    assert "is not a plain file" in refusal(tmp_path / "pipe")
    assert "cannot be" in refusal("nul\0byte")
    assert "cannot be read" in refusal("x" * 5000)
    assert "cannot be read" in refusal(written(tmp_path, "") / "below.csv")


def test_no_permission(tmp_path, monkeypatch):
    def refused(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    assert "may not read it" in refusal(written_by_os(tmp_path))


def written_by_os(folder):
    path = folder / "locked.csv"
    path.touch()
    return path


def test_too_big_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "big.csv"
    with path.open("wb") as file:
        file.truncate(64 * 1024 * 1024 + 1)  # sparse
    assert "at most 67108864 are read" in refusal(path)
    # one that grows between the look and the reading
    monkeypatch.setattr(weather_files, "LARGEST_BYTES", 10)
    with pytest.raises(DataFileError, match="grew past"):
        weather_files._text(path, b"x" * 11)


GOOD = hourly(
    [f"{hour % 9},{hour % 7},{50 + hour},100000" for hour in range(12)],
    "time,temp_c,dew_point_c,rh_pct,pressure_pa",
).replace("dew", "xdew")


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
    for time_s in (0.0, weather.period_s / 3.0, weather.period_s * 1.7):
        temp_c, ratio, pressure_pa = weather.at(time_s)
        assert -90.0 <= temp_c <= 60.0
        assert 0.0 <= ratio < 2.0
        assert 30999.0 <= pressure_pa <= 120001.0


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz") / "w.csv"


@given(st.binary(max_size=300), st.booleans())
@settings(deadline=None, database=None, max_examples=60)
def test_random_bytes_make_weather_or_a_refusal(scratch, content, under_a_header):
    scratch.write_bytes((HEADER + "\n").encode() + content if under_a_header else content)
    weather_or_refusal(scratch)


SPLICE = st.one_of(
    st.sampled_from(
        ["", ",", '"', "\n", "-", "9" * 400, "1e308", "nan", "+14:00", "\r", "é", "0", "24", ";"]
    ),
    st.text('0123456789-+.:TZe,"\n #é\u2212', max_size=6),
)


@given(st.lists(st.tuples(st.integers(0, len(GOOD)), st.integers(0, 5), SPLICE), min_size=1, max_size=4))
@settings(deadline=None, database=None, max_examples=120)
def test_a_good_file_with_damage_makes_weather_or_a_refusal(scratch, damage):
    text = GOOD
    for place, lost, put in damage:
        text = text[:place] + put + text[place + lost :]
    scratch.write_bytes(text.encode("utf-8", "replace"))
    weather_or_refusal(scratch)
