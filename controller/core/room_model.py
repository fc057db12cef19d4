"""ROOM MODEL: what this room does to its moisture, learned while it runs.

In:    the believed air at every tick, and how long the humidifier is held to have run since the last.
Out:   ``RoomMemory``: for each guess of how slowly mist shows, five figures with their uncertainty.
Never: switches anything, holds anything off, or builds on a figure from a file that no learning could give.

Moisture ``v`` is vapour pressure, in %RH at 24 °C , which goes with the humidity ratio: a
heating swing moves it little. With u the share of time with mist, Fu that share as it shows at the probe,
and s a slow mean of the RH, which walls and goods are taken to follow:

    dv/dt = -loss (v - 50) + ground + store (s - rh) + heat dT/dt + gain Fu

F is a dead time and then a lag, for the way of the mist, its evaporation and the probe's own lag together:
from the readings alone these cannot be told apart. Which of ``SHOWS`` fits is learned: each has its own
filter, and the one whose changes were the smallest surprise is believed.

Blocks of five minutes. The difference of two blocks' means is the mean of dv/dt over both, weighed by a
triangle; every term of the equation is weighed the same, so that the noise of the readings does not
lean the loss to one side, as it does where the block before alone stands for the air. A Kalman filter
with a random walk (Kalman 1960) follows the five figures. A change that cannot be explained (a door)
teaches nothing, and the next half hour neither; nor does anything while the mist itself is in doubt (a dry
tank). Where it goes on, it is no door: an hour of mist that gives another rise than was learned is another
humidifier, or its dial, or a window, and what comes tells which: then the gain is learned as if it were less
well known, the background as if it were not known at all. Six blocks without mist that go another way are the
window, or the weather: then the background alone is.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from controller.core import room_block, room_guess
from controller.core.records import Room
from controller.core.room_block import BLOCK_S, SHOWS, Block
from controller.core.room_guess import (
    GAIN,
    GROUND,
    LOSS,
    MOST,
    SIZE,
    STORE,
    Guess,
    dot,
    learn,
    loosened,
    spread,
)
from controller.core.runtime import RuntimeMemory

BLOCKS_AN_HOUR = 3600.0 / BLOCK_S
MIDDLE_PCT = 50.0
STRANGE, ASTRAY, STUCK = 12, 6, 36
"""Blocks that tell of the mist, one after another, and blocks that do not; and of any kind, held in a row."""
IN_THE_RUN = 4.0
"""A guess so many times as surprised as the best learns only from every sixth block: that is time saved."""
UNEXPLAINED = 3.5
UPSET = 6
"""Half an hour."""
LEARNING_BLOCKS = 96
"""Blocks with mist before anything is built on the model."""
SURE = 8.0
"""And its gain is this many times its own standard error."""
BETTER, BETTER_SHORTER = 0.95, 0.8
"""Share of the believed guess's surprise that another must stay below; and one with a shorter lag."""
FASTER = 1.5
"""How many times as fast as its probe a room may be."""
CAUTION = ((GAIN, 1.4), (LOSS, 1.9), (STORE, 1.9))
"""On the filter's standard deviations, since it takes the weather for steadier than it is: chosen so that of
118 made-up rooms with known truth at least 95 % lay within two of them."""


class Before(NamedTuple):
    """The block before: means, and means weighed by how late in it."""

    v: float
    v_late: float
    gap_late: float
    temp_c: float
    on: float
    mist_late: tuple[float, ...]


class Closed(NamedTuple):
    """What a block showed, before anything was learned from it."""

    change: float
    row: tuple[float, ...]  # what went with it, by the believed guess
    theta: tuple[float, ...]
    variance: float  # of what the change may miss
    best: int  # which guess


class RoomMemory(NamedTuple):
    """The block under way, the one before, and the guesses."""

    block: Block = Block()
    before: Before | None = None
    guesses: tuple[Guess, ...] = (Guess(),) * len(SHOWS)
    blocks: int = 0  # with mist, that were learned from
    upset: int = 0
    strange: int = 0  # blocks that tell of the mist, in a row, that could not be explained
    astray: int = 0  # and of those that do not
    stuck: int = 0  # blocks in a row from which nothing was learned, since one could not be explained
    seen: int = 0  # blocks
    best: int = 1  # the guess that is believed
    closed: Closed | None = None  # the block that ended last, if it was seen whole


def sound(memory: RoomMemory) -> bool:
    """What is remembered may come from a file: figures that no learning gives are not built upon."""
    whole = len(memory.guesses) == len(SHOWS) and 0 <= memory.best < len(SHOWS)
    lists = memory.block[8:11]
    whole = whole and all(len(each) == len(SHOWS) and min(each) >= 0.0 and max(each) <= 1e5 for each in lists)
    before, slow = memory.before, memory.block.slow_rh_pct
    whole = whole and (before is None or len(before.mist_late) == len(SHOWS))
    return whole and all(map(room_guess.sound, memory.guesses)) and (slow is None or 0.0 <= slow <= 100.0)


def advance(
    memory: RoomMemory, t: float, dt_s: float, on_s: float, used: RuntimeMemory,
    rh_pct: float, temp_c: float, doubtful: bool,
) -> RoomMemory:  # fmt: skip
    """Books one tick; at a block's end, learns. ``doubtful``: whether mist comes at all is in doubt."""
    if dt_s <= 0.0:
        return memory
    if len(memory.block.lagged) != len(SHOWS):
        return RoomMemory()
    block = room_block.tick(memory.block, t, dt_s, on_s, used, rh_pct, temp_c)
    lasted_s = t - block.began_t
    if lasted_s < BLOCK_S:
        return memory._replace(block=block)
    following = room_block.anew(block, t)
    if lasted_s > BLOCK_S + max(dt_s, 60.0) or block.seen_s < 0.8 * lasted_s:  # not seen whole
        if lasted_s > 2.0 * BLOCK_S:
            following = following._replace(slow_rh_pct=None)  # what walls hold has followed unseen air
        return memory._replace(block=following, before=None, closed=None)
    if not sound(memory):
        return RoomMemory()
    return _close(memory._replace(block=following), block, doubtful)


def _close(memory: RoomMemory, block: Block, doubtful: bool) -> RoomMemory:
    seen_s = block.seen_s
    v, v_late, gap, gap_late, temp_c, on = (figure / seen_s for figure in block[2:8])
    mist = [share / seen_s for share in block.mist]
    mist_late = tuple([share / seen_s for share in block.mist_late])
    before = memory.before
    after = memory._replace(
        before=Before(v, v_late, gap_late, temp_c, on, mist_late), seen=memory.seen + 1, closed=None
    )
    if before is None:
        return after
    air = before.v_late + v - v_late
    behind = before.gap_late + gap - gap_late
    rows = [
        (was_late + whole - late, MIDDLE_PCT - air, 1.0, behind, temp_c - before.temp_c)
        for was_late, whole, late in zip(before.mist_late, mist, mist_late, strict=True)
    ]
    told = abs(on - before.on) > 0.2 or 0.05 < on < 0.95
    return _taught(after, v - before.v, rows, on > 0.0, told, doubtful)


def _taught(
    memory: RoomMemory,
    change: float,
    rows: Sequence[tuple[float, ...]],
    misty: bool,
    told: bool,
    doubtful: bool,
) -> RoomMemory:
    """What the change of a block teaches each guess; ``told``: mist began or ended."""
    guesses, upset = memory.guesses, max(memory.upset - 1, 0)
    strange, astray, stuck = memory.strange, memory.astray, memory.stuck
    best, row = guesses[memory.best], rows[memory.best]
    learning = memory.blocks < LEARNING_BLOCKS
    miss = change - dot(best.theta, row)
    variance = best.noise + spread(best.cov, row)
    most = UNEXPLAINED * UNEXPLAINED * variance
    unexplained = miss * miss > most
    if (best.theta[GAIN] * row[GAIN]) ** 2 > most:
        strange = strange + 1 if unexplained and not doubtful else 0
    else:
        astray = astray + 1 if unexplained and not doubtful else 0
    if unexplained and not learning:
        upset = UPSET
    stuck = stuck + 1 if upset > 0 and not doubtful else 0
    if strange >= STRANGE or astray >= ASTRAY or stuck >= STUCK:
        guesses = tuple([loosened(guess, astray < ASTRAY) for guess in guesses])
        strange = astray = stuck = upset = 0
    held = upset > 0 or doubtful
    beaten = IN_THE_RUN * best.surprise
    rests = not learning and memory.seen % 6 > 0
    guesses = tuple(
        guess if rests and guess.surprise > beaten else learn(guess, each, change, held, told)
        for guess, each in zip(guesses, rows, strict=True)
    )
    blocks = min(memory.blocks + (misty and not held), 10**6)
    closed = Closed(change, row, best.theta, variance, memory.best)
    return memory._replace(
        guesses=guesses, upset=upset, strange=strange, astray=astray, stuck=stuck, blocks=blocks,
        best=_believed(guesses, memory.best), closed=closed,
    )  # fmt: skip


def known(memory: RoomMemory | None) -> Room | None:
    """What the believed guess says an hour, where enough was learned to build on it."""
    if memory is None or memory.blocks < LEARNING_BLOCKS or not 0 <= memory.best < len(memory.guesses):
        return None
    theta, cov = memory.guesses[memory.best][:2]
    if len(theta) != SIZE or not all([abs(figure) < MOST for figure in theta]):
        return None
    gain = theta[GAIN]
    if (
        not all([len(line) == SIZE for line in (cov, *cov)])
        or not gain > 0.0
        or not gain * gain > SURE * SURE * cov[GAIN][GAIN]
    ):
        return None
    gain_sd, loss_sd, store_sd = (more * BLOCKS_AN_HOUR * sqrt(max(cov[i][i], 0.0)) for i, more in CAUTION)
    return Room(
        BLOCKS_AN_HOUR * gain,
        BLOCKS_AN_HOUR * theta[LOSS],
        BLOCKS_AN_HOUR * theta[GROUND],
        BLOCKS_AN_HOUR * theta[STORE],
        *SHOWS[memory.best % len(SHOWS)],
        gain_sd,
        loss_sd,
        store_sd,
    )


def rate(room: Room, moisture: float, gap_rh_pct: float, mist: float) -> float:
    """How fast the air changes, an hour: the equation of the head at a steady temperature.

    ``gap_rh_pct``: how much moister walls are than the air; ``mist``: the share of it that shows now.
    """
    return room.gain * mist + room.ground + room.store * gap_rh_pct - room.loss * (moisture - MIDDLE_PCT)


def recalled(memory: RoomMemory) -> RoomMemory:
    """What was kept, where learning can have given it; the block under way begins anew."""
    if not sound(memory):
        return RoomMemory()
    return memory._replace(block=Block(), before=None, closed=None)


def blind(memory: RoomMemory) -> RoomMemory:
    """Nothing is believed of the air now: the block is not whole any more."""
    if memory.block.last is None:
        return memory
    return memory._replace(block=memory.block._replace(last=None, seen_s=0.0), before=None, closed=None)


def _believed(guesses: tuple[Guess, ...], best: int) -> int:
    """Another guess must have been clearly less surprised; and the room must be possible.

    Two slow things in a row show as the same two in the other order. A lag that is guessed too short makes
    the air seem to go on by itself; one too long makes the room as fast as the lag is in truth, and both fit
    as well otherwise. So a room that loses moisture much faster than its probe follows is not believed in.
    And a shorter lag must be better by more: with one too short mist is taken for weaker than it is, and each
    run ends too late.
    """
    possible = [
        i for i, guess in enumerate(guesses) if room_guess.able(guess, FASTER * BLOCK_S / SHOWS[i][1])
    ] or [best]
    least = min(possible, key=lambda i: guesses[i].surprise)
    share = BETTER if SHOWS[least][1] >= SHOWS[best][1] else BETTER_SHORTER
    keep = best in possible and not guesses[least].surprise < share * guesses[best].surprise
    return best if keep else least
