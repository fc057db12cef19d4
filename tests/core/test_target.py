"""TARGET: day, night, ramps and the keeper's raise, by the local time alone."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from controller.core.target import TargetLimits, wanted

LIMITS = TargetLimits(
    day_rh_pct=65,
    night_rh_pct=70,
    day_starts=time(7, 30),
    night_starts=time(21, 0),
    ramp_minutes=45,
    band_low_rh_pct=60,
    band_high_rh_pct=78,
)
STEP = TargetLimits(**LIMITS.model_dump() | {"ramp_minutes": 0})


def at(hour: int, minute: int = 0, second: int = 0) -> datetime:
    return datetime(2026, 1, 10, hour, minute, second, tzinfo=UTC)


@pytest.mark.parametrize(
    ("wall", "rh_pct", "is_day"),
    [
        (at(3), 70.0, False),
        (at(7, 29, 59), 70.0, False),
        (at(7, 30), 70.0, True),
        (at(7, 52, 30), 67.5, True),
        (at(8, 15), 65.0, True),
        (at(14), 65.0, True),
        (at(20, 59, 59), 65.0, True),
        (at(21), 65.0, False),
        (at(21, 22, 30), 67.5, False),
        (at(21, 45), 70.0, False),
    ],
)
def test_the_day(wall: datetime, rh_pct: float, is_day: bool) -> None:
    target = wanted(wall, 0.0, 76.0, LIMITS)
    assert target.rh_pct == pytest.approx(rh_pct)
    assert target.is_day is is_day


def test_without_a_ramp_it_steps() -> None:
    assert wanted(at(7, 29, 59), 0.0, 76.0, STEP).rh_pct == 70.0
    assert wanted(at(7, 30), 0.0, 76.0, STEP).rh_pct == 65.0
    assert wanted(at(21), 0.0, 76.0, STEP).rh_pct == 70.0


def test_a_day_may_span_midnight() -> None:
    limits = TargetLimits(
        **LIMITS.model_dump() | {"day_starts": time(18), "night_starts": time(6), "ramp_minutes": 0}
    )
    assert wanted(at(23), 0.0, 76.0, limits) == (65.0, True)
    assert wanted(at(0), 0.0, 76.0, limits) == (65.0, True)
    assert wanted(at(12), 0.0, 76.0, limits) == (70.0, False)


def test_a_raise_is_added_and_stays_under_the_ceiling() -> None:
    assert wanted(at(14), 5.0, 76.0, LIMITS).rh_pct == 70.0
    assert wanted(at(14), 40.0, 76.0, LIMITS).rh_pct == 76.0


@given(
    start=st.integers(0, 86399),
    night_after=st.integers(3600, 86400 - 3600),
    ramp_minutes=st.integers(1, 60),
    second=st.integers(0, 86399),
    day=st.floats(60, 78),
    night=st.floats(60, 78),
)
def test_ramps_never_jump_and_never_leave_the_two_setpoints(
    start: int, night_after: int, ramp_minutes: int, second: int, day: float, night: float
) -> None:
    midnight = at(0)
    limits = TargetLimits(
        day_rh_pct=day,
        night_rh_pct=night,
        day_starts=(midnight + timedelta(seconds=start)).time(),
        night_starts=(midnight + timedelta(seconds=start + night_after)).time(),
        ramp_minutes=ramp_minutes,
        band_low_rh_pct=60,
        band_high_rh_pct=78,
    )
    here = wanted(midnight + timedelta(seconds=second), 0.0, 100.0, limits).rh_pct
    then = wanted(midnight + timedelta(seconds=second + 1), 0.0, 100.0, limits).rh_pct
    assert abs(then - here) <= abs(day - night) / (ramp_minutes * 60) + 1e-9
    assert min(day, night) - 1e-9 <= here <= max(day, night) + 1e-9


def test_daylight_saving_moves_only_what_the_clock_says() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    night = datetime(2026, 3, 28, 22, 0, tzinfo=UTC)  # 23:00 CET; the hour from 2:00 does not exist
    seen = [wanted((night + timedelta(minutes=m)).astimezone(berlin), 0, 76, LIMITS) for m in range(12 * 60)]
    assert [target.is_day for target in seen].index(True) == 7 * 60 + 30  # 5:30 UTC is 7:30 CEST


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"band_low_rh_pct": 70, "band_high_rh_pct": 70}, "not below its high edge"),
        ({"day_rh_pct": 59.9}, "day_rh_pct 59.9 lies outside"),
        ({"night_rh_pct": 79}, "night_rh_pct 79 lies outside"),
        ({"day_starts": time(8), "night_starts": time(8)}, "same time"),
        ({"day_starts": time(8), "night_starts": time(8, 30)}, "longer than the shorter"),
        ({"ramp_minutes": float("nan")}, "finite"),
        ({"ramp_minutes": -1}, "greater than or equal"),
        ({"ramp_minutes": True}, "not values here"),
        ({"ramp": 10}, "Extra inputs"),
    ],
)
def test_settings_that_cannot_hold_are_refused(figures: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        TargetLimits(**LIMITS.model_dump() | figures)
