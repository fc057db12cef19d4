"""Moisture that goes or comes faster than the learned room explains, in the plant whose truth is known."""

from __future__ import annotations

from copy import deepcopy
from functools import lru_cache
from math import exp, inf, nan

import pytest

from controller.core import room_model, room_words, unexpected
from controller.core.controller import Controller
from controller.core.records import Odd
from controller.core.room_guess import SIZE
from controller.core.room_model import Closed
from controller.core.rules import Rules
from controller.core.unexpected import DRIER, TOLD_S, WETTER, Oddity, OddMemory
from tests.core.plant import Plant, Truth
from tests.core.test_foresight import ROOM, lived, told_of

HOUR_S = 3600.0
SEEDS = [1, pytest.param(2, marks=pytest.mark.slow)]


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


@pytest.mark.parametrize("seed", SEEDS)
def test_two_days_in_which_nothing_happens(seed: int) -> None:
    assert Watched(seed).live(24 * 2).found == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_door_that_stands_open_for_half_an_hour(seed: int) -> None:
    """Eight air changes an hour more: told within twenty minutes, and over half an hour after it."""
    watched = Watched(seed).live(1)
    began_t = watched.plant.t
    watched.plant.open_per_h = 8.0
    watched.live(1.0 / 3.0)
    assert [(each.kind, each.until_t) for each in watched.found] == [(DRIER, None)]
    watched.live(1.0 / 6.0)
    watched.plant.open_per_h = 0.0
    watched.live(0.5)
    (found,) = watched.found
    assert abs(found.since_t - began_t) <= 600.0
    assert found.until_t is not None
    assert watched.live(6).found == [found]  # what it borrowed from the walls is not told as something else


@pytest.mark.parametrize("seed", SEEDS)
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
    assert found.since_t - began_t <= 900.0
    assert found.until_t - began_t == pytest.approx(4.0 * HOUR_S, abs=1200.0)
    assert watched.live(6).found == [found]


def test_after_six_hours_that_is_how_the_room_is_now() -> None:
    watched = Watched().live(1)
    watched.plant.open_per_h = 2.0
    assert watched.live(5.8).memory.found is not None
    assert watched.live(1.5).memory.found is None
    assert watched.live(6).memory.found is None


@pytest.mark.parametrize("seed", SEEDS)
def test_a_window_soon_after_a_door(seed: int) -> None:
    watched = Watched(seed).live(1)
    for per_h, hours in ((8.0, 1.0 / 3.0), (0.0, 5.0 / 12.0), (2.0, 4.0)):
        watched.plant.open_per_h = per_h
        watched.live(hours)
    assert [each.kind for each in watched.found] == [DRIER, DRIER]
    assert watched.found[-1].lasts


@pytest.mark.parametrize("seed", SEEDS)
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


@pytest.mark.parametrize("seed", SEEDS)
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
        Closed(bad, row, theta, 0.1, 1), Closed(1.0, row, theta, bad, 1), Closed(1.0, row, theta, 0.0, 1),
        Closed(1.0, (), theta, 0.1, 1), Closed(1.0, row, (1.0,), 0.1, 1),
        Closed(1.0, (bad,) * SIZE, (1.0,) * SIZE, 0.1, 1),
    ):  # fmt: skip
        memory = OddMemory()
        for block in range(1, 20):
            memory = unexpected.advance(memory, block, closed, 300.0 * block, False)
        assert memory.found is None


def odd_blocks(
    memory: OddMemory, many: int, off: float = 5.0, gap_s: float = 0.0, best: int = 1
) -> OddMemory:
    """So many blocks more, each so many standard deviations wetter than foretold."""
    closed = Closed(off, (0.0,) * SIZE, (0.0,) * SIZE, 1.0, best)
    for _ in range(many):
        memory = unexpected.advance(
            memory, memory.seen + 1, closed, max(memory.t, 0.0) + 300.0 + gap_s, False
        )
    return memory


def test_two_blocks_are_not_enough_and_three_are() -> None:
    """A step in the reading, as where one of two probes is lost, shows in two blocks."""
    begun = odd_blocks(OddMemory(), 1, 0.0)
    assert odd_blocks(begun, 2, 50.0).found is None
    assert odd_blocks(begun, 3, 50.0).found == Oddity(WETTER, begun.t)


def test_what_was_under_way_before_a_gap_is_forgotten() -> None:
    begun = odd_blocks(odd_blocks(OddMemory(), 1, 0.0), 2, 50.0)
    assert odd_blocks(odd_blocks(begun, 1, 50.0, gap_s=1e5), 1, 50.0).found is None
    doubted = unexpected.advance(begun, begun.seen + 1, None, begun.t + 300.0, False)
    assert odd_blocks(doubted, 1, 50.0).found is None
    assert odd_blocks(begun, 1, 50.0, best=2).found is None
    found = odd_blocks(begun, 1, 50.0)
    assert found.found is not None
    assert odd_blocks(found, 1, 50.0, gap_s=1e5).found is None


@pytest.mark.parametrize(
    ("after", "mist", "lasts"),
    [(-1.2, 9.0, False), (-3.0, 9.0, False), (-6.0, 9.0, True), (-3.0, 3.0, True), (-1.2, 0.0, True)],
)
def test_much_drier_air_than_was_learned_with_never_goes_quite_as_foretold(
    after: float, mist: float, lasts: bool
) -> None:
    """Shut, it comes back by more than it is off, and that is less than a quarter of what the door took.

    That this is six standard deviations is no reason to wait.
    """
    theta = (mist, *(0.0,) * (SIZE - 1))
    memory = odd_blocks(OddMemory(), 1, 0.0)
    for block, missed in enumerate((-13.0, -14.0, -14.0, -14.0, *(after,) * 3), 2):
        closed = Closed(mist + missed, (1.0, *(0.0,) * (SIZE - 1)), theta, 0.04, 1)
        memory = unexpected.advance(memory, block, closed, 300.0 * block, False)
    assert memory.found is not None
    assert memory.found.lasts == lasts


@pytest.mark.parametrize(
    ("open_per_h", "gain", "loss"), [(2.0, 16.0, 0.3), (6.0, 16.0, 0.3), (4.0, 10.0, 0.15)]
)
def test_what_stands_open_lasts_though_the_room_runs_dry(open_per_h: float, gain: float, loss: float) -> None:
    """What a door takes shrinks as the air nears that outside: dv/dt = gain - (loss + open)(v - 20)."""
    theta = (gain / 12.0, loss / 12.0, 20.0 * loss / 12.0, 0.0, 0.0)
    memory, air = odd_blocks(OddMemory(), 1, 0.0), 65.0
    for block in range(2, 62):
        rests = 20.0 + gain / (loss + open_per_h)
        after = rests + (air - rests) * exp(-(loss + open_per_h) / 12.0)
        closed = Closed(after - air, (1.0, -air, 1.0, 0.0, 0.0), theta, 0.09, 1)
        memory, air = unexpected.advance(memory, block, closed, 300.0 * block, False), after
    assert memory.found is not None
    assert memory.found.kind == DRIER
    assert memory.found.lasts


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
        (Odd(WETTER, 1800.0), "Since 11:30 more moisture comes in than usual: misting by hand, laundry, "
         "people, a window that was shut, or wetter weather."),
        (Odd(WETTER, 7200.0, 3600.0), "From 10:00 to 11:00 more moisture came in than usual, as by "
         "misting by hand, laundry or people."),
    ],
)  # fmt: skip
def test_its_words(odd: Odd, words: str) -> None:
    """Told at noon, half a minute after."""
    decision = lived(Controller(Rules()), [66.0] * 4)[-1]._replace(ahead=told_of(ROOM, odd=odd), knows=1.0)
    assert words in room_words.learned(decision, 0.5)
