"""EFFECT: what mist does is learned near the truth of a room written apart, and doubted only with cause."""

from __future__ import annotations

import random
from copy import deepcopy
from functools import lru_cache
from math import inf, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import effect, effect_model
from controller.core.effect import EffectMemory, Learned
from tests.core.mist_room import DAY_S, HOUR_S, TICK_S, Life, Room, some_room

PLAIN = Room(k=0.8, g=45.0, out=30.0, target=65.0)


@lru_cache(maxsize=1)
def plain_life() -> Life:
    return Life(PLAIN, 7).run(3.0)


def learned_life(room: Room = PLAIN, seed: int = 7) -> Life:
    """Three days without a doubt."""
    life = deepcopy(plain_life()) if (room, seed) == (PLAIN, 7) else Life(room, seed).run(3.0)
    assert life.doubts == []
    assert life.memory.learned.known
    return life


# --- what is learned ---


@pytest.mark.parametrize("pulses", [False, True])
@pytest.mark.parametrize(("k", "g"), [(0.3, 25.0), (1.0, 60.0), (2.0, 100.0)])
def test_the_effect_is_that_of_the_closed_form(k: float, g: float, pulses: bool) -> None:
    # Within a quarter, after three days: it decides from a third less on (WEAK_SHARE).
    room = Room(k=k, g=g, pulses=pulses, door_min=20.0)
    learned = learned_life(room).memory.learned
    assert learned.gain == pytest.approx(room.five_minutes, rel=0.25)


def steps(seed: int, count: int) -> tuple[list[tuple[float, ...]], list[float]]:
    """Rows and changes of a linear world: what the filter takes it for, with figures drawn at random."""
    rng = np.random.default_rng(seed)
    true = rng.normal(0.0, 1.0, effect_model.SIZE) + np.array([4.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    rows = rng.uniform(0.0, 1.0, (count, effect_model.SIZE))
    changes = rows @ true + rng.normal(0.0, 0.2, count)
    return [tuple(map(float, row)) for row in rows], [float(change) for change in changes]


def without_walks(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("MIST_WALK", "AIR_WALK", "GROUND_WALK", "STORE_WALK", "HEAT_WALK"):
        monkeypatch.setattr(effect_model, name, 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_without_a_walk_the_filter_is_the_regularised_least_squares(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    # Oracle: the batch solution (P0^-1 + sum h h'/r)^-1 sum h y/r by numpy, r being the noise of that step.
    without_walks(monkeypatch)
    rows, changes = steps(seed, 60)
    learned = Learned()
    precision = np.diag([1.0 / sd**2 for sd in effect_model.PRIOR_SD])
    moment = np.zeros(effect_model.SIZE)
    for row, change in zip(rows, changes, strict=True):
        h = np.array(row)
        precision += np.outer(h, h) / learned.noise
        moment += h * change / learned.noise
        before = learned
        learned = effect_model._learn(learned, row, change)
        assert learned.blocks == before.blocks + 1  # no outlier among them, or it would not be linear
    np.testing.assert_allclose(learned.theta, np.linalg.solve(precision, moment), rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(learned.cov, np.linalg.inv(precision), rtol=1e-6, atol=1e-10)


def test_one_step_is_the_kalman_filters() -> None:
    # Oracle: the information form, with the walk added first (Kalman 1960).
    rows, changes = steps(11, 30)
    learned = Learned()
    for row, change in zip(rows, changes, strict=True):
        walk = [effect_model.MIST_WALK * max(learned.gain, 0.3)] * effect_model.LAGS
        walk += [
            effect_model.AIR_WALK,
            effect_model.GROUND_WALK,
            effect_model.STORE_WALK,
            effect_model.HEAT_WALK,
        ]
        cov = np.array(learned.cov)
        prior = cov + np.diag([
            w * w if cov[i, i] < effect_model.PRIOR_SD[i] ** 2 else 0.0 for i, w in enumerate(walk)
        ])  # fmt: skip
        h = np.array(row)
        after = np.linalg.inv(np.linalg.inv(prior) + np.outer(h, h) / learned.noise)
        theta = after @ (np.linalg.solve(prior, np.array(learned.theta)) + h * change / learned.noise)
        learned = effect_model._learn(learned, row, change)
        np.testing.assert_allclose(learned.theta, theta, rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(learned.cov, after, rtol=1e-6, atol=1e-9)


def test_a_change_that_nothing_explains_moves_no_figure_and_neither_do_the_next() -> None:
    life = learned_life()
    learned = life.memory.learned
    row = (0.5, 0.5, 0.3, 1.0, 0.0, 0.0)
    after = effect_model._learn(learned, row, -20.0)
    assert after.theta == learned.theta
    assert after.noise > learned.noise
    usual = sum(figure * part for figure, part in zip(learned.theta, row, strict=True))
    still = 0
    while after.theta == learned.theta:
        after = effect_model._learn(after, row, usual + 0.01)
        still += 1
    assert still == effect_model.UPSET


def test_another_room_is_learned_in_the_end() -> None:
    # What stays otherwise is no door: the noise grows until it can be learned.
    life = learned_life()
    life.room = life.room._replace(k=2.4, g=100.0)
    life.run(4.0)
    assert life.memory.learned.gain == pytest.approx(life.room.five_minutes, rel=0.3)


# --- silence where nothing is wrong ---


@pytest.mark.parametrize("seed", range(4))
def test_no_doubt_in_a_week_without_a_fault(seed: int) -> None:
    assert Life(some_room(seed), seed).run(7.0).doubts == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1012))
def test_no_doubt_in_six_weeks_without_a_fault(seed: int) -> None:
    assert Life(some_room(seed), seed, tick_s=30.0).run(42.0).doubts == []


@settings(max_examples=5)
@given(
    k=st.floats(0.3, 2.0), ratio=st.floats(1.6, 3.5), noise=st.floats(0.02, 0.3), pulses=st.booleans(),
    door=st.sampled_from([0.0, 20.0]), swing=st.floats(0.0, 4.0), seed=st.integers(0, 999),
)  # fmt: skip
def test_no_doubt_in_any_room_that_can_be_held(
    k: float, ratio: float, noise: float, pulses: bool, door: float, swing: float, seed: int
) -> None:
    g = min(k * 35.0 * ratio, 100.0)
    room = Room(k=k, g=g, noise=noise, pulses=pulses, door_min=door, swing_c=swing)
    assert Life(room, seed).run(3.0).doubts == []


def test_nothing_is_said_before_it_has_learned() -> None:
    life = Life(PLAIN, 1)
    while not life.memory.learned.known:
        life.run(TICK_S / DAY_S)
        assert life.t < 2 * DAY_S
    assert life.doubts == []
    assert life.on_s > 3600.0  # not from a pulse or two


# --- doubts with cause ---


@pytest.mark.parametrize("seed", [20, 21, 22])
def test_a_dead_humidifier_is_found_within_an_hour_of_being_on(seed: int) -> None:
    life = learned_life(some_room(seed), seed=seed)
    ran_s = life.on_s
    while not life.memory.verdict.no_mist:
        life.run(TICK_S / DAY_S, lambda t, on: 0.0)
        assert life.on_s - ran_s <= HOUR_S
    assert {name for _, name in life.doubts} == {"none"}


def test_it_is_found_however_far_the_room_falls() -> None:
    # Where the air is drier than it ever was while it learned, the way back is overrated: no excuse for it.
    life = learned_life(Room(k=2.1, g=100.0, pulses=True, store=3.0, store_h=20.0), seed=417)
    ran_s = life.on_s
    while not life.memory.verdict.no_mist:
        life.run(TICK_S / DAY_S, lambda t, on: 0.0)
        assert life.on_s - ran_s <= HOUR_S


def test_one_that_never_worked_is_found() -> None:
    life = Life(PLAIN, 3).run(2.0, lambda t, on: 0.0)
    assert life.doubts == []  # always on: nothing to compare with
    life = Life(PLAIN._replace(out=66.0, wander=8.0), 3)
    life.run(4.0, lambda t, on: 0.0)
    assert {name for _, name in life.doubts} == {"none"}


@pytest.mark.parametrize("seed", [30, 31, 32])
def test_mist_while_off_is_found_within_two_hours(seed: int) -> None:
    room = some_room(seed)
    room = room._replace(g=min(room.g, room.k * (85.0 - room.out)))  # or the air is full before
    life = learned_life(room, seed=seed)
    was_off_s = life.t - life.on_s
    while not life.memory.verdict.stray_mist:
        life.run(TICK_S / DAY_S, lambda t, on: 1.0)
        assert life.t - life.on_s - was_off_s <= 2 * HOUR_S
    life.run(0.5)
    assert not life.memory.verdict.stray_mist  # and ends with it


@pytest.mark.slow
@pytest.mark.parametrize("seed", [41, 43, 44])
def test_scale_is_told_before_a_third_is_gone_and_not_at_once(seed: int) -> None:
    # One per cent of new a day. 0.72 of the best is reached on day 28; the smoothing may take a week more.
    # Later where a strong humidifier is switched every few minutes by a noisy probe: that hides its strength.
    room = some_room(seed)
    life = Life(room._replace(noise=min(room.noise, 0.1)), seed, tick_s=30.0).run(
        36.0, lambda t, on: (1.0 - 0.01 * t / DAY_S) * on
    )
    first_day = min(t for t, _ in life.doubts) / DAY_S
    assert {name for _, name in life.doubts} == {"weak"}
    assert 15.0 <= first_day <= 35.0
    share = life.memory.verdict.weak_share
    assert share is not None
    assert 0.5 <= share < effect.WEAK_SHARE
    accepted = effect.forgive(life.memory)
    assert accepted.verdict.weak_share is None
    assert effect.forgive(life.memory, keep_best=True).verdict.weak_share == share


def test_another_much_weaker_humidifier_is_learned_within_two_days() -> None:
    life = learned_life()
    weaker = 0.35
    life.run(2.0, lambda t, on: weaker * on)
    assert "none" in {name for _, name in life.doubts}
    assert not life.memory.verdict.no_mist
    assert life.memory.learned.gain == pytest.approx(weaker * PLAIN.five_minutes, rel=0.25)
    life.run(1.0, lambda t, on: weaker * on)
    assert life.memory.verdict.weak_share is not None
    accepted = effect.forgive(life.memory)
    assert accepted.verdict.weak_share is None


def test_a_dead_one_keeps_its_doubt_for_days() -> None:
    life = learned_life()
    life.run(0.1, lambda t, on: 0.0)
    assert life.memory.verdict.no_mist
    count = len(life.doubts)
    life.run(3.0, lambda t, on: 0.0)
    assert len(life.doubts) - count == round(3.0 * DAY_S / TICK_S)
    assert {name for _, name in life.doubts} == {"none"}


def test_a_filling_after_a_dry_tank_ends_it() -> None:
    life = learned_life()
    life.run(0.1, lambda t, on: 0.0)
    life.memory = effect.forgive(life.memory, keep_best=True)
    assert not life.memory.verdict.no_mist
    life.doubts.clear()
    life.run(1.0)
    assert life.doubts == []


def test_a_dead_one_that_is_noted_as_filled_is_doubted_again() -> None:
    life = learned_life()
    life.run(2.5, lambda t, on: 0.0)  # by then what mist does is unlearned
    assert not life.memory.learned.known
    assert life.memory.verdict.no_mist
    life.memory = effect.forgive(life.memory, keep_best=True)
    assert not life.memory.verdict.no_mist
    assert life.memory.learned.blocks == 0
    learned = life.memory.learned._replace(blocks=effect_model.LEARNING_BLOCKS)
    life.memory = effect.recalled(life.memory._replace(learned=learned))
    assert not life.memory.verdict.no_mist  # for nothing is sure of it now


def test_a_note_a_day_does_not_keep_it_from_learning() -> None:
    life = Life(PLAIN, 5)
    for _ in range(12):
        life.run(0.2)
        life.memory = effect.forgive(life.memory, keep_best=True)
    assert life.memory.learned.known


# --- what is not seen whole ---


def feed(
    memory: EffectMemory, t: float, for_s: float, rh_pct: float | None, tick_s: float = 30.0
) -> tuple[EffectMemory, float]:
    for _ in range(round(for_s / tick_s)):
        t += tick_s
        memory = effect.advance(memory, t, tick_s, 0.0, rh_pct, None if rh_pct is None else 24.0)
    return memory, t


def test_a_block_with_a_gap_teaches_nothing() -> None:
    life = learned_life()
    memory, t = feed(life.memory, life.t, 600.0, 60.0)
    assert memory.learned.vapour_pct is not None
    known = memory.learned
    for gap_s, silent_s in ((3600.0, 0.0), (0.0, 900.0)):
        after, t_after = feed(memory, t + gap_s, silent_s, None)
        after, t_after = feed(after, t_after, 30.0, 80.0)
        if silent_s:
            assert after.learned.vapour_pct is None
            assert after.learned.shares == (0.0,) * effect_model.LAGS
        assert after.learned.theta == known.theta
        after, t_after = feed(after, t_after, 660.0, 80.0)
        assert after.learned.vapour_pct is not None
        assert after.learned.theta == known.theta  # the first whole block has none before it
        assert not after.verdict.no_mist
        assert not after.verdict.stray_mist


def test_slow_ticks_are_blocks_too() -> None:
    memory = EffectMemory()
    for count in range(12):
        memory = effect.advance(memory, count * 300.0, 300.0, 300.0 * (count % 2), 50.0 + count % 2, 24.0)
    assert memory.learned.blocks > 0


def test_mist_counts_by_when_it_came() -> None:
    # A ramp of moisture after a burst: the difference of two block means grows by the burst times the part of
    # the block that is left after it. Early in a block counts now, late in the next; in sum always the same.
    for at in range(10):
        memory = EffectMemory()
        memory = effect.advance(memory, 0.0, 30.0, 0.0, 50.0, 24.0)
        early = late = 0.0
        for tick in range(20):
            memory = effect.advance(memory, (tick + 1) * 30.0, 30.0, 30.0 * (tick == at), 50.0, 24.0)
            if tick == 9:
                late = memory.learned.shares[0]
                early = memory.learned.shares[1]
        assert early + late == pytest.approx(0.1)
        assert late == pytest.approx(0.1 * (at + 0.5) / 10.0)
        assert memory.learned.shares[1] == pytest.approx(late)


@pytest.mark.parametrize(
    "part",
    [
        {"theta": (nan,) * effect_model.SIZE},
        {"theta": (1e300,) * effect_model.SIZE},
        {"theta": (1.0,)},
        {"cov": ((1.0,),)},
        {"cov": ((inf,) * effect_model.SIZE,) * effect_model.SIZE},
        {"noise": 0.0},
        {"noise": nan},
        {"shares": (0.0,)},
        {"none": nan},
        {"steady": nan},
        {"best": -inf},
        {"vapour_pct": nan},
    ],
)
def test_figures_that_no_learning_gives_are_dropped(part: dict[str, Any]) -> None:
    memory = EffectMemory(0.0, learned=learned_life().memory.learned._replace(**part))
    memory, _ = feed(memory, 0.0, 330.0, 60.0)
    assert memory.learned.blocks == 0
    assert memory.learned.theta == Learned().theta
    assert memory.learned.vapour_pct is not None


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_covariance_that_is_none_raises_nothing(sign: float) -> None:
    rng = random.Random(5)
    life = learned_life()
    for scale in (1e-9, 1.0, 1e5):
        cov = tuple(
            tuple(sign * scale * rng.uniform(-1, 1) for _ in range(effect_model.SIZE))
            for _ in range(effect_model.SIZE)
        )
        memory = EffectMemory(0.0, learned=life.memory.learned._replace(cov=cov, blocks=500))
        t = 0.0
        for rh_pct in (60.0, 20.0, 90.0, 60.0):
            memory, t = feed(memory, t, 900.0, rh_pct)
        assert memory.verdict == effect.judge(memory.learned)
