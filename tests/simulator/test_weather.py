import random
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.simulator.weather import Outdoor, Weather

A = Outdoor(0.0, 0.002, 100000.0)
B = Outdoor(10.0, 0.004, 101000.0)
C = Outdoor(-20.0, 0.001, 99000.0)


def test_points_are_met_and_between_them_lies_a_straight_line():
    weather = Weather.from_hourly([A, B, C], name="three")
    assert weather.at(0.0) == A
    assert weather.at(3600.0) == pytest.approx(B, rel=1e-12)
    # a quarter of the way, by hand
    assert weather.at(900.0) == pytest.approx((2.5, 0.0025, 100250.0), rel=1e-12)
    assert weather.at(5400.0) == pytest.approx((-5.0, 0.0025, 100000.0), rel=1e-12)


def test_the_series_repeats_and_a_line_joins_its_end_to_its_beginning():
    weather = Weather.from_hourly([A, B, C], name="three")
    assert weather.hours == 3
    assert weather.at(2.5 * 3600) == pytest.approx((-10.0, 0.0015, 99500.0), rel=1e-12)
    for lap in (1, 2, 1000):
        assert weather.at(lap * 3 * 3600 + 900.0) == pytest.approx((2.5, 0.0025, 100250.0), rel=1e-9)
    assert weather.at(-1800.0) == pytest.approx((-10.0, 0.0015, 99500.0), rel=1e-12)


def test_uneven_times_and_a_first_point_after_the_start():
    weather = Weather([100.0, 200.0, 1000.0], [A, B, C], period_s=1100.0, name="uneven")
    assert weather.at(150.0).temp_c == pytest.approx(5.0)
    assert weather.at(600.0).temp_c == pytest.approx(-5.0)
    # the seam runs from 1000 to 1200 = 100 of the next round, so the start is halfway
    assert weather.at(0.0).temp_c == pytest.approx(-10.0)
    assert weather.at(1100.0).temp_c == pytest.approx(-10.0)


@given(st.lists(st.floats(-1e8, 1e8), min_size=1, max_size=30), st.integers(1, 40))
@settings(deadline=None, database=None, max_examples=40)
def test_the_answer_depends_on_the_time_alone(times_s, count):
    def fresh():
        dice = random.Random(count)
        points = [
            Outdoor(dice.uniform(-30, 40), dice.uniform(0, 0.02), dice.uniform(9e4, 1e5))
            for _ in range(count)
        ]
        return Weather.from_hourly(points, name="dice")

    used = fresh()
    for time_s in times_s:
        assert used.at(time_s) == pytest.approx(fresh().at(time_s), rel=1e-6, abs=1e-6)
        low, high = min(p.temp_c for p in used.points), max(p.temp_c for p in used.points)
        assert low - 1e-9 <= used.at(time_s).temp_c <= high + 1e-9


def test_one_point_is_steady_weather():
    weather = Weather.from_hourly([B], name="steady")
    assert [weather.at(time_s) for time_s in (0.0, 1800.0, 1e7)] == [B, B, B]


def test_what_it_says_of_itself():
    start = datetime(2026, 1, 5, tzinfo=UTC)
    weather = Weather.from_hourly([A, B], name="two", start=start, invented=True)
    assert (weather.name, weather.start, weather.invented, weather.hours) == ("two", start, True, 2)
    assert (weather.times_s, weather.points, weather.gaps_filled) == ((0.0, 3600.0), (A, B), 0)


@pytest.mark.parametrize(
    ("times_s", "points", "period_s"),
    [
        ([], [], 10.0),
        ([0.0, 1.0], [A], 10.0),
        ([0.0, 0.0], [A, B], 10.0),
        ([5.0, 1.0], [A, B], 10.0),
        ([-1.0, 1.0], [A, B], 10.0),
        ([0.0, 10.0], [A, B], 10.0),
    ],
)
def test_a_series_that_makes_no_sense_is_refused(times_s, points, period_s):
    with pytest.raises(ValueError, match="weather"):
        Weather(times_s, points, period_s=period_s, name="bad")
