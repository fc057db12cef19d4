"""The room model against a room whose every figure is known, and against scipy on the same data."""

from __future__ import annotations

from math import inf, nan, sqrt

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from controller.core import room_block, room_guess, room_model, runtime
from controller.core.room_block import SHOWS
from controller.core.room_guess import GAIN, LOSS, SIZE, STORE, Guess
from controller.core.room_model import RoomMemory
from controller.core.runtime import RuntimeMemory
from tests.core.plant import TEMP_C, Plant, Truth


def test_nothing_is_known_at_first_and_after_hours_without_mist() -> None:
    plant = Plant(Truth(background=90.0))
    plant.air = plant.shown = plant.walls = 80.0
    assert room_model.known(plant.memory) is None
    plant.live(48)
    assert plant.memory.blocks == 0
    assert room_model.known(plant.memory) is None


@pytest.mark.parametrize(
    ("truth", "seed"),
    [(Truth(), 1), (Truth(gain=60.0, loss=0.9, dead_s=180.0), 2), (Truth(dead_s=75.0, lag_s=900.0), 3)],
    ids=["common", "far away", "slow probe"],
)
def test_known_truth_is_found_within_its_stated_uncertainty(truth: Truth, seed: int) -> None:
    """Within 3 standard deviations (so one room in hundreds would fail by chance), the gain within 5 %."""
    room = room_model.known(Plant(truth, seed).live(24 * 6).memory)
    assert room is not None
    assert room.gain == pytest.approx(truth.gain, rel=0.05)
    assert abs(room.gain - truth.gain) < 3.0 * room.gain_sd
    assert abs(room.loss - truth.loss) < 3.0 * room.loss_sd
    assert abs(room.store - truth.store) < 3.0 * room.store_sd
    assert abs(room.dead_s + room.lag_s - truth.dead_s - truth.lag_s) < 0.5 * (truth.dead_s + truth.lag_s)


@pytest.mark.slow
def test_uncertainty_is_honest_over_many_rooms() -> None:
    """95 % of the figures within two standard deviations: of 60 rooms drawn at random, at least 90 % here.

    Some humidifiers drawn are too weak to let the mist ever end: such a room stays unknown, and must.
    """
    from random import Random

    inside, unknown = [0, 0, 0], 0
    for seed in range(500, 560):
        draw = Random(seed)
        dead_s, lag_s = draw.choice(SHOWS)
        truth = Truth(
            draw.uniform(40, 200), draw.uniform(0.3, 1.2), draw.uniform(0, 4), draw.uniform(15, 35),
            dead_s, lag_s, draw.choice((0.1, 0.3)),
        )  # fmt: skip
        room = room_model.known(Plant(truth, seed).live(24 * 8).memory)
        if room is None:
            assert truth.gain < 60.0
            unknown += 1
            continue
        misses = (
            (room.gain - truth.gain) / room.gain_sd,
            (room.loss - truth.loss) / room.loss_sd,
            (room.store - truth.store) / room.store_sd,
        )
        inside = [count + (abs(miss) < 2.0) for count, miss in zip(inside, misses, strict=True)]
    assert unknown <= 3
    assert min(inside) >= 0.9 * (60 - unknown)


def test_a_lag_and_a_room_that_could_be_swapped_are_told_apart() -> None:
    """A probe's lag of 5 min and walls that take half in 8 show alike as 15 and 3: no room is so fast."""
    truth = Truth(198.8, 1.11, 3.79, 19.8, 75.0, 300.0, 0.1)
    room = room_model.known(Plant(truth, 369).live(24 * 8).memory)
    assert room is not None
    assert room.lag_s == 300.0
    assert room.gain == pytest.approx(truth.gain, rel=0.1)


@pytest.mark.parametrize(
    ("best", "other", "share", "believed"),
    [(9, 1, 0.85, 9), (9, 1, 0.75, 1), (1, 9, 0.97, 1), (1, 9, 0.9, 9), (9, 8, 0.9, 8)],
)
def test_a_shorter_lag_must_be_better_by_more(best: int, other: int, share: float, believed: int) -> None:
    """With one too short mist is taken for weaker than it is, and each run ends too late."""
    guesses = [Guess(surprise=1.0)] * len(SHOWS)
    guesses[other] = Guess(surprise=share)
    assert room_model._believed(tuple(guesses), best) == believed


def test_as_scipys_least_squares_on_the_same_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A Kalman filter without a walk is recursive least squares (Plackett 1950).

    scipy 1.11 or later over the same rows. The prior and the noise that it is still learning make it no
    more than nearly so: within 3 % of the gain, and within two of its standard deviations of the loss.
    """
    rows: list[tuple[float, ...]] = []
    changes: list[float] = []
    original = room_guess.learn
    monkeypatch.setattr(room_guess, "WALK", (0.0,) * SIZE)
    monkeypatch.setattr(room_guess, "GAIN_WALK", 0.0)
    monkeypatch.setattr(room_model, "IN_THE_RUN", inf)  # each guess learns from each block

    def noted(
        guess: room_guess.Guess, row: tuple[float, ...], change: float, *more: bool
    ) -> room_guess.Guess:
        if not more[0]:  # else nothing is learned from it
            rows.append(row)
            changes.append(change)
        return original(guess, row, change, *more)

    monkeypatch.setattr(room_model, "learn", noted)
    plant = Plant(Truth(), 5).live(60)
    show = plant.memory.best
    assert SHOWS[show] == (75.0, 30.0)
    mine = slice(show, None, len(SHOWS))
    steady = slice(0, SIZE - 1)  # the room stands at one temperature: nothing can be told of its change
    found = lsq_linear(np.array(rows[mine])[:, steady], np.array(changes[mine])).x
    guess = plant.guess
    assert guess.theta[GAIN] == pytest.approx(found[GAIN], rel=0.03)
    assert abs(guess.theta[LOSS] - found[LOSS]) < 2.0 * sqrt(guess.cov[LOSS][LOSS])


def test_a_gain_that_falls_by_a_third_is_followed() -> None:
    """To 10 % within 5 days, as a dial turned down, or a worn membrane, would make it."""
    plant = Plant(Truth(gain=120.0), 7).live(24 * 4)
    plant.truth = plant.truth._replace(gain=84.0)
    plant.live(24 * 5)
    room = room_model.known(plant.memory)
    assert room is not None
    assert room.gain == pytest.approx(84.0, rel=0.1)


def test_weather_that_turns_is_not_taken_for_the_mist() -> None:
    """A front: what comes in by itself falls by 32 %RH an hour within 90 min, far beyond what wanders.

    The truth is the plant's own. Three hours later the gain within a tenth, and what the room loses at 65.
    """
    plant = Plant(Truth(loss=1.0, background=40.0), 1).live(24 * 4)
    for step in range(18):
        plant.truth = plant.truth._replace(background=40.0 - 32.0 * (step + 1) / 18)
        plant.live(1 / 12)
    plant.live(1)
    for _ in range(3):
        plant.live(2)
        room = room_model.known(plant.memory)
        assert room is not None
        assert room.gain == pytest.approx(plant.truth.gain, rel=0.1)
        falls = plant.truth.loss * (65.0 - plant.truth.background - plant.front)
        assert -room_model.rate(room, 65.0, 0.0, 0.0) == pytest.approx(falls, rel=0.1)


@pytest.mark.parametrize("hours", [1.5, pytest.param(4.0, marks=pytest.mark.slow)])
def test_a_door_that_stands_open_for_hours_is_not_taken_for_the_mist(hours: float) -> None:
    """Mist runs all that time, and the air is held down by eight air changes an hour: 200 stays 200.

    Within a fifth at once, within a twentieth a day later; the truth is the plant's own.
    """
    plant = Plant(Truth(gain=200.0, loss=0.8), 1).live(24 * 3)
    plant.open_per_h = 8.0
    plant.live(hours)
    plant.open_per_h = 0.0
    for after_h, within in ((0.0, 0.2), (1.0, 0.2), (24.0, 0.05)):
        room = room_model.known(plant.live(after_h).memory)
        assert room is not None
        assert room.gain == pytest.approx(200.0, rel=within)


def test_a_dry_tank_teaches_nothing() -> None:
    plant = Plant(Truth(), 8).live(24 * 4)
    before = plant.guess.theta[GAIN]
    full, plant.truth, plant.doubtful = plant.truth, plant.truth._replace(gain=0.0), True
    plant.live(12)
    assert plant.guess.theta[GAIN] == pytest.approx(before, rel=0.01)
    plant.truth, plant.doubtful = full, False
    plant.live(12)
    assert plant.guess.theta[GAIN] == pytest.approx(before, rel=0.05)


def test_a_door_open_for_ten_minutes_moves_the_loss_by_less_than_a_twentieth() -> None:
    """The rate at which the air loses moisture, to walls and outdoors together: that can be told soon.

    How much of it leaves is known by no more than its deviation, and may move by that: walls that the door
    dried tell more of it than a month of steady air.
    """
    plant = Plant(Truth(loss=0.8), 9).live(24 * 5)
    before, sd = plant.guess.theta, sqrt(plant.guess.cov[LOSS][LOSS])
    plant.open_per_h = 8.0
    plant.live(1 / 6)
    plant.open_per_h = 0.0
    plant.live(1)
    after = plant.guess.theta
    assert after[LOSS] + after[STORE] == pytest.approx(before[LOSS] + before[STORE], rel=0.05)
    assert abs(after[LOSS] - before[LOSS]) < sd
    assert after[GAIN] == pytest.approx(before[GAIN], rel=0.01)


def test_ticks_of_ten_seconds_teach_the_same() -> None:
    gains = []
    for tick_s in (10.0, 60.0):
        room = room_model.known(Plant(Truth(), 11, tick_s).live(24 * 2).memory)
        assert room is not None
        gains.append(room.gain)
    assert gains[0] == pytest.approx(gains[1], rel=0.05)


def test_a_gap_in_the_looks_is_no_block() -> None:
    plant = Plant(Truth(), 12).live(30)
    memory, blocks = plant.memory, plant.memory.seen
    after = room_model.advance(memory, plant.t + 4000.0, 60.0, 0.0, plant.used, 30.0, TEMP_C, False)
    assert after.before is None
    assert after.seen == blocks
    assert after.block.slow_rh_pct is None
    assert room_model.advance(memory, plant.t, 0.0, 0.0, plant.used, 30.0, TEMP_C, False) == memory


@pytest.mark.parametrize("bad", [nan, inf, -inf, 1e300])
@pytest.mark.parametrize("place", ["theta", "cov", "noise", "surprise", "lagged", "slow", "short", "best"])
def test_figures_that_no_learning_gives_are_forgotten(bad: float, place: str) -> None:
    memory = Plant(Truth(), 13).live(30).memory
    guess, block = memory.guesses[memory.best], memory.block
    worse = {
        "theta": guess._replace(theta=(bad,) * SIZE),
        "cov": guess._replace(cov=((bad,) * SIZE,) * SIZE),
        "noise": guess._replace(noise=-bad),
        "surprise": guess._replace(surprise=bad),
        "short": guess._replace(theta=guess.theta[:3]),
    }.get(place, guess)
    if place == "lagged":
        block = block._replace(lagged=(bad,) * len(SHOWS))
    if place == "slow":
        block = block._replace(slow_rh_pct=bad)
    broken = memory._replace(
        guesses=tuple(worse if i == memory.best else each for i, each in enumerate(memory.guesses)),
        block=block,
        best=99 if place == "best" else memory.best,
    )
    assert not room_model.sound(broken)
    assert room_model.recalled(broken) == RoomMemory()
    used = RuntimeMemory()
    t, after = block.began_t, broken
    for _ in range(12):
        t += 60.0
        after = room_model.advance(after, t, 60.0, 0.0, used, 60.0, TEMP_C, False)
    assert room_model.sound(after)


def test_lists_of_another_length_are_not_used() -> None:
    memory = RoomMemory(guesses=RoomMemory().guesses[:3], blocks=1000)
    assert not room_model.sound(memory)
    short = RoomMemory()._replace(block=room_block.Block(lagged=(0.0,)))
    assert room_model.advance(short, 60.0, 60.0, 0.0, RuntimeMemory(), 60.0, TEMP_C, False) == RoomMemory()


def test_on_time_of_a_short_span() -> None:
    """Against the sum over all runs that the ledger keeps."""
    used = RuntimeMemory(((0.0, 100.0), (200.0, 350.0), (500.0, 560.0)), 310.0, 700.0)
    for from_t, to_t in ((690.0, 750.0), (540.0, 710.0), (300.0, 520.0), (350.0, 500.0), (0.0, 800.0)):
        whole = sum(
            max(0.0, min(end, to_t) - max(start, from_t)) for start, end in (*used.runs, (700.0, to_t))
        )
        assert runtime.on_s_between(used, from_t, to_t) == pytest.approx(whole)


def test_moisture_is_humidity_at_24_degrees() -> None:
    """Vapour pressure of 60 %RH at 24 °C: 1791 Pa (HoF 2017 ch. 1 eq. 6, rounded), so 60 within 0.1."""
    assert room_block.moisture_of(24.0, 60.0) == pytest.approx(60.0, abs=0.1)
    assert pytest.approx(1791.0, abs=1.0) == 60.0 * room_block.PA_PER_PCT
