"""REFILL: the reckoning of a time from hours of running, by arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import inf, nan
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.records import Water
from controller.core.refill import FURTHEST_S, Outlook, empty_words, outlook
from tests.core.helpers import DAY_S, HOUR_S, NOON

T = 10 * DAY_S


def daily(*hours: tuple[float, float], level_l: float = 2.0, sd: float = 0.0) -> Water:
    """Runs within the last 24 h, as (from, to) in hours before now; 0.4 L/h."""
    runs = tuple((T - start * HOUR_S, T - end * HOUR_S) for start, end in hours)
    return Water(level_l, sd * level_l, 0.4, sd, 3, runs, None, T, whole_day=True)


def by(water: Water, wall: datetime = NOON) -> datetime:
    found = outlook(water, wall)
    assert found is not None
    return found.middle


HALF_HOURS = tuple((float(hour), hour - 0.5) for hour in range(24, 0, -1))


def test_hours_of_mist_become_hours_by_the_clock() -> None:
    # 2 L at 0.4 L/h: 5 h of mist, at half an hour an hour: the tenth half hour ends at 9.5 h
    assert by(daily(*HALF_HOURS)) == NOON + timedelta(hours=9.5)


def test_the_hours_of_the_day_count() -> None:
    """All of the running came between 22:00 and 06:00, as it did last night."""
    night = daily((14.0, 6.0), level_l=1.6)  # it is noon; four hours of mist are left
    assert by(night) == NOON + timedelta(hours=10.0 + 4.0)


def test_a_run_that_goes_on_counts_and_one_cut_by_the_day_counts_as_far_as_it_is_in_it() -> None:
    water = daily((26.0, 22.0), level_l=1.2)._replace(open_t=T - HOUR_S)
    # two hours of the first are within the day, and the third falls at its end
    assert by(water) == NOON + timedelta(hours=24.0)


def test_more_than_a_day_goes_round() -> None:
    assert by(daily((20.0, 19.0), level_l=1.0)) == NOON + timedelta(hours=2 * 24 + 4.5)


def test_the_two_times_hold_the_doubt_of_level_and_output_and_of_the_day() -> None:
    found = outlook(daily(*HALF_HOURS), NOON)
    assert found is not None
    # nothing in doubt but the day itself, a fifth more or less: 5 / 1.2 and 5 / 0.8 hours of mist
    assert found.early == NOON + timedelta(hours=8 + 5 / 1.2 - 4.0)
    assert found.late == NOON + timedelta(hours=12 + 5 / 0.8 - 6.0)
    unsure = outlook(daily(*HALF_HOURS, sd=0.1), NOON)
    assert unsure is not None
    assert unsure.middle == found.middle
    assert unsure.early < found.early
    assert unsure.late > found.late
    lost = outlook(daily(*HALF_HOURS, sd=0.9), NOON)
    assert lost is not None
    assert lost.early == NOON


@pytest.mark.parametrize(
    "water",
    [
        daily(*HALF_HOURS)._replace(whole_day=False),
        daily(*HALF_HOURS, level_l=0.0),
        daily(*HALF_HOURS)._replace(level_l=None),
        daily(*HALF_HOURS)._replace(rate_l_per_h=0.0),
        daily((10.0, 9.9)),  # six minutes in a day
        daily((10.0, 9.0), level_l=4.0),  # ten days
        daily(),
        daily((nan, nan)),
        daily((inf, 1.0))._replace(level_l=inf),
    ],
)
def test_where_the_day_does_not_tell_nothing_is_said(water: Water) -> None:
    assert outlook(water, NOON) is None


@pytest.mark.parametrize("wall", [datetime.max.replace(tzinfo=UTC), datetime.min.replace(tzinfo=UTC)])
def test_a_clock_at_an_end_of_the_calendar(wall: datetime) -> None:
    found = outlook(daily(*HALF_HOURS), wall)
    assert found is None or found.middle > wall


def test_elapsed_hours_over_a_change_of_the_clocks() -> None:
    evening = datetime(2026, 3, 28, 22, 0, tzinfo=ZoneInfo("Europe/Berlin"))  # an hour is left out that night
    assert f"{by(daily(*HALF_HOURS), evening):%d %H:%M}" == "29 08:30"


def test_how_it_is_said() -> None:
    found = Outlook(*(NOON + timedelta(hours=hours) for hours in (4.0, 2.5, 15.0)))
    assert empty_words(found, NOON) == "empty at about 16:00 (between 14:30 and tomorrow 03:00)"


FIGURE = st.one_of(st.floats(), st.sampled_from([0.0, 1e300, -1.0, DAY_S]))


@given(
    st.builds(
        Water,
        st.one_of(st.none(), FIGURE),
        FIGURE,
        FIGURE,
        FIGURE,
        st.integers(),
        st.lists(st.tuples(FIGURE, FIGURE), max_size=5).map(tuple),
        st.one_of(st.none(), FIGURE),
        FIGURE,
        st.just(True),
    )
)
def test_it_never_raises(water: Water) -> None:
    found = outlook(water, NOON)
    assert found is None or NOON - timedelta(seconds=1) <= found.middle <= NOON + timedelta(
        seconds=FURTHEST_S
    )
