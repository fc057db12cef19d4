"""The tally of a day: counted by steps, it must answer for every band as the minutes themselves do."""

import math
import random
from collections.abc import Callable
from datetime import UTC, date
from typing import Any

import pytest

from controller.ports import Sample
from controller.tally import Days, Tally, local_day, row_of

Make = Callable[..., Any]


def step_of(rh_pct: float) -> int:
    """Where a tally puts one minute of this RH."""
    tally = Tally()
    tally.add_rows([(60.0, 1, rh_pct, None, 1, 0.0, None, "")])
    ((_, step),) = tally.rh_minutes
    return step


@pytest.mark.parametrize("tenths", [0, 1, 3, 299, 573, 607, 701, 999, 1000])
def test_a_tenth_is_told_from_what_lies_beside_it(tenths: int) -> None:
    """Division gives the double nearest to a decimal, which is also what a settings file's figure becomes."""
    figure = float(f"{tenths / 10:.1f}")
    assert step_of(figure) == 2 * tenths
    assert step_of(figure + 1e-9) == 2 * tenths + 1
    assert step_of(figure - 1e-9) == 2 * tenths - 1


def test_the_very_next_figure_on_either_side_of_every_tenth() -> None:
    for tenths in range(1, 1001):
        figure = tenths / 10
        found = [step_of(x) for x in (math.nextafter(figure, 0), figure, math.nextafter(figure, 200))]
        assert found == [2 * tenths - 1, 2 * tenths, 2 * tenths + 1]


def test_any_band_in_tenths_places_every_minute_as_comparison_does(sample: Make) -> None:
    rng = random.Random(7)
    figures = [round(rng.uniform(55, 80), rng.choice([0, 1, 1, 2, 9])) for _ in range(3000)]
    tally = Tally()
    for figure in figures:
        tally.add(sample(rh_pct=figure, is_day=figure > 66))
    for low, high in [(60, 78), (57.3, 70.1), (60.7, 60.7), (0, 100), (79.9, 80.1)]:
        plain = {(is_day, place): 0 for is_day in (False, True) for place in (-1, 0, 1)}
        for figure in figures:
            plain[figure > 66, -1 if figure < low else 1 if figure > high else 0] += 1
        assert tally.places(low, high) == plain


def test_a_limit_finer_than_a_tenth_is_out_by_less_than_a_tenth(sample: Make) -> None:
    tally = Tally()
    for rh_pct in (60.2, 60.21, 60.29, 60.3):
        tally.add(sample(rh_pct=rh_pct))
    placed = tally.places(60.24, 78.0)
    assert (placed[True, -1], placed[True, 0]) == (1, 3)  # 60.21 lies in the same step as 60.29


def test_minutes_without_a_figure_are_minutes_all_the_same(sample: Make) -> None:
    tally = Tally()
    tally.add(sample(rh_pct=None, temp_c=None, tank_l=None, reason="untrusted", clock_trusted=False))
    assert (tally.minutes, tally.known, tally.temp_known, tally.clock_doubtful_minutes) == (1, 0, 0, 1)
    assert (tally.fallen_l, tally.lowest_rh_pct, tally.lowest_temp_c) == (None, None, None)
    assert tally != 1


def test_temperature_and_tank_by_hand(sample: Make) -> None:
    tally = Tally()
    for temp_c, tank_l in [(24.0, 3.0), (26.0, 2.5), (None, None), (22.0, 4.0), (24.0, 3.75)]:
        tally.add(sample(temp_c=temp_c, tank_l=tank_l))
    assert (tally.temp_known, tally.temp_sum_c) == (4, 96.0)
    assert (tally.lowest_temp_c, tally.highest_temp_c) == (22.0, 26.0)
    assert tally.fallen_l == 0.75  # the filling in between is no fall
    assert (tally.first_tank_l, tally.last_tank_l) == (3.0, 3.75)


def test_a_day_begun_is_gone_on_with(sample: Make) -> None:
    rows: list[Sample] = [sample(n, rh_pct=60 + n / 7, tank_l=4 - n / 900) for n in range(500)]
    whole, begun = Days(UTC), Days(UTC)
    for row in rows:
        whole.add_rows((row_of(row),))
    for row in rows[:200]:
        begun.add_rows((row_of(row),))
    rest = Days(UTC, begun.tallies)
    for row in rows[200:]:
        rest.add_rows((row_of(row),))
    assert rest.tallies == whole.tallies
    assert list(whole.tallies) == [date(2026, 5, 28), date(2026, 5, 29)]  # from 20:26 on
    assert local_day(rows[0].at_s - 60, UTC) == date(2026, 5, 28)
