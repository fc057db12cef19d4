"""The simulated probe: lag, noise, steps, offset, seed."""

from __future__ import annotations

from itertools import pairwise
from math import erf, exp, sqrt
from statistics import fmean, stdev
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.sensor import SimulatedProbe
from controller.simulator.settings import BenchProbe

CLEAN = {"lag_s": 0, "noise_rh_pct": 0, "step_rh_pct": 0, "step_temp_c": 0, "offset_rh_pct": 0}


def probe(seed: int = 1, rh_pct: float = 40.0, temp_c: float = 20.0, **over: Any) -> SimulatedProbe:
    return SimulatedProbe(BenchProbe(**{**CLEAN, **over}), seed, rh_pct, temp_c)


def shown(by: SimulatedProbe) -> tuple[float, float]:
    """RH and temperature of one reading."""
    reading = by.read()
    assert reading.rh_pct is not None
    assert reading.temp_c is not None
    return reading.rh_pct, reading.temp_c


def test_a_clean_probe_shows_the_air() -> None:
    clean = probe()
    assert clean.read() == (40.0, 20.0, 0.0, "")
    clean.feel(1.0, 63.25, 24.5)
    assert clean.read() == (63.25, 24.5, 0.0, "")


@given(st.lists(st.floats(0.1, 300.0), min_size=1, max_size=30))
def test_the_lag_is_first_order_at_any_tick(ticks_s: list[float]) -> None:
    slow = probe(lag_s=20)
    for tick_s in ticks_s:
        slow.feel(tick_s, 60.0, 25.0)
    left = exp(-sum(ticks_s) / 20)
    # exact answer of d y/dt = (x - y)/lag; tolerance 1e-9
    assert shown(slow)[0] == pytest.approx(60 - 20 * left, rel=1e-9)
    assert shown(slow)[1] == pytest.approx(25 - 5 * left, rel=1e-9)


def test_after_one_lag_sixty_three_percent_of_the_way() -> None:
    slow = probe(lag_s=20)
    for _ in range(20):
        slow.feel(1.0, 60.0, 25.0)
    # 1 - 1/e = 0.63212, the definition of a time constant; tolerance 1e-5
    assert (shown(slow)[0] - 40) / 20 == pytest.approx(0.63212, abs=1e-5)


def test_it_shows_only_whole_steps() -> None:
    coarse = probe(step_rh_pct=0.5, step_temp_c=0.25)
    figures = []
    for k in range(2000):
        rh, temp = 40 + 0.0137 * k, 20 + 0.0031 * k
        coarse.feel(1.0, rh, temp)
        seen_rh, seen_temp = shown(coarse)
        assert abs(seen_rh - rh) <= 0.25 + 1e-9
        assert abs(seen_temp - temp) <= 0.125 + 1e-9
        assert seen_rh / 0.5 == pytest.approx(round(seen_rh / 0.5), abs=1e-9)
        assert seen_temp / 0.25 == pytest.approx(round(seen_temp / 0.25), abs=1e-9)
        figures.append(seen_rh)
    steps = {round(b - a, 9) for a, b in pairwise(figures)}
    assert steps == {0.0, 0.5}


def test_noise_has_the_spread_that_is_set() -> None:
    noisy = probe(seed=5, noise_rh_pct=0.8)
    seen = [shown(noisy)[0] for _ in range(8000)]
    # standard error of a standard deviation is s / sqrt(2 n), of a mean s / sqrt(n); four of them
    assert stdev(seen) == pytest.approx(0.8, abs=4 * 0.8 / sqrt(16000))
    assert fmean(seen) == pytest.approx(40.0, abs=4 * 0.8 / sqrt(8000))
    for sigmas in (0.5, 1.0, 2.0):
        share = fmean(abs(value - 40) < 0.8 * sigmas for value in seen)
        normal = erf(sigmas / sqrt(2))  # the normal distribution; four standard errors of a share
        assert share == pytest.approx(normal, abs=4 * sqrt(normal * (1 - normal) / 8000))
    # one sample says nothing of the next: serial correlation below four standard errors, 1/sqrt(n)
    off = [value - 40 for value in seen]
    assert abs(sum(a * b for a, b in pairwise(off)) / sum(a * a for a in off)) < 4 / sqrt(8000)


def test_noise_does_not_touch_what_the_element_feels() -> None:
    noisy, clean = probe(lag_s=20, noise_rh_pct=2, seed=3), probe(lag_s=20)
    for _ in range(50):
        noisy.feel(5.0, 55.0, 22.0)
        clean.feel(5.0, 55.0, 22.0)
        noisy.read()
    many = fmean(shown(noisy)[0] for _ in range(4000))
    assert many == pytest.approx(shown(clean)[0], abs=4 * 2 / sqrt(4000))
    assert shown(noisy)[1] == shown(clean)[1]


def test_the_offset_is_added_and_the_scale_ends_at_its_ends() -> None:
    high = probe(rh_pct=97.0, offset_rh_pct=5)
    assert shown(high)[0] == 100.0
    low = probe(rh_pct=3.0, offset_rh_pct=-5)
    assert shown(low)[0] == 0.0
    assert shown(probe(rh_pct=50.0, offset_rh_pct=-5))[0] == 45.0


def test_the_seed_decides_every_figure() -> None:
    def course(seed: int) -> list[float]:
        noisy = probe(seed, noise_rh_pct=0.3, step_rh_pct=0.1, lag_s=10)
        seen = []
        for k in range(300):
            noisy.feel(10.0, 50 + k % 7, 21.0)
            seen.append(shown(noisy)[0])
        return seen

    assert course(7) == course(7)
    assert course(7) != course(8)
