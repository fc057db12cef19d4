"""CEILING: the keeper's upper limit, and what a cold wall makes of the room's air."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.ceiling import CeilingLimits, SurfaceLimits, coldest_surface, holds
from tests.core.helpers import Rig, codes, quick

LIMITS = CeilingLimits(
    highest_rh_pct=80, probe_accuracy_rh_pct=2, clear_rh_pct=2
)  # 80 less 2: trips at 78, clears at 76


@pytest.mark.parametrize(
    ("held", "rh_pct", "answer"),
    [
        (False, 77.99, False),
        (False, 78.0, True),
        (True, 77.0, True),
        (True, 76.01, True),
        (True, 76.0, False),
        (False, nan, True),
        (True, nan, True),
        (False, inf, True),
    ],
)
def test_it_trips_high_and_clears_low(held: bool, rh_pct: float, answer: bool) -> None:
    assert holds(held, rh_pct, LIMITS) is answer


@given(accuracy=st.floats(0, 10), highest=st.floats(50, 100), rh=st.floats(0, 100), held=st.booleans())
def test_a_probe_reading_low_by_its_accuracy_never_hides_the_ceiling(
    accuracy: float, highest: float, rh: float, held: bool
) -> None:
    limits = CeilingLimits(highest_rh_pct=highest, probe_accuracy_rh_pct=accuracy)
    if rh + accuracy >= highest + 1e-9:
        assert holds(held, rh, limits)


def test_the_ceiling_ends_a_run_before_its_shortest_on() -> None:
    rig = Rig(quick(guards={"shortest_on_s": 600, "longest_run_minutes": 60}))
    rig.until(lambda d: d.relay_on, most_s=60)
    wet = [rig.step(79.0) for _ in range(5)]  # a jump: doubted at first, bridged
    assert codes(wet[-1])[0] == "ceiling"
    reason = wet[-1].reasons[0]
    assert (reason.limit, reason.clears_at) == (78.0, 76.0)
    assert reason.seen == pytest.approx(79.0, abs=0.02)
    assert not wet[-1].relay_on


def test_after_the_ceiling_it_waits_for_the_clear_band() -> None:
    rig = Rig(quick(target={"day_rh_pct": 77, "night_rh_pct": 77}, demand={"deadband_rh_pct": 0.5}))
    rig.run(100, 78.5)
    assert codes(rig.run(100, 76.5)[-1])[0] == "ceiling"
    assert "ceiling" not in codes(rig.run(100, 75.9)[-1])


def test_nothing_is_said_of_a_surface_nobody_knows() -> None:
    assert coldest_surface(24.0, 60.0, None, None, SurfaceLimits()) is None
    assert coldest_surface(24.0, 60.0, None, 0.0, SurfaceLimits()) is None  # no fRsi
    assert coldest_surface(24.0, 60.0, None, None, SurfaceLimits(frsi=0.7)) is None


@pytest.mark.parametrize("figure", [nan, inf, -inf, 1e9, -273.0])
def test_a_figure_that_is_no_walls_counts_as_not_known(figure: float) -> None:
    assert coldest_surface(24.0, 60.0, figure, None, SurfaceLimits()) is None
    assert coldest_surface(24.0, 60.0, None, figure, SurfaceLimits(frsi=0.7)) is None
    estimate = coldest_surface(24.0, 60.0, figure, 0.0, SurfaceLimits(frsi=0.7))
    assert estimate is not None
    assert not estimate.measured
    assert estimate.temp_c == pytest.approx(16.8)  # 0 + 0.7 x 24: the definition of fRsi


def test_a_measured_surface_comes_before_an_estimate() -> None:
    surface = coldest_surface(24.0, 60.0, 15.0, 0.0, SurfaceLimits(frsi=0.7))
    assert surface is not None
    assert surface.measured
    assert surface.temp_c == 15.0


def test_the_settings_winter_serves_when_nothing_measures_it() -> None:
    surface = coldest_surface(24.0, 60.0, None, None, SurfaceLimits(frsi=0.7, outdoor_c=-5.0))
    assert surface is not None
    assert surface.temp_c == pytest.approx(-5.0 + 0.7 * 29.0)


def test_a_surface_as_warm_as_the_room_has_the_rooms_humidity() -> None:
    surface = coldest_surface(24.0, 60.0, 24.0, None, SurfaceLimits())
    assert surface is not None
    assert surface.rh_pct == pytest.approx(60.0)
    assert surface.room_limit_rh_pct == pytest.approx(80.0)


def test_an_estimate_warns_and_a_measured_wall_at_its_dew_point_refuses() -> None:
    rig = Rig(quick(surface={"frsi": 0.7}))
    decisions = rig.run(3700, 60.0, outdoor_c=-10.0)
    assert decisions[-1].relay_on
    assert [notice.code for notice in decisions[-1].notices] == ["wall_estimate"]
    assert [notice.code for notice in decisions[100].notices] == []  # said after an hour, not at every gust
    # 24 °C 60 % has its dew point at 15.76 °C (ASHRAE relations): 15.9 is too near, 16.5 is not.
    wet = rig.step(60.0, surface_c=15.9)
    assert codes(wet) == ["dew"]
    assert wet.reasons[0].limit == pytest.approx(15.76, abs=0.02)
    assert [notice.code for notice in wet.notices] == ["wall_wet"]
    assert rig.step(60.0, surface_c=16.5).relay_on
