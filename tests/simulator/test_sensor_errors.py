"""The probe's rarer errors, each by itself, and that none leaves a trace while it is off."""

from __future__ import annotations

from itertools import pairwise
from math import exp, sqrt
from random import Random
from statistics import fmean, stdev
from typing import Any
from zoneinfo import ZoneInfo

import CoolProp.CoolProp as CoolProp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.records import Reading
from controller.core.tank import TankLimits
from controller.simulator.sensor import BenchProbe, SimulatedProbe
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.world import World

CLEAN = {"lag_s": 0, "noise_rh_pct": 0, "step_rh_pct": 0, "step_temp_c": 0, "offset_rh_pct": 0}
DAY_S = 86400.0


def probe(seed: int = 1, rh_pct: float = 40.0, temp_c: float = 20.0, **over: Any) -> SimulatedProbe:
    return SimulatedProbe(BenchProbe(**{**CLEAN, **over}), seed, rh_pct, temp_c)


def shown(by: SimulatedProbe) -> tuple[float, float]:
    reading = by.read()
    assert reading.rh_pct is not None
    assert reading.temp_c is not None
    return reading.rh_pct, reading.temp_c


# -- as it was before there were rare errors ---------------------------------------------------------


class Plain:
    """The probe as it was when it had lag, noise, steps and an offset and nothing else."""

    def __init__(self, settings: BenchProbe, seed: int, rh_pct: float, temp_c: float) -> None:
        self._settings, self._random = settings, Random(seed)
        self._rh_pct, self._temp_c, self._dt_s, self._follow = rh_pct, temp_c, -1.0, 1.0

    def feel(self, dt_s: float, rh_pct: float, temp_c: float) -> None:
        if dt_s != self._dt_s:
            lag_s = self._settings.lag_s
            self._dt_s, self._follow = dt_s, 1.0 - exp(-dt_s / lag_s) if lag_s > 0.0 else 1.0
        self._rh_pct += self._follow * (rh_pct - self._rh_pct)
        self._temp_c += self._follow * (temp_c - self._temp_c)

    def read(self) -> Reading:
        settings = self._settings
        rh, temp = self._rh_pct + settings.offset_rh_pct, self._temp_c
        if settings.noise_rh_pct:
            rh += self._random.gauss(0.0, settings.noise_rh_pct)
        if settings.step_rh_pct:
            rh = round(rh / settings.step_rh_pct) * settings.step_rh_pct
        if settings.step_temp_c:
            temp = round(temp / settings.step_temp_c) * settings.step_temp_c
        return Reading(0.0 if rh < 0.0 else 100.0 if rh > 100.0 else rh, temp)


ALL_OFF = {
    "temp_lag_s": None, "noise_temp_c": 0, "sample_every_s": 0, "rh_gain": 1, "drift_rh_pct_per_day": 0,
    "creep_rh_pct": 0, "creep_days": 0.1, "self_heating_k": 0, "plume_rh_pct": 0,
}  # fmt: skip

AIR = st.tuples(st.floats(0.1, 400.0), st.floats(0.0, 100.0), st.floats(-20.0, 45.0), st.booleans())


@given(
    st.lists(AIR, min_size=1, max_size=60),
    st.integers(0, 9),
    st.fixed_dictionaries(
        {
            "lag_s": st.sampled_from([0, 20, 300]),
            "noise_rh_pct": st.sampled_from([0, 0.15, 3]),
            "step_rh_pct": st.sampled_from([0, 0.1, 1]),
            "step_temp_c": st.sampled_from([0, 0.1]),
            "offset_rh_pct": st.sampled_from([0, -4, 7.5]),
        }
    ),
)
def test_with_everything_off_not_a_bit_has_changed(
    airs: list[tuple[float, float, float, bool]], seed: int, settings: dict[str, Any]
) -> None:
    plain = Plain(BenchProbe(**settings), seed, 50.0, 22.0)
    now = SimulatedProbe(BenchProbe(**settings), seed, 50.0, 22.0)
    zeros = SimulatedProbe(BenchProbe(**settings, **ALL_OFF), seed, 50.0, 22.0)
    for dt_s, rh_pct, temp_c, misting in airs:
        plain.feel(dt_s, rh_pct, temp_c)
        expected = plain.read()
        for it in (now, zeros):
            it.feel(dt_s, rh_pct, temp_c, misting)
            assert it.read() == expected


ERRORS: list[dict[str, Any]] = [
    {"temp_lag_s": 200},
    {"noise_temp_c": 0.3},
    {"sample_every_s": 45},
    {"offset_rh_pct": 1},
    {"rh_gain": 1.02},
    {"drift_rh_pct_per_day": 1},
    {"creep_rh_pct": 4},
    {"self_heating_k": 0.5},
    {"plume_rh_pct": 10},
]


def course(**settings: Any) -> list[Reading]:
    """Two damp, misty days at half-minute ticks, with the everyday errors."""
    it = SimulatedProbe(BenchProbe(**settings), 3, 60.0, 22.0)
    seen = []
    for k in range(5760):
        it.feel(30.0, 70 + k % 97 / 4, 22 + k % 53 / 40, k % 40 < 10)
        seen.append(it.read())
    return seen


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: next(iter(error)))
def test_each_error_leaves_its_trace(error: dict[str, Any]) -> None:
    assert course(**error) != course()


@pytest.mark.parametrize(
    "switched_on", [{"rh_gain": 1.0000001}, {"noise_temp_c": 1e-9}, {"creep_rh_pct": 1e-9}]
)
def test_the_way_of_the_rare_errors_is_the_plain_one_when_they_are_next_to_nothing(
    switched_on: dict[str, Any],
) -> None:
    """The same random draws in the same order, whichever way the figures take through the code."""
    fine = {"step_rh_pct": 0, "step_temp_c": 0}
    for rare, plain in zip(course(**fine, **switched_on), course(**fine), strict=True):
        assert rare.rh_pct == pytest.approx(plain.rh_pct, abs=2e-5)
        assert rare.temp_c == pytest.approx(plain.temp_c, abs=1e-7)


# -- lag, noise, sampling ----------------------------------------------------------------------------


@given(st.lists(st.floats(0.1, 300.0), min_size=1, max_size=30))
def test_the_thermometer_may_have_a_lag_of_its_own(ticks_s: list[float]) -> None:
    it = probe(lag_s=20, temp_lag_s=150)
    for tick_s in ticks_s:
        it.feel(tick_s, 60.0, 25.0)
    # exact answers of d y/dt = (x - y)/lag; tolerance 1e-9
    assert shown(it)[0] == pytest.approx(60 - 20 * exp(-sum(ticks_s) / 20), rel=1e-9)
    assert shown(it)[1] == pytest.approx(25 - 5 * exp(-sum(ticks_s) / 150), rel=1e-9)


def test_noise_in_temperature_has_its_spread_and_leaves_that_in_rh_alone() -> None:
    both, one = probe(5, noise_rh_pct=0.8, noise_temp_c=0.3), probe(5, noise_rh_pct=0.8)
    rows = [(shown(both), shown(one)) for _ in range(6000)]
    temps = [seen[1] for seen, _ in rows]
    # four standard errors: s / sqrt(2 n) of a standard deviation, s / sqrt(n) of a mean
    assert stdev(temps) == pytest.approx(0.3, abs=4 * 0.3 / sqrt(12000))
    assert fmean(temps) == pytest.approx(20.0, abs=4 * 0.3 / sqrt(6000))
    assert [seen[0] for seen, _ in rows] == [seen[0] for _, seen in rows]
    shared = fmean((temp - 20) * (seen[0] - 40) for temp, (seen, _) in zip(temps, rows, strict=True))
    assert abs(shared) < 4 * 0.3 * 0.8 / sqrt(6000)  # the one says nothing of the other


def test_between_two_samples_it_shows_the_same_figure_growing_old() -> None:
    it = probe(sample_every_s=25, noise_rh_pct=0.5)
    rows = []
    for k in range(30):
        rows.append(it.read())
        it.feel(10.0, 40.0 + k, 20.0)
    # by hand: due at 0, 25, 50, 75, 100 ... s, so renewed at ticks 0, 30, 50, 80, 100 s ...
    ages = [0, 10, 20, 0, 10, 0, 10, 20, 0, 10] * 3
    assert [row.age_s for row in rows] == pytest.approx(ages)
    for before, after in pairwise(rows):
        if after.age_s > 0.0:
            assert (after.rh_pct, after.temp_c) == (before.rh_pct, before.temp_c)
        else:
            assert after.rh_pct != before.rh_pct


def test_reading_twice_at_once_gives_one_sample() -> None:
    it = probe(sample_every_s=10, noise_rh_pct=0.5)
    first = it.read()
    assert it.read() == first
    it.feel(10.0, 40.0, 20.0)
    assert it.read() != first
    always = probe(noise_rh_pct=0.5, rh_gain=1.01)
    assert always.read() != always.read()


# -- gain, drift, creep ------------------------------------------------------------------------------


@pytest.mark.parametrize(("rh_pct", "reads"), [(0.0, 2.0), (50.0, 57.0), (80.0, 90.0), (95.0, 100.0)])
def test_gain_and_offset_are_a_straight_line_up_to_the_end_of_the_scale(rh_pct: float, reads: float) -> None:
    # by hand: 1.1 x RH + 2
    assert shown(probe(rh_pct=rh_pct, rh_gain=1.1, offset_rh_pct=2))[0] == pytest.approx(reads, rel=1e-12)


@pytest.mark.parametrize("tick_s", [30.0, 3600.0, DAY_S])
@pytest.mark.parametrize("slope", [-0.5, 0.25])
def test_drift_grows_in_a_straight_line(tick_s: float, slope: float) -> None:
    it = probe(drift_rh_pct_per_day=slope)
    for _ in range(round(4 * DAY_S / tick_s)):
        it.feel(tick_s, 40.0, 20.0)
    # by hand: four days
    assert shown(it)[0] == pytest.approx(40.0 + 4 * slope, rel=1e-9)


@pytest.mark.parametrize("tick_s", [60.0, 7200.0])
@pytest.mark.parametrize("largest", [6.0, -3.0])
def test_creep_comes_with_days_of_damp_and_goes_with_days_below(tick_s: float, largest: float) -> None:
    it = probe(rh_pct=85.0, creep_rh_pct=largest, creep_days=2)

    def after(days: float, rh_pct: float) -> float:
        for _ in range(round(days * DAY_S / tick_s)):
            it.feel(tick_s, rh_pct, 20.0)
        return shown(it)[0] - rh_pct

    # exact answers of a first-order store of two days; that law is invented
    built = largest * (1 - exp(-3 / 2))
    assert after(3, 85.0) == pytest.approx(built, rel=1e-6)
    assert after(1, 60.0) == pytest.approx(built * exp(-1 / 2), rel=1e-6)
    assert after(60, 60.0) == pytest.approx(0.0, abs=1e-6)
    assert after(10, 79.9) == pytest.approx(0.0, abs=1e-6)


def test_creep_obeys_the_true_air_not_the_plume_or_the_figure() -> None:
    it = probe(rh_pct=75.0, creep_rh_pct=5, plume_rh_pct=20, offset_rh_pct=10)
    for _ in range(1000):
        it.feel(600.0, 75.0, 20.0, True)
    for _ in range(10):
        it.feel(60.0, 75.0, 20.0, False)
    assert shown(it)[0] == pytest.approx(85.0, abs=0.01)


# -- its own warmth ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "reads"),
    # constant vapour pressure over the saturation pressure 1 K higher (IAPWS), tolerance 0.02 %RH
    [(24.0, 60.0, 56.51), (20.0, 60.0, 56.41), (24.0, 80.0, 75.35), (24.0, 70.0, 65.93)],
)
def test_a_probe_one_degree_warmer_reads_too_dry(temp_c: float, rh_pct: float, reads: float) -> None:
    by_coolprop = rh_pct * saturation(temp_c) / saturation(temp_c + 1)
    assert reads == pytest.approx(by_coolprop, abs=0.006)
    from_the_start = probe(rh_pct=rh_pct, temp_c=temp_c, self_heating_k=1)
    assert shown(from_the_start) == pytest.approx((reads, temp_c + 1), abs=0.02)
    later = probe(rh_pct=30, temp_c=15, self_heating_k=1)
    later.feel(10.0, rh_pct, temp_c)
    assert shown(later) == pytest.approx((reads, temp_c + 1), abs=0.02)


def saturation(temp_c: float) -> float:
    return float(CoolProp.PropsSI("P", "T", temp_c + 273.15, "Q", 0, "Water"))


# -- plume -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tick_s", [0.5, 2.0, 10.0])
def test_a_plume_is_seen_within_seconds_and_gone_as_soon(tick_s: float) -> None:
    it = probe(rh_pct=50.0, plume_rh_pct=20)

    def after(seconds: float, misting: bool) -> float:
        for _ in range(round(seconds / tick_s)):
            it.feel(tick_s, 50.0, 20.0, misting)
        return shown(it)[0] - 50.0

    # exact answers of a first-order store of ten seconds (common practice, no source)
    assert after(10, True) == pytest.approx(20 * (1 - exp(-1)), rel=1e-9)
    assert after(50, True) == pytest.approx(20 * (1 - exp(-6)), rel=1e-9)
    assert after(20, False) == pytest.approx(20 * (1 - exp(-6)) * exp(-2), rel=1e-9)
    assert after(200, False) == pytest.approx(0.0, abs=1e-6)


def test_in_a_plume_the_air_is_no_more_than_saturated() -> None:
    it = probe(rh_pct=90.0, plume_rh_pct=40, rh_gain=0.9)
    for _ in range(20):
        it.feel(30.0, 90.0, 20.0, True)
    assert shown(it)[0] == pytest.approx(90.0, rel=1e-9)  # by hand: 0.9 x 100, not 0.9 x 130


def test_the_world_says_when_mist_leaves_the_humidifier() -> None:
    clean = {"noise_rh_pct": 0, "lag_s": 0, "step_rh_pct": 0}
    bench = BenchSettings(
        days=1, probe={**clean, "plume_rh_pct": 15}, humidifier={"mist_delay_s": 600}, keeper={"looks_in": []}
    )
    weather = Weather.from_hourly([Outdoor(5.0, 0.004, 101325.0)], name="steady")
    it = World(bench, TankLimits(tank_l=0.4, output_l_per_h=2.0), weather, ZoneInfo("UTC"), 1)
    seen = []
    for minute in range(20):
        it.relay.switch(minute >= 4)
        it.wait_until(it.mono_s + 60.0)
        seen.append(shown(it.probe)[0] - it.room.rh_pct)
    # by hand: on from 4 min, 0.4 L at 2 L/h are gone after 12 min; e^-6 of the way is left after a minute
    assert seen[:4] == pytest.approx([0.0] * 4, abs=1e-9)
    assert seen[4:15] == pytest.approx([15.0] * 11, abs=0.1)
    assert seen[17:] == pytest.approx([0.0] * 3, abs=0.1)
