"""EFFECT: what mist does is learned near the truth of a room written apart, and doubted only with cause."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from copy import deepcopy
from functools import lru_cache
from math import inf, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import air, effect, effect_model
from controller.core.effect import EffectMemory, Learned
from tests.core.mist_room import DAY_S, HOUR_S, TICK_S, Life, Room, honest, some_room

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
@pytest.mark.parametrize("seed", range(18))
def test_no_doubt_in_six_weeks_without_a_fault(seed: int) -> None:
    assert Life(some_room(seed), seed, tick_s=30.0).run(42.0).doubts == []


def opened(
    life: Life, hours: float, per_hour: float, strength: Callable[[float, bool], float] = honest
) -> None:
    """A window stands open for so long, with so many air changes an hour more."""
    room = life.room
    life.room = room._replace(k=room.k + per_hour)
    life.run(hours / 24.0, strength)
    life.room = room


@pytest.mark.parametrize("pulses", [False, True])
@pytest.mark.parametrize(("hours", "per_hour"), [(1.0, 6.0), (3.0, 6.0), (3.0, 4.0), (5.5, 6.0)])
def test_a_window_that_stands_open_for_hours_is_no_doubt(hours: float, per_hour: float, pulses: bool) -> None:
    # Nothing stores moisture here: the air is all there is.
    life = Life(Room(k=0.5, g=60.0, out=20.0, pulses=pulses), 5).run(3.0)
    assert life.memory.learned.known
    for _ in range(3):
        opened(life, hours, per_hour)
        life.run(1.0 - hours / 24.0)
    assert life.doubts == []
    assert life.memory.learned.gain == pytest.approx(life.room.five_minutes, rel=0.3)


def test_one_that_dies_while_a_window_stands_open_is_found_in_the_end() -> None:
    # Six hours are granted to the window, then an hour of being on, as always.
    life = Life(Room(k=0.5, g=60.0, out=20.0), 5).run(3.0)
    ran_s = life.on_s
    opened(life, 1.0, 6.0, lambda t, on: 0.0)
    while not life.memory.verdict.no_mist:
        life.run(TICK_S / DAY_S, lambda t, on: 0.0)
        assert life.on_s - ran_s <= 7 * HOUR_S
    assert {name for _, name in life.doubts} == {"none"}


def test_once_it_is_shut_and_mist_is_seen_the_hour_holds_again() -> None:
    life = Life(Room(k=0.5, g=60.0, out=20.0), 5).run(3.0)
    opened(life, 0.5, 6.0)
    assert life.memory.learned.aired > 0
    life.run(2.0 / 24.0)
    assert life.memory.learned.aired == 0
    ran_s = life.on_s
    while not life.memory.verdict.no_mist:
        life.run(TICK_S / DAY_S, lambda t, on: 0.0)
        assert life.on_s - ran_s <= HOUR_S


def test_always_on_is_never_known() -> None:
    # One that waits for its button runs on till its outlet is switched: nothing to compare with, and
    # the room's own background would be taken for mist's doing.
    memory, t = EffectMemory(), 0.0
    for block in range(100):
        for _ in range(5):
            t += 60.0
            memory = effect.advance(memory, t, 60.0, 60.0, 60.0 - 25.0 * 0.97**block, 24.0)
    assert memory.learned.blocks > effect_model.LEARNING_BLOCKS
    assert memory.learned.idle < effect_model.IDLE_BLOCKS
    assert not memory.learned.known
    assert not memory.verdict.stray_mist


# --- the reset on what neither mist nor none explains ---


def close_by(learned: Learned, rise_pct: float) -> Learned:
    """One block in which the vapour rises by so much, at 24 °C and with the humidifier off."""
    full_pct = 100.0 * air.saturation_pressure_pa(24.0) / effect_model.SCALE_PA
    assert learned.vapour_pct is not None
    return effect_model.close(learned, 100.0 * (learned.vapour_pct + rise_pct) / full_pct, 24.0, 0.0, 0.0)


def settled() -> Learned:
    """Known: a gain of 2 %RH, no background at all, hardly any noise."""
    tight = tuple(
        tuple(1e-4 if i == j else 0.0 for j in range(effect_model.SIZE)) for i in range(effect_model.SIZE)
    )
    return Learned(
        theta=(1.0, 1.0, 0.0, 0.0, 0.0, 0.0), cov=tight, noise=0.01, blocks=500, idle=500.0, vapour_pct=30.0,
        rh_pct=30.0, temp_c=24.0, slow_rh_pct=30.0, steady=2.0, best=2.0,
    )  # fmt: skip


def test_six_blocks_that_nothing_explains_begin_all_anew() -> None:
    learned = settled()
    for count in range(1, effect_model.UPSET):
        learned = close_by(learned, 5.0)  # mist would give 2
        assert learned.strange == count
        assert learned.known
    after = close_by(learned, 5.0)
    assert not after.known
    assert (after.blocks, after.idle, after.strange, after.upset, after.held) == (0, 0.0, 0, 0, 0)
    assert (after.none, after.stray) == (0.0, 0.0)
    assert after.cov == effect_model.NOTHING_KNOWN
    assert after.theta == learned.theta  # the best guess there is, and not built upon
    assert (after.steady, after.best) == (learned.steady, learned.best)


def test_one_block_that_is_explained_and_the_count_begins_anew() -> None:
    learned = settled()
    for _ in range(effect_model.UPSET - 1):
        learned = close_by(learned, 5.0)
    learned = close_by(learned, 0.0)
    assert learned.strange == 0
    for _ in range(effect_model.UPSET - 1):
        learned = close_by(learned, 5.0)
    assert learned.known


def test_falls_are_counted_as_something_opened_and_not_as_another_room_for_six_hours() -> None:
    learned = close_by(settled(), -3.0)
    assert learned.aired == 1
    for count in range(2, effect_model.LONGEST_AIRED + 1):
        learned = close_by(learned, -0.2)
        assert (learned.aired, learned.strange) == (count, 0)
    assert close_by(learned, -0.2).aired == 0


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


SEEDS = range(100)
"""Nothing is selected: each room of them that was learned counts."""


def misses_of(rooms: Iterable[tuple[int, Room]], found: Callable[[Life], bool]) -> list[int]:
    """Seeds of rooms, learned in three days without a doubt, in which a fault is not found in time."""
    missed, learned = [], 0
    for seed, room in rooms:
        life = Life(room, seed).run(3.0)
        if life.doubts or not life.memory.learned.known:
            continue
        learned += 1
        if not found(life):
            missed.append(seed)
    assert learned >= 95
    return missed


def found_or_unlearned(
    seed: int, found: Callable[[Life], bool], room_of: Callable[[int], Room] = some_room
) -> bool:
    """Whether it is found, or the room is one that is not learned in three days (2 is)."""
    life = Life(room_of(seed), seed).run(3.0)
    assert life.doubts == []
    return not life.memory.learned.known or found(life)


def dead_is_found(life: Life) -> bool:
    ran_s = life.on_s
    while not life.memory.verdict.no_mist and life.on_s - ran_s <= HOUR_S:
        life.run(TICK_S / DAY_S, lambda t, on: 0.0)
    assert {name for _, name in life.doubts} <= {"none"}
    return life.memory.verdict.no_mist


def stray_is_found(life: Life) -> bool:
    was_off_s, began_t = life.t - life.on_s, life.t
    while not life.memory.verdict.stray_mist and life.t - life.on_s - was_off_s <= 2 * HOUR_S:
        life.run(TICK_S / DAY_S, lambda t, on: 1.0)
        if life.t - began_t > 2 * DAY_S:
            return False
    return life.memory.verdict.stray_mist


@pytest.mark.parametrize("seed", range(6))
def test_a_dead_humidifier_is_found_within_an_hour_of_being_on(seed: int) -> None:
    assert found_or_unlearned(seed, dead_is_found)


@pytest.mark.slow
def test_a_dead_humidifier_is_found_in_time_in_nearly_every_room() -> None:
    # Measured: 3 of 98 (40, 62, 76), where mist is switched so fast that its share in the air is underrated:
    # the dead room then falls as if something had been opened. They are found within seven hours.
    assert len(misses_of(((seed, some_room(seed)) for seed in SEEDS), dead_is_found)) <= 3


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


def not_too_full(seed: int) -> Room:
    room = some_room(seed)
    return room._replace(g=min(room.g, room.k * (85.0 - room.out)))  # or the air is full before


@pytest.mark.parametrize("seed", range(6))
def test_mist_while_off_is_found_within_two_hours(seed: int) -> None:
    assert found_or_unlearned(seed, stray_is_found, not_too_full)


def test_the_doubt_of_mist_while_off_ends_with_it() -> None:
    life = learned_life(not_too_full(0), seed=0)
    assert stray_is_found(life)
    life.run(0.5)
    assert not life.memory.verdict.stray_mist


@pytest.mark.slow
def test_mist_while_off_is_found_in_time_in_nearly_every_room() -> None:
    # Measured: 4 of 98 (7, 39, 62 and 97).
    assert len(misses_of(((seed, not_too_full(seed)) for seed in SEEDS), stray_is_found)) <= 4


@pytest.mark.slow
def test_scale_is_told_before_a_third_is_gone_and_not_at_once() -> None:
    # One per cent of new a day. 0.72 of the best is reached on day 28; the smoothing may take a week more.
    # Measured: not told in 2 of 22 (2 and 10), where a strong humidifier is switched every few minutes.
    untold = []
    for seed in range(22):
        room = some_room(seed)
        life = Life(room._replace(noise=min(room.noise, 0.1)), seed, tick_s=30.0)
        life.run(36.0, lambda t, on: (1.0 - 0.01 * t / DAY_S) * on)
        if not life.doubts:
            untold.append(seed)
            continue
        assert {name for _, name in life.doubts} == {"weak"}
        assert 15.0 <= min(t for t, _ in life.doubts) / DAY_S <= 35.0
    assert len(untold) <= 2


def test_what_is_left_is_a_new_measure_once_it_is_accepted() -> None:
    life = Life(PLAIN, 7, tick_s=30.0).run(36.0, lambda t, on: (1.0 - 0.01 * t / DAY_S) * on)
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
