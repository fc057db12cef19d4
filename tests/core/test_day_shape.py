"""What comes back every day: found, not believed where it does not come back, and no trap in a kept state."""

from __future__ import annotations

import random
from math import inf, isfinite, nan

import pytest

from controller.core import day_shape
from controller.core.day_shape import DAY_S, PART_S, PARTS, DayMemory, Shape

HOUR_S = 3600.0


def heated_c(day_s: float, begins_h: float = 7.0) -> float:
    """23 °C by night, 25 by day until nine in the evening, ten minutes of way."""
    hours = day_s / HOUR_S
    return 23.0 + 2.0 * (
        min(max((hours - begins_h) * 6.0, 0.0), 1.0) - min(max((hours - 21.0) * 6.0, 0.0), 1.0)
    )


def lived(memory: DayMemory, days: float, begins_h: float = 7.0, ground: float | None = None) -> DayMemory:
    for tick in range(round(days * DAY_S / 60.0)):
        day_s = tick * 60.0 % DAY_S
        memory = day_shape.advance(memory, day_s, 60.0, heated_c(day_s, begins_h), ground)
    return memory


def told_c(memory: DayMemory, at_h: float, for_s: float = 2.0 * PART_S) -> float:
    return day_shape.change(memory.temp, at_h * HOUR_S, for_s)


def test_a_swing_that_came_every_day_is_foretold() -> None:
    """The truth is the made-up day itself; a quarter hour's smear on both sides of the step."""
    memory = lived(DayMemory(), 4.0)
    assert told_c(memory, 6.8) == pytest.approx(2.0, abs=0.3)
    assert told_c(memory, 20.8) == pytest.approx(-2.0, abs=0.3)
    for hour in (3.0, 12.0, 23.0):
        assert told_c(memory, hour) == pytest.approx(0.0, abs=0.01)


def test_nothing_is_foretold_before_a_whole_day_was_seen_and_one_more_compared() -> None:
    assert told_c(lived(DayMemory(), 0.9), 6.8) == 0.0
    assert told_c(DayMemory(), 6.8) == 0.0


def test_without_a_clock_nothing_is_foretold_or_learned() -> None:
    memory = lived(DayMemory(), 4.0)
    assert day_shape.change(memory.temp, None, 1800.0) == 0.0
    for bad in (None, nan, -1.0, DAY_S, inf):
        after = day_shape.advance(memory, bad, 60.0, 40.0, 0.0)
        assert after.temp == memory.temp
        assert after.part == -1


def test_chance_is_not_foretold() -> None:
    """A temperature that wanders by chance: of its changes next to nothing is explained."""
    rng, memory, temp_c = random.Random(5), DayMemory(), 24.0
    for tick in range(12 * 1440):
        temp_c += 0.02 * (24.0 - temp_c) + rng.gauss(0.0, 0.05)
        memory = day_shape.advance(memory, tick * 60.0 % DAY_S, 60.0, temp_c, None)
    spread = max(memory.temp.means) - min(memory.temp.means)
    assert spread > 0.2  # the means do differ
    assert max(abs(told_c(memory, hour, PART_S)) for hour in range(24)) < 0.05


def test_another_hour_of_heating_is_followed() -> None:
    memory = lived(lived(DayMemory(), 4.0), 1.0, begins_h=9.0)
    assert told_c(memory, 8.8) < 1.0  # once: no rule yet
    memory = lived(memory, 14.0, begins_h=9.0)
    assert told_c(memory, 8.8) == pytest.approx(2.0, abs=0.4)
    assert told_c(memory, 6.8) == pytest.approx(0.0, abs=0.2)


def test_a_quarter_of_an_hour_that_was_not_seen_whole_teaches_nothing() -> None:
    memory = lived(DayMemory(), 2.0)
    away = day_shape.advance(memory, 5.0 * HOUR_S, 60.0, 40.0, None)  # five hours without a look
    assert away.temp == memory.temp
    short = memory
    for day_s in (60.0, 120.0, PART_S):  # two minutes of it
        short = day_shape.advance(short, day_s, 60.0, 40.0, None)
    assert short.temp.means[0] == memory.temp.means[0]


def test_the_hours_of_most_and_least() -> None:
    memory = DayMemory()
    for tick in range(4 * 1440):
        day_s = tick * 60.0 % DAY_S
        memory = day_shape.advance(memory, day_s, 60.0, 24.0, 10.0 - abs(day_s - 15.0 * HOUR_S) / HOUR_S)
    found = day_shape.extremes(memory.ground)
    assert found is not None
    most_s, least_s, apart = found
    assert most_s == pytest.approx(15.0 * HOUR_S, abs=PART_S)
    assert min(least_s, DAY_S - least_s) <= PART_S
    assert apart == pytest.approx(15.0, abs=0.5)
    assert day_shape.extremes(Shape((1.0,) * PARTS, PARTS)) is None  # one day is no rule


GOOD = Shape((24.0,) * PARTS, 500, 0.1, 1.0)


@pytest.mark.parametrize(
    "spoilt",
    [
        GOOD._replace(means=(24.0,) * 95),
        GOOD._replace(means=(nan,) * PARTS),
        GOOD._replace(means=(24.0,) * 95 + (inf,)),
        GOOD._replace(missed=nan),
        GOOD._replace(came=-1.0),
    ],
)
def test_what_no_learning_gives_is_forgotten_at_a_start(spoilt: Shape) -> None:
    assert day_shape.recalled(DayMemory(temp=GOOD)).temp == GOOD
    assert day_shape.recalled(DayMemory(temp=spoilt, ground=spoilt)) == DayMemory()
    for day_s in (0.0, 899.0, 900.0, DAY_S - 1.0):  # and taken up in the middle it makes nothing raise
        memory = DayMemory(0, 24.0 * 890.0, 890.0, None, spoilt, spoilt)
        memory = day_shape.advance(memory, day_s, 10.0, 24.0, 1.0)
        day_shape.change(memory.temp, day_s, 1800.0)
    assert isfinite(day_shape.change(GOOD, 0.0, 1800.0))


def test_hours_that_chance_made_are_not_told() -> None:
    rng, memory, ground = random.Random(6), DayMemory(), 0.0
    for tick in range(8 * 1440):
        ground += 0.01 * -ground + rng.gauss(0.0, 0.1)
        memory = day_shape.advance(memory, tick * 60.0 % DAY_S, 60.0, 24.0, ground)
    assert day_shape.extremes(memory.ground) is None
    assert max(memory.ground.means) - min(memory.ground.means) > 0.5


def test_whether_it_falls_soon() -> None:
    """As the made-up day: at nine in the evening, and at no other hour."""
    shape = lived(DayMemory(), 4.0).temp
    told = [day_shape.falls(shape, hour * HOUR_S, 2.0 * HOUR_S) for hour in range(24)]
    assert [hour for hour in range(24) if told[hour]] == [19, 20, 21]
    assert not day_shape.falls(Shape(), 0.0, 7200.0)
    assert not day_shape.falls(shape, None, 7200.0)
