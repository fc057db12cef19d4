"""The simulated world: its clock and calendar, its weather's place in the year, heating, relay, end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.tank import TankLimits
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.world import World, weather_offset_s

STEADY = Weather.from_hourly([Outdoor(5.0, 0.004, 101325.0)], name="steady")


def world(zone: str = "UTC", weather: Weather = STEADY, **bench: Any) -> World:
    return World(BenchSettings(**bench), TankLimits(), weather, ZoneInfo(zone), 1)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


STARTS = [
    ("Europe/Berlin", "2026-03-28T12:00"),  # into summer time
    ("Europe/Berlin", "2026-10-24T12:00"),  # out of it
    ("Europe/Berlin", "2026-03-28T23:07:11"),
    ("America/St_Johns", "2026-03-07T20:00"),  # UTC-3:30
    ("Australia/Lord_Howe", "2026-04-04T20:00"),  # half an hour of summer time
    ("Asia/Kathmandu", "2026-01-01T00:00"),  # UTC+5:45
    ("Africa/Casablanca", "2026-02-14T12:00"),  # standard time in summer, Ramadan's the other way
]


@pytest.mark.parametrize("tick_s", [7.0, 30.0, 300.0])
@pytest.mark.parametrize(("zone", "starts"), STARTS)
def test_local_time_is_the_zone_s(zone: str, starts: str, tick_s: float) -> None:
    """Against datetime.fromtimestamp, at every tick over a day and a half."""
    it = world(zone, starts=at(starts), days=1.5)
    began_s = at(starts).replace(tzinfo=ZoneInfo(zone)).timestamp()
    while it.wait_until(it.mono_s + tick_s):
        if tick_s < 30.0 and it.mono_s % 210.0 > 0.1:  # every tick is waited for, every thirtieth looked at
            continue
        expected = datetime.fromtimestamp(began_s + it.mono_s, ZoneInfo(zone))
        seen = it.now().wall
        assert seen.replace(tzinfo=None) == expected.replace(tzinfo=None)
        assert seen.timestamp() == pytest.approx(began_s + it.mono_s, abs=1e-3)
    assert it.mono_s > 1.49 * 86400


@pytest.mark.parametrize("starts", ["2026-03-29T01:50", "2026-03-29T01:59:30", "2026-10-25T02:55"])
def test_local_time_is_right_when_the_change_comes_within_the_first_minutes(starts: str) -> None:
    berlin = ZoneInfo("Europe/Berlin")
    it = world("Europe/Berlin", starts=at(starts), days=0.1)
    began_s = at(starts).replace(tzinfo=berlin).timestamp()
    while it.wait_until(it.mono_s + 30.0):
        expected = datetime.fromtimestamp(began_s + it.mono_s, berlin)
        assert f"{it.now().wall:%H:%M:%S %z}" == f"{expected:%H:%M:%S %z}"


def test_elapsed_time_is_what_was_waited_for_and_the_end_is_the_end() -> None:
    it = world(days=0.25)
    assert it.now()[:2] == (0.0, datetime(2026, 1, 12, tzinfo=ZoneInfo("UTC")))
    assert it.now().wall_trusted
    assert it.wait_until(100.0)
    assert it.now().mono_s == 100.0
    assert it.wait_until(0.25 * 86400)
    assert not it.wait_until(0.25 * 86400 + 1)
    assert it.now().mono_s == 0.25 * 86400  # what lies past the end did not happen
    assert it.room.temp_c == pytest.approx(23.0, abs=0.01)


def test_the_heating_follows_local_time_to_the_minute() -> None:
    it = world(
        "Europe/Berlin", starts=at("2026-03-28T00:00"), days=3,
        room={"warm_from": "06:30", "cool_from": "22:15", "warm_temp_c": 26, "cool_temp_c": 21},
    )  # fmt: skip
    changes = []
    before = it.drive.hold_temp_c
    assert before == 21.0
    while it.wait_until(it.mono_s + 20.0):
        if it.drive.hold_temp_c != before:
            changes.append(f"{it.wall():%d %H:%M} {it.drive.hold_temp_c:g}")
            before = it.drive.hold_temp_c
    # by the calendar; the night of the 29th is an hour shorter and nothing shifts
    assert changes == [f"{day} {word}" for day in (28, 29, 30) for word in ("06:30 26", "22:15 21")]


def test_warm_hours_may_span_midnight() -> None:
    it = world(
        days=1, room={"warm_from": "20:00", "cool_from": "04:00", "warm_temp_c": 26, "cool_temp_c": 21}
    )
    held = {}
    while it.wait_until(it.mono_s + 60.0):
        held[it.wall().hour] = it.drive.hold_temp_c
    assert {hour for hour, temp in held.items() if temp == 26.0} == {20, 21, 22, 23, 0, 1, 2, 3}


def test_the_relay_drives_the_room_and_its_time_is_counted() -> None:
    it = world(days=1, humidifier={"output_l_per_h": 2.0}, keeper={"looks_in": []})
    assert it.relay.seen_on() is False
    it.relay.switch(True)
    it.relay.switch(True)
    for _ in range(180):
        it.wait_until(it.mono_s + 60.0)
    assert it.relay.switchings == 1
    # arithmetic: 4 L at 2 L/h are gone after 2 h of 3
    assert (it.on_s, it.room.tank_l) == (3 * 3600.0, 0.0)
    assert it.dry_s == pytest.approx(3600.0, abs=60.0)
    it.relay.close()
    it.wait_until(it.mono_s + 60.0)
    assert (it.relay.seen_on(), it.relay.switchings, it.on_s) == (False, 2, 3 * 3600.0)


def test_what_the_humidifier_gives_may_differ_from_its_plate() -> None:
    assert world().rate_l_per_h == 0.4  # 4 L in 10 h, as the tank's settings say
    assert world(humidifier={"output_l_per_h": 0.25}).rate_l_per_h == 0.25


def test_outdoor_air_is_the_weather_s_of_the_minute() -> None:
    points = [Outdoor(float(hour), 0.001 * hour, 100000.0) for hour in range(24)]
    weather = Weather.from_hourly(points, name="ramp", start=at("2026-01-01T00:00"))
    it = world(weather=weather, starts=at("2026-01-12T03:00"), days=0.8)
    while it.wait_until(it.mono_s + 20.0):
        # a straight line by hand: 3 °C at 03:00 and 1 K more each hour; a minute old at most
        exact = 3.0 + it.mono_s / 3600.0
        assert exact - 61.0 / 3600.0 <= it.outdoor.temp_c <= exact + 1e-9


YEAR = 365 * 86400.0


def yearly(start: datetime) -> Weather:
    return Weather([0.0, 3600.0], [STEADY.points[0]] * 2, period_s=YEAR, name="year", start=start)


@pytest.mark.parametrize(
    ("weather_start", "start", "hours"),
    [
        # naive: the same local hour of the same day of the file's year; by the calendar
        ("1990-01-01T01:00", "2026-01-01T01:00+01:00", (2026 - 1990) * 8760 + 9 * 24),  # 9 leap days between
        ("2026-01-01T01:00", "2026-01-12T00:00+01:00", 11 * 24 - 1),
        ("2026-01-01T01:00", "2026-01-01T00:00+01:00", -1),
        # with an offset: the same instant
        ("2026-01-01T00:00+00:00", "2026-01-12T00:00+01:00", 11 * 24 - 1),
    ],
)
def test_where_in_the_weather_a_rehearsal_begins(weather_start: str, start: str, hours: int) -> None:
    offset_s = weather_offset_s(yearly(at(weather_start)), at(start))
    assert 0.0 <= offset_s < YEAR
    assert offset_s == pytest.approx(hours * 3600.0 % YEAR)


@given(
    st.datetimes(datetime(1980, 1, 1), datetime(2040, 1, 1)),  # noqa: DTZ001
    st.datetimes(datetime(1980, 1, 1), datetime(2040, 1, 1)),  # noqa: DTZ001
)
def test_a_rehearsal_meets_the_season_it_starts_in(file_start: datetime, start: datetime) -> None:
    """Within the leap days that 60 years may gather (15), the same time of the year."""
    offset_s = weather_offset_s(yearly(file_start), start.replace(tzinfo=UTC))
    met = file_start + timedelta(seconds=offset_s)
    apart = (met.timetuple().tm_yday - start.timetuple().tm_yday) % 365
    assert min(apart, 365 - apart) <= 16
    assert (met.hour, met.minute) == (start.hour, start.minute)


def test_weather_without_a_calendar_begins_at_its_beginning() -> None:
    assert weather_offset_s(STEADY, datetime(2026, 7, 1, tzinfo=UTC)) == 0.0
