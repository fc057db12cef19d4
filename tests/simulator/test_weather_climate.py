import math
from datetime import UTC, datetime
from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from controller.core.air import humidity_ratio_from_dew_point
from controller.errors import SettingsError
from controller.simulator import climate as climate_module
from controller.simulator.climate import CLIMATES, DEFAULT_CLIMATE, make_weather

WINTER = datetime(2026, 1, 5, tzinfo=UTC)
SUMMER = datetime(2026, 7, 6, tzinfo=UTC)
FORTNIGHT_H = 14 * 24


def daily_means_c(weather):
    temps_c = [point.temp_c for point in weather.points]
    return [fmean(temps_c[hour : hour + 24]) for hour in range(0, len(temps_c), 24)]


def test_the_wanted_climates_are_there():
    assert {"continental-winter", "mild-maritime", "hot-humid", "high-altitude"} <= set(CLIMATES)
    assert DEFAULT_CLIMATE in CLIMATES


@pytest.mark.parametrize("name", CLIMATES)
def test_it_says_that_it_is_invented_and_its_dew_point_never_exceeds_the_air(name):
    weather = make_weather(name, 7, WINTER, 1000)
    assert weather.invented
    assert "invented" in weather.name
    assert (weather.start, weather.hours, len(weather.points)) == (WINTER, 1000, 1000)
    for point in weather.points:
        saturated = humidity_ratio_from_dew_point(point.temp_c, point.pressure_pa)
        assert 0.0 < point.humidity_ratio <= saturated


@pytest.mark.parametrize("name", CLIMATES)
def test_a_seed_names_its_rows(name):
    one, same, other = (make_weather(name, seed, WINTER, 72).points for seed in (3, 3, 4))
    assert one == same
    assert one != other
    # a longer series begins like a shorter one
    assert make_weather(name, 3, WINTER, 200).points[:72] == one


def test_only_the_draw_that_python_promises_is_used(monkeypatch):
    # Python promises the sequence of random() for a seed, not that of its other methods
    class Bare:
        def __init__(self, seed):
            self.seeded = seed

        def random(self):
            return 0.5

    monkeypatch.setattr(climate_module, "Random", Bare)
    assert len(make_weather("mild-maritime", 1, WINTER, 10).points) == 10


def test_the_default_is_a_winter_of_the_asked_kind():
    # asked for: daily means of about -4 to +6 °C that drift; 20 seeds stand for many winters
    means_c = [
        mean_c
        for seed in range(20)
        for mean_c in daily_means_c(make_weather(DEFAULT_CLIMATE, seed, WINTER, FORTNIGHT_H))
    ]
    inside = sum(-4.0 <= mean_c <= 6.0 for mean_c in means_c)
    assert inside >= 0.9 * len(means_c)
    assert -9.0 < min(means_c) < -2.0
    assert 3.0 < max(means_c) < 11.0
    assert fmean(means_c) == pytest.approx(1.0, abs=1.5)


@pytest.mark.parametrize("name", CLIMATES)
def test_summer_is_warmer_and_afternoons_are_warmer(name):
    winter, summer = (make_weather(name, 1, start, FORTNIGHT_H) for start in (WINTER, SUMMER))
    assert fmean(daily_means_c(summer)) > fmean(daily_means_c(winter)) + 3.0
    temps_c = [point.temp_c for point in winter.points]
    # 15 h against 3 h: twice the half swing, less what fronts do in the fortnight
    assert fmean(temps_c[15::24]) - fmean(temps_c[3::24]) == pytest.approx(
        2.0 * CLIMATES[name].day_swing_c, abs=1.5
    )


def test_fronts_are_a_first_order_walk(monkeypatch):
    # closed form: standard deviation as given, correlation of neighbours exp(-1 h / 10 h) = 0.9048
    bare = CLIMATES["mild-maritime"]._replace(season_swing_c=0.0, day_swing_c=0.0, front_c=5.0, front_h=10.0)
    monkeypatch.setitem(CLIMATES, "bare", bare)
    temps_c = [point.temp_c for point in make_weather("bare", 11, WINTER, 2 * 8760).points]
    mean_c, spread_c = fmean(temps_c), pstdev(temps_c)
    together = fmean((a - mean_c) * (b - mean_c) for a, b in pairwise(temps_c)) / spread_c**2
    assert mean_c == pytest.approx(bare.year_mean_c, abs=0.75)
    assert spread_c == pytest.approx(5.0, rel=0.1)
    assert together == pytest.approx(math.exp(-0.1), abs=0.012)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(500, 95461), (1000, 89875), (4000, 61640)])
def test_altitude_thins_the_air(monkeypatch, altitude_m, pressure_pa):
    # ASHRAE HoF 2017 ch.1 Table 1, tolerance 1 Pa
    monkeypatch.setitem(CLIMATES, "up", CLIMATES["high-altitude"]._replace(altitude_m=altitude_m))
    assert make_weather("up", 1, WINTER, 1).points[0].pressure_pa == pytest.approx(pressure_pa, abs=1.0)


def test_what_cannot_be_made_is_refused_in_words():
    with pytest.raises(SettingsError, match=r"no climate 'moon'.*continental-winter.*hot-humid"):
        make_weather("moon", 1, WINTER, 24)
    with pytest.raises(SettingsError, match="not 0"):
        make_weather("hot-humid", 1, WINTER, 0)


def test_a_naive_start_serves_as_well():
    naive = make_weather("hot-humid", 1, WINTER.replace(tzinfo=None), 24)
    assert naive.points == make_weather("hot-humid", 1, WINTER, 24).points
