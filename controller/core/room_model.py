"""ROOM MODEL: what this room does to its moisture, learned while it runs.

In:    the believed air at every tick, and how long the humidifier is held to have run since the last.
Out:   ``RoomMemory``: for each of a few guesses of how slowly mist shows, five figures with their uncertainty.
Never: switches anything, holds anything off, or builds on a figure from a file that no learning could give.

Moisture ``v`` is vapour pressure, in %RH at 24 °C (``PA_PER_PCT``), which goes with the humidity ratio: a
heating swing moves it little. With u the share of time with mist, Fu that share as it shows at the probe,
and s a slow mean of the RH, which walls and goods are taken to follow:

    dv/dt = -loss (v - 50) + ground + store (s - rh) + heat dT/dt + gain Fu

F is a dead time and then a lag, for the way of the mist, its evaporation and the probe's own lag together: from
the readings alone these cannot be told apart. Which of ``SHOWS`` fits is learned: each has its own filter, and
the one whose changes were the smallest surprise is believed.

Blocks of five minutes. The difference of two blocks' means is the mean of dv/dt over both, weighed by a
triangle; every term of the equation is weighed the same, so that the noise of the readings does not
lean the loss to one side, as it does where the block before alone stands for the air. A Kalman filter
with a random walk (Kalman 1960) follows the five figures. A change that cannot be explained (a door)
teaches nothing, and the next half hour neither.
"""

from __future__ import annotations

from math import exp, isfinite, sqrt
from typing import NamedTuple

from controller.core import air, runtime
from controller.core.records import NEVER_T
from controller.core.runtime import RuntimeMemory

BLOCK_S = 300.0
BLOCKS_AN_HOUR = 3600.0 / BLOCK_S
PA_PER_PCT = 29.85
"""A hundredth of about the saturation pressure at 24 °C: it only gives moisture a unit people know."""
MIDDLE_PCT = 50.0
DEAD_S, LAG_S = (30.0, 75.0, 120.0, 180.0), (30.0, 300.0, 900.0)
SHOWS = tuple((dead_s, lag_s) for lag_s in LAG_S for dead_s in DEAD_S)
"""Guesses of how mist shows at the probe: dead time, then a lag, seconds."""
STORE_S = 5400.0
SIZE = 5
GAIN, LOSS, GROUND, STORE, HEAT = range(SIZE)
PRIOR = (0.0, 0.08, 0.0, 0.05, 0.0)
"""A block. The loss of about one air change an hour, and walls that give half of that back."""
PRIOR_SD = (20.0, 0.15, 10.0, 0.15, 2.0)
WALK = (0.0, 0.0004, 0.02, 0.0004, 0.01)
GAIN_WALK = 0.006
"""Mist's effect wanders by this share of itself a block with mist in it."""
LEAST_NOISE = 0.05
UNEXPLAINED = 3.5
UPSET = 6
"""Half an hour."""
SURPRISE = 1.0 / 288.0
"""How fast the measure of each guess forgets: a day of blocks in which mist began or ended."""
LEARNING_BLOCKS = 96
"""Blocks with mist before anything is built on the model."""
SURE = 8.0
"""And its gain is this many times its own standard error."""
MOST = 1e6

Matrix = tuple[tuple[float, ...], ...]
NOTHING: Matrix = tuple(tuple(sd * sd if i == j else 0.0 for j in range(SIZE)) for i, sd in enumerate(PRIOR_SD))


class Guess(NamedTuple):
    """One guess of the lag: its figures a block, and how surprised it was."""

    theta: tuple[float, ...] = PRIOR
    cov: Matrix = NOTHING
    noise: float = 1.0  # variance of what is left unexplained
    surprise: float = 0.0  # mean squared miss where mist began or ended
    lagged: float = 0.0  # the lag as it stands: share of mist
    mean: float = 0.0  # sums of the block under way
    late: float = 0.0
    late_before: float = 0.0  # of the block before


class Room(NamedTuple):
    """What is believed of the room, an hour; ``v`` is moisture as above. See the module's head."""

    gain: float  # %RH (at 24 °C) an hour that steady mist raises
    loss: float  # share of the distance from the background that is lost
    ground: float  # what the room would gain at v = 50
    store: float  # what walls give for each %RH that they are moister than the air
    heat: float  # for each K that it gets warmer (not an hour)
    dead_s: float
    lag_s: float


class RoomMemory(NamedTuple):
    """The block under way, the one before, and the guesses."""

    began_t: float = NEVER_T
    seen_s: float = 0.0
    v: tuple[float, float] = (0.0, 0.0)  # integral over the block, and weighed by how late in it
    gap: tuple[float, float] = (0.0, 0.0)  # the same of slow RH less RH
    temp: float = 0.0
    last: tuple[float, float] | None = None  # moisture and gap at the last tick
    on_s: float = 0.0
    slow_rh_pct: float | None = None
    before: tuple[float, float, float, float] | None = None  # mean v, late v, late gap, mean temp
    was_on: float = 0.0  # share of the block before
    guesses: tuple[Guess, ...] = (Guess(),) * len(SHOWS)
    blocks: int = 0  # with mist, that were learned from
    upset: int = 0
    best: int = 1  # the guess that is believed


def known(memory: RoomMemory) -> Room | None:
    """The guess that is believed, where enough was learned to build on it."""
    theta, cov = memory.guesses[memory.best][:2]
    gain, variance = theta[GAIN], cov[GAIN][GAIN]
    if memory.blocks < LEARNING_BLOCKS or not gain > 0.0 or not gain * gain > SURE * SURE * variance:
        return None
    an_hour = tuple(BLOCKS_AN_HOUR * figure for figure in theta)
    return Room(*an_hour[:HEAT], theta[HEAT], *SHOWS[memory.best])


def sound(memory: RoomMemory) -> bool:
    """What is remembered may come from a file: figures that no learning gives are not built upon."""
    whole = len(memory.guesses) == len(SHOWS) and 0 <= memory.best < len(SHOWS)
    for guess in memory.guesses:
        shape = len(guess.theta) == len(guess.cov) == SIZE and all(len(line) == SIZE for line in guess.cov)
        figures = (*guess.theta, *(p for line in guess.cov for p in line), *guess[2:])
        whole = whole and shape and guess.noise > 0.0 and all(abs(figure) < MOST for figure in figures)
    slow = memory.slow_rh_pct
    return whole and (slow is None or 0.0 <= slow <= 100.0)


def advance(
    memory: RoomMemory, t: float, dt_s: float, on_s: float, used: RuntimeMemory,
    rh_pct: float | None, temp_c: float | None,
) -> RoomMemory:  # fmt: skip
    """Books one tick; at a block's end, learns."""
    if dt_s <= 0.0:
        return memory
    shares = [min(runtime.on_s_between(used, t - dt_s - dead_s, t - dead_s) / dt_s, 1.0) for dead_s in DEAD_S]
    late = min(max(t - 0.5 * dt_s - memory.began_t, 0.0) / BLOCK_S, 1.0)
    guesses = tuple(
        _follow(guess, fade, within, shares[i % len(DEAD_S)], dt_s, late)
        for i, (guess, (fade, within)) in enumerate(zip(memory.guesses, _fades(dt_s), strict=True))
    )
    seen_s, v, gap, temp, slow = memory.seen_s, memory.v, memory.gap, memory.temp, memory.slow_rh_pct
    if rh_pct is not None and temp_c is not None:
        moisture = air.vapour_pressure_pa(temp_c, rh_pct) / PA_PER_PCT
        slow = rh_pct if slow is None else slow + (1.0 - exp(-dt_s / STORE_S)) * (rh_pct - slow)
        behind = slow - rh_pct
        last = memory.last or (moisture, behind)
        v_s, gap_s = 0.5 * (moisture + last[0]) * dt_s, 0.5 * (behind + last[1]) * dt_s
        last = moisture, behind
        seen_s += dt_s
        v = v[0] + v_s, v[1] + v_s * late
        gap = gap[0] + gap_s, gap[1] + gap_s * late
        temp += temp_c * dt_s
    else:
        last = None
    if t - memory.began_t < BLOCK_S:
        return memory._replace(
            guesses=guesses, seen_s=seen_s, v=v, gap=gap, temp=temp, on_s=memory.on_s + on_s, slow_rh_pct=slow,
            last=last,
        )
    lasted_s = t - memory.began_t
    whole = lasted_s <= BLOCK_S + max(dt_s, 60.0) and seen_s >= 0.8 * lasted_s
    after = memory._replace(
        began_t=t, seen_s=0.0, v=(0.0, 0.0), gap=(0.0, 0.0), temp=0.0, on_s=0.0, slow_rh_pct=slow, guesses=guesses,
        last=last,
    )
    if not whole:
        cleared = tuple(guess._replace(mean=0.0, late=0.0, late_before=0.0) for guess in guesses)
        return after._replace(before=None, guesses=cleared, slow_rh_pct=slow if lasted_s <= 2.0 * BLOCK_S else None)
    return _close(after, lasted_s, (v[0] / seen_s, v[1] / seen_s, gap[0] / seen_s, gap[1] / seen_s, temp / seen_s),
                  (memory.on_s + on_s) / lasted_s)  # fmt: skip


def _follow(guess: Guess, fade: float, within: float, share: float, dt_s: float, late: float) -> Guess:
    theta, cov, noise, surprise, lagged, mean, was_late, before = guess
    now = share + (lagged - share) * fade
    part = (share + (lagged - share) * within) * dt_s  # exact: the share is steady in between
    return Guess(theta, cov, noise, surprise, now, mean + part, was_late + part * late, before)


_KNOWN_FADES: dict[float, tuple[tuple[float, float], ...]] = {}


def _fades(dt_s: float) -> tuple[tuple[float, float], ...]:
    """What is left of a distance after this long, and of it in the mean meanwhile."""
    found = _KNOWN_FADES.get(dt_s)
    if found is None:
        if len(_KNOWN_FADES) > 64:
            _KNOWN_FADES.clear()
        found = _KNOWN_FADES[dt_s] = tuple(
            (exp(-dt_s / lag_s), lag_s / dt_s * (1.0 - exp(-dt_s / lag_s))) for _, lag_s in SHOWS
        )
    return found


def _close(memory: RoomMemory, lasted_s: float, block: tuple[float, ...], on: float) -> RoomMemory:
    mean_v, late_v, _, late_gap, temp_c = block
    mean_gap = block[2]
    before, guesses = memory.before, memory.guesses
    shares = [(guess.mean / lasted_s, guess.late / lasted_s) for guess in guesses]
    upset = max(memory.upset - 1, 0)
    if before is not None:
        change = mean_v - before[0]
        v = before[1] + mean_v - late_v
        gap = before[2] + mean_gap - late_gap
        rows = [
            (guess.late_before + mean - late, MIDDLE_PCT - v, 1.0, gap, temp_c - before[3])
            for guess, (mean, late) in zip(guesses, shares, strict=True)
        ]
        best = memory.guesses[memory.best]
        miss = change - _dot(best.theta, rows[memory.best])
        total = best.noise + _spread(best.cov, rows[memory.best])
        known = memory.blocks >= LEARNING_BLOCKS
        if known and miss * miss > UNEXPLAINED * UNEXPLAINED * total:
            upset = UPSET
        told = abs(on - memory.was_on) > 0.2 or 0.05 < on < 0.95
        guesses = tuple(
            _learn(guess, row, change, upset > 0, told) for guess, row in zip(guesses, rows, strict=True)
        )
    misty = on > 0.0 and not upset
    guesses = tuple(
        guess._replace(mean=0.0, late=0.0, late_before=late) for guess, (_, late) in zip(guesses, shares, strict=True)
    )
    return memory._replace(
        before=(mean_v, late_v, late_gap, temp_c), was_on=on, guesses=guesses, upset=upset,
        blocks=min(memory.blocks + misty, 10**6), best=_believed(guesses, memory.best),
    )  # fmt: skip


def _believed(guesses: tuple[Guess, ...], best: int) -> int:
    """Another guess must have been clearly less surprised; and no room gains moisture by being moist.

    A lag that is guessed too short makes the air seem to go on by itself, and fits as well otherwise.
    """
    able = [i for i, guess in enumerate(guesses) if _able(guess)] or [best]
    least = min(able, key=lambda i: guesses[i].surprise)
    return least if best not in able or guesses[least].surprise < 0.95 * guesses[best].surprise else best


def _able(guess: Guess) -> bool:
    theta, cov = guess.theta, guess.cov
    return theta[LOSS] > -sqrt(max(cov[LOSS][LOSS], 0.0)) and theta[STORE] > -2.0 * sqrt(max(cov[STORE][STORE], 0.0))


def _dot(theta: tuple[float, ...], row: tuple[float, ...]) -> float:
    return theta[0] * row[0] + theta[1] * row[1] + theta[2] * row[2] + theta[3] * row[3] + theta[4] * row[4]


def _spread(cov: Matrix, row: tuple[float, ...]) -> float:
    return max(sum(row[i] * _dot(cov[i], row) for i in range(SIZE)), 0.0)


def _learn(guess: Guess, row: tuple[float, ...], change: float, upset: bool, told: bool) -> Guess:
    theta, noise = guess.theta, guess.noise
    miss = change - _dot(theta, row)
    surprise = guess.surprise
    if told and not upset:
        surprise += SURPRISE * (min(miss * miss, 25.0 * noise) - surprise)
    if upset:
        return guess._replace(surprise=surprise)
    walk = (GAIN_WALK * abs(theta[GAIN]) * (row[GAIN] > 0.02), *WALK[1:])
    cov = [
        [p + walk[i] * walk[i] if i == j and p < PRIOR_SD[i] ** 2 else p for j, p in enumerate(line)]
        for i, line in enumerate(guess.cov)
    ]
    weights = [_dot(tuple(line), row) for line in cov]
    unsure = max(_dot(tuple(weights), row), 0.0)
    total = unsure + noise
    theta = tuple(theta[i] + weights[i] / total * miss for i in range(SIZE))
    after = tuple(
        tuple(0.5 * (cov[i][j] + cov[j][i]) - weights[i] * weights[j] / total for j in range(SIZE)) for i in range(SIZE)
    )
    noise = max(0.98 * noise + 0.02 * max(min(miss * miss, 9.0 * total) - unsure, 0.0), LEAST_NOISE**2)
    return guess._replace(theta=theta, cov=after, noise=noise, surprise=surprise)
