"""Moisture that goes or comes faster than the learned room explains, in the plant whose truth is known."""

from __future__ import annotations

from copy import deepcopy
from functools import lru_cache
from math import inf, nan

import pytest

from controller.core import room_model, room_words, unexpected
from controller.core.controller import Controller
from controller.core.records import Odd
from controller.core.room_guess import SIZE
from controller.core.room_model import Closed
from controller.core.rules import Rules
from controller.core.unexpected import DRIER, LONGEST, TOLD_S, WETTER, Oddity, OddMemory
from tests.core.plant import Plant, Truth
from tests.core.test_foresight import ROOM, lived, told_of

HOUR_S = 3600.0


@lru_cache
def learned(seed: int) -> Plant:
    return Plant(Truth(gain=200.0, loss=0.8), seed).live(24 * 3)


class Watched:
    """A plant that has been learned for three days, and what is unexpected in it from then on."""

    def __init__(self, seed: int = 1) -> None:
        self.plant = deepcopy(learned(seed))
        self.memory = OddMemory()
        self.found: list[Oddity] = []

    def live(self, hours: float) -> Watched:
        for _ in range(round(hours * 60)):
            plant = self.plant
            plant.tick()
            model = plant.memory
            closed = None if room_model.known(model) is None else model.closed
            self.memory = unexpected.advance(self.memory, model.seen, closed, plant.t, plant.doubtful)
            found = self.memory.found
            if found is not None:
                if self.found and self.found[-1].since_t == found.since_t:
                    self.found.pop()
                self.found.append(found)
        return self


@pytest.mark.parametrize("seed", [1, 2])
def test_two_days_in_which_nothing_happens(seed: int) -> None:
    assert Watched(seed).live(24 * 2).found == []


@pytest.mark.parametrize("seed", [1, 2])
def test_a_door_that_stands_open_for_half_an_hour(seed: int) -> None:
    """Eight air changes an hour more: told within a quarter of an hour, and over half an hour after it."""
    watched = Watched(seed).live(1)
    began_t = watched.plant.t
    watched.plant.open_per_h = 8.0
    watched.live(0.25)
    assert [(each.kind, each.until_t) for each in watched.found] == [(DRIER, None)]
    watched.live(0.25)
    watched.plant.open_per_h = 0.0
    watched.live(0.5)
    (found,) = watched.found
    assert abs(found.since_t - began_t) <= 600.0
    assert found.until_t is not None
    assert watched.live(6).found == [found]  # what it borrowed from the walls is not told as something else


@pytest.mark.parametrize("seed", [1, 2])
def test_a_window_that_stays_open_is_told_all_that_time(seed: int) -> None:
    """Though the room model itself takes it for the weather before long."""
    watched = Watched(seed).live(1)
    began_t = watched.plant.t
    watched.plant.open_per_h = 2.0
    watched.live(4)
    assert [(each.kind, each.until_t) for each in watched.found] == [(DRIER, None)]
    watched.plant.open_per_h = 0.0
    (found,) = watched.live(1.25).found
    assert found.until_t is not None
    assert 3.9 * HOUR_S < found.until_t - began_t <= 5.0 * HOUR_S


def test_what_lasts_for_hours_is_how_the_room_is_now() -> None:
    watched = Watched().live(1)
    watched.plant.open_per_h = 2.0
    (found,) = watched.live(12).found
    assert found.until_t is not None
    assert found.until_t - found.since_t == pytest.approx(LONGEST * 300.0, abs=1800.0)


@pytest.mark.parametrize("seed", [1, 2])
def test_mist_by_hand(seed: int) -> None:
    """A hundred grams into 25 m3 within half an hour: 18 %RH at 24 °C, by the ideal gas law."""
    watched = Watched(seed).live(1)
    plain = watched.plant.truth
    watched.plant.truth = plain._replace(background=plain.background + 18.0 / 0.5 / plain.loss)
    watched.live(0.5)
    watched.plant.truth = plain
    watched.live(1)
    assert [each.kind for each in watched.found] == [WETTER]
    assert watched.found[0].until_t is not None


@pytest.mark.parametrize("seed", [1, 2])
def test_mist_that_does_not_come_is_no_open_window(seed: int) -> None:
    """Its own evidence comes later (``effect.py``): until then nothing is said here either."""
    watched = Watched(seed).live(1)
    watched.plant.truth = watched.plant.truth._replace(gain=0.0)
    assert DRIER not in [each.kind for each in watched.live(1.5).found]


def test_what_is_in_doubt_is_not_counted() -> None:
    watched = Watched().live(1)
    watched.plant.doubtful, watched.plant.open_per_h = True, 8.0
    assert watched.live(1).found == []


@pytest.mark.parametrize("bad", [inf, nan, 1e300, -1e300])
def test_a_block_that_no_air_gives_says_nothing(bad: float) -> None:
    row, theta = (0.0,) * SIZE, (0.0,) * SIZE
    for closed in (
        Closed(bad, row, theta, 0.1), Closed(1.0, row, theta, bad), Closed(1.0, (bad,) * SIZE, theta, 0.1),
        Closed(1.0, row, theta, 0.0), Closed(1.0, (), theta, 0.1), Closed(1.0, row, (1.0,), 0.1),
    ):  # fmt: skip
        memory = OddMemory()
        for block in range(1, 6):
            memory = unexpected.advance(memory, block, closed, 300.0 * block, False)
        assert memory.found is None


@pytest.mark.parametrize(
    ("found", "t", "told"),
    [
        (None, 0.0, None),
        (Oddity(DRIER, 100.0), 400.0, Odd(DRIER, 300.0)),
        (Oddity(WETTER, 100.0, 300.0), 400.0, Odd(WETTER, 300.0, 100.0)),
        (Oddity(WETTER, 100.0, 300.0), 300.0 + TOLD_S + 1.0, None),
        (Oddity(DRIER, 500.0), 400.0, None),
        (Oddity(DRIER, -1e12), 400.0, None),
        (Oddity("?", 100.0), 400.0, None),
    ],
)
def test_what_is_told_of_it(found: Oddity | None, t: float, told: Odd | None) -> None:
    assert unexpected.told(found, t) == told


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        (Odd(DRIER, 1800.0),
         "Since 11:30 it loses moisture faster than it did: a door, a window, or drier weather."),
        (Odd(DRIER, 7200.0, 3600.0),
         "From 10:00 to 11:00 it lost moisture faster than it does, as through a door or window."),
        (Odd(WETTER, 1800.0), "Since 11:30 more moisture comes in than it knows of: misting or watering by "
         "hand, laundry, people, or wetter weather."),
        (Odd(WETTER, 7200.0, 3600.0), "From 10:00 to 11:00 more moisture came in than it knows of, as by "
         "hand misting, laundry or people."),
    ],
)  # fmt: skip
def test_its_words(odd: Odd, words: str) -> None:
    """Told at noon, half a minute after."""
    decision = lived(Controller(Rules()), [66.0] * 4)[-1]._replace(ahead=told_of(ROOM, odd=odd), knows=1.0)
    assert words in room_words.learned(decision, 0.5)
