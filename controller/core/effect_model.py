"""EFFECT MODEL: one block of five minutes after another, what the air's change teaches of mist.

In:    each block's mean air, and when in it mist came; what the blocks before it taught.
Out:   ``Learned``: six figures with their uncertainty, and the evidence that mist does not do as it did.
Never: builds on a figure from a file that no learning could have given.

Moisture is vapour pressure, in %RH at 24 °C, so that a heating swing looks like nothing. The change between
two blocks' means is explained by mist, now and a block ago; by how moist the air was, how much moister
than walls and substrate, and how it warmed; and by a background that wanders: six figures, followed by a
Kalman filter with a random walk (Kalman 1960). Mist counts by when it came: at the border of the two blocks
wholly, towards their far ends less and less, as it does in the mean of a block. A change that cannot be
explained at all (a door) teaches nothing for a while. Whether mist came is judged by the likelihood of the
change with it and without it, summed as Page's CUSUM (Page 1954); a change far beyond both is no evidence.
Half an hour of those is another room: all is then learned anew, and nothing said until it is.

Where the air falls clearly faster than it does without mist, and no doubt was there before, something was
opened. Whether mist comes cannot be told then: for up to six hours, or until mist is seen again, nothing is
learned and nothing counts as no mist. Where doubt had begun, a fast fall is no excuse. Nor is anything known
in a room that was never without mist: its own background looks like part of the mist then.
"""

from __future__ import annotations

from itertools import chain
from math import sqrt
from operator import mul
from typing import NamedTuple

from controller.core import air

LAGS = 2
"""A third is not to be told from the air's own return where mist comes fast: their sum would wander."""
SCALE_PA = 2985.0
"""About the saturation pressure at 24 °C; it only gives moisture a unit people know."""
PRIOR_SD = (10.0,) * (LAGS + 4)
SIZE = len(PRIOR_SD)
MIST_WALK = 0.003
"""Mist's effect wanders by this share of itself a block: it forgets half in about two weeks of mist."""
AIR_WALK, GROUND_WALK, STORE_WALK, HEAT_WALK = 0.01, 0.02, 0.01, 0.01
STORE = 0.05
"""A block's weight in the slow mean: about an hour and a half."""
LEAST_NOISE = 0.05
LEARNING_BLOCKS = 72
"""With mist in them: six hours where it is always on."""
IDLE_BLOCKS = 12
"""An hour's worth without mist: where it was never off, mist cannot be told from the room's background."""
SURE = 4.0
"""The effect counts as known when it is so many times its own standard error."""
TELLING = 2.0
"""A block can tell whether mist came when its mist is so many standard deviations of the noise."""
TELLING_OFF = 3.0
"""Likewise without mist: more, since what was learned wrongly shows itself there, block after block."""
UNEXPLAINED = 3.0
UPSET = 6
"""Half an hour."""
FALLS = 0.15
"""Of the gain, a block: a fall that is so much faster than without mist is something that was opened."""
LONGEST_AIRED = 72
"""Six hours; what was opened and still stands so is then said, as no mist."""
SEEN = 6
"""Blocks one after another that can tell and had their mist: what was opened is shut."""
MOST_EVIDENCE = 1.0
ENOUGH = 8.0
"""Log likelihood ratio at which it is said: at the most of 1 a block, never sooner than after eight."""
LEARNS_BELOW = 2.0
LONGEST_HELD = 288
"""A day: what has not become true again by then may be another humidifier, or another room."""
FADES = 1.0 - 0.001 / 288.0
"""A thousandth in a day of blocks with mist: over a season a room itself makes less or more of mist."""
SMOOTH = 1.0 / 288.0
"""A day of blocks with mist."""
MOST = 1e6
"""No figure that was learned is larger."""
Matrix = tuple[tuple[float, ...], ...]
NOTHING_KNOWN: Matrix = tuple(
    tuple(sd * sd if i == j else 0.0 for j in range(SIZE)) for i, sd in enumerate(PRIOR_SD)
)


class Learned(NamedTuple):
    """What is known after the last block."""

    theta: tuple[float, ...] = (0.0,) * SIZE
    cov: Matrix = NOTHING_KNOWN
    noise: float = 1.0  # variance of what is left unexplained
    blocks: int = 0  # that were learned from with mist in them
    idle: float = 0.0  # those and parts of those that were learned from without mist
    vapour_pct: float | None = None  # the block before; None when it was not seen whole
    rh_pct: float = 0.0
    temp_c: float = 0.0
    slow_rh_pct: float | None = None  # what walls and substrate are taken to follow
    shares: tuple[float, ...] = (0.0,) * LAGS  # mist late in the block before; mist as that block counted it
    none: float = 0.0  # evidence that no mist comes although it is on
    stray: float = 0.0  # evidence that mist comes although it is off
    held: int = 0  # blocks in a row that were not learned from, since they looked like a fault
    upset: int = 0  # blocks for which nothing is learned, since the last one could not be explained at all
    strange: int = 0  # blocks in a row that were far from what there is with mist and without
    fell: float = 0.0  # how far the air fell below what it does without mist
    aired: int = 0  # blocks since the air fell faster than without mist; 0 = mist was seen since
    seen: int = 0  # of them, those in a row that could tell and had their mist
    steady: float = 0.0  # the gain, smoothed over about a day of mist
    best: float = 0.0  # the most that ever was; fades slowly, and falls when the keeper accepts less

    @property
    def gain(self) -> float:
        """%RH (at 24 °C) that five minutes of mist raise."""
        return sum(self.theta[:LAGS])

    @property
    def gain_sd(self) -> float:
        total = sum([covariance for line in self.cov[:LAGS] for covariance in line[:LAGS]])
        return sqrt(total) if total > 0.0 else 0.0

    @property
    def known(self) -> bool:
        seen_both = self.blocks >= LEARNING_BLOCKS and self.idle >= IDLE_BLOCKS
        return seen_both and self.gain > SURE * self.gain_sd


def anew(learned: Learned) -> Learned:
    """All is to be learned again: what the air does by itself cannot be told from mist's effect for sure."""
    return learned._replace(theta=(0.0,) * SIZE, cov=NOTHING_KNOWN, blocks=0, idle=0.0, held=0)


def close(learned: Learned, rh_pct: float, temp_c: float, early: float, late: float) -> Learned:
    """One whole block: what it is evidence of, then what it teaches."""
    if not sound(learned):
        learned = Learned()
    vapour_pct = 100.0 * air.vapour_pressure_pa(temp_c, rh_pct) / SCALE_PA
    before_pct, shares, slow_rh_pct = learned.vapour_pct, learned.shares, learned.slow_rh_pct
    slow_after = rh_pct if slow_rh_pct is None else slow_rh_pct + STORE * (rh_pct - slow_rh_pct)
    mist = (early + shares[0], *shares[1:])
    followed = learned._replace(
        vapour_pct=vapour_pct,
        rh_pct=rh_pct,
        temp_c=temp_c,
        slow_rh_pct=slow_after,
        shares=(late, *mist[: LAGS - 1]),
    )
    if before_pct is None or slow_rh_pct is None:
        return followed
    row = (
        *mist,
        (before_pct - 50.0) / 50.0,
        1.0,
        (slow_rh_pct - learned.rh_pct) / 10.0,
        temp_c - learned.temp_c,
    )
    change = vapour_pct - before_pct
    followed, strange = _evidence(learned, followed, mist, row, change)
    none, stray = followed.none, followed.stray
    strange = strange and not followed.aired  # what was opened will be shut again
    followed = followed._replace(strange=learned.strange + 1 if strange else 0)
    if followed.strange >= UPSET:
        return followed._replace(
            cov=NOTHING_KNOWN, blocks=0, idle=0.0, none=0.0, stray=0.0, held=0, upset=0, strange=0
        )
    if followed.aired:
        return followed
    if learned.known and (none > LEARNS_BELOW or stray > LEARNS_BELOW):
        held = learned.held + 1  # a fault must not be learned as the way things are, or not at once
        return followed._replace(held=held) if held < LONGEST_HELD else anew(followed)
    taught = _learn(followed, row, change)._replace(held=0)
    return taught._replace(none=0.0, stray=0.0) if taught.known and not learned.known else taught


def sound(learned: Learned) -> bool:
    """What is remembered may come from a file: figures that no learning gives are not built upon."""
    figures = [
        *learned.theta, *chain.from_iterable(learned.cov), *learned.shares, learned.noise,
        learned.none, learned.stray, learned.steady, learned.best, learned.rh_pct, learned.temp_c,
        learned.vapour_pct or 0.0, learned.slow_rh_pct or 0.0,
    ]  # fmt: skip
    square = len(learned.theta) == len(learned.cov) == SIZE and all(len(line) == SIZE for line in learned.cov)
    whole = square and len(learned.shares) == LAGS and learned.noise > 0.0
    whole = whole and learned.steady >= 0.0 and learned.best >= 0.0
    return whole and all([abs(figure) < MOST for figure in figures])


def _evidence(
    learned: Learned, followed: Learned, mist: tuple[float, ...], row: tuple[float, ...], change: float
) -> tuple[Learned, bool]:
    """For no mist, for stray mist, and whether the change is far from what either would be."""
    if not learned.known:
        return followed._replace(fell=0.0, aired=0, seen=0), False
    theta = learned.theta
    ground = sum(map(mul, theta[LAGS:], row[LAGS:]))
    noise = learned.noise + _spread(learned.cov, row)
    sd = sqrt(noise)
    expected = sum(map(mul, theta[:LAGS], mist))
    found = change - ground
    none, stray, gain = learned.none, learned.stray, learned.gain
    doubted = none > LEARNS_BELOW  # then it is no excuse that the room dries faster than it was learned to
    too_low = found <= -max(UNEXPLAINED * sd, 0.5 * gain) and not doubted
    strange = too_low or found >= gain + max(UNEXPLAINED * sd, gain)
    fell = 0.0 if learned.aired else max(learned.fell - found - max(FALLS * gain, sd), 0.0)
    most = 2.0 * FALLS * gain if learned.none <= 0.0 else gain
    aired, seen = _aired(learned, fell >= max(most, UNEXPLAINED * sd))
    if expected >= TELLING * sd and (doubted or found > -max(UNEXPLAINED * sd, 0.5 * expected)):
        speaks = _bounded(expected * (0.5 * expected - found) / noise)
        seen = seen + 1 if aired and speaks < -0.5 * MOST_EVIDENCE else 0
        if seen >= SEEN:
            aired = seen = 0
        if not aired or speaks < 0.0:
            none += speaks
    elif not any(mist) and gain >= TELLING_OFF * sd and found < gain + max(UNEXPLAINED * sd, gain):
        stray += _bounded(gain * (found - 0.5 * gain) / noise)
    none, stray = min(max(none, 0.0), 2.0 * ENOUGH), min(max(stray, 0.0), 2.0 * ENOUGH)
    return followed._replace(none=none, stray=stray, fell=fell, aired=aired, seen=seen), strange


def _aired(learned: Learned, fell: bool) -> tuple[int, int]:
    """How long ago something was opened, as far as that can still excuse it that no mist is seen."""
    if learned.aired:
        over = learned.aired >= LONGEST_AIRED
        return (0, 0) if over else (learned.aired + 1, learned.seen)
    return (1, 0) if fell and learned.none <= LEARNS_BELOW else (0, 0)


def _bounded(evidence: float) -> float:
    return min(max(evidence, -MOST_EVIDENCE), MOST_EVIDENCE)


def _spread(cov: Matrix, row: tuple[float, ...]) -> float:
    return max(
        sum([x * p * y for x, line in zip(row, cov, strict=True) for p, y in zip(line, row, strict=True)]),
        0.0,
    )


def _learn(learned: Learned, row: tuple[float, ...], change: float) -> Learned:
    """One step of the Kalman filter; what it cannot explain moves it the less, the further off it is."""
    theta, noise = learned.theta, learned.noise
    mist_walk = MIST_WALK * max(learned.gain, 0.3)
    walk = (*(mist_walk,) * LAGS, AIR_WALK, GROUND_WALK, STORE_WALK, HEAT_WALK)
    cov = [list(line) for line in learned.cov]
    for i, line in enumerate(cov):
        if line[i] < PRIOR_SD[i] ** 2:
            line[i] += walk[i] ** 2
    weights = [sum(map(mul, line, row)) for line in cov]
    unsure = max(sum(map(mul, row, weights)), 0.0)
    total = unsure + noise
    miss = change - sum(map(mul, theta, row))
    most = UNEXPLAINED * sqrt(total)
    held = min(max(miss, -most), most)
    upset = UPSET if miss != held and learned.known else max(learned.upset - 1, 0)
    if miss != held:
        total *= (miss / held) * (miss / held)
    theta = tuple([known + weight / total * miss for known, weight in zip(theta, weights, strict=True)])
    after = tuple(
        [
            tuple([0.5 * (p + q) - x * y / total for p, q, y in zip(line, column, weights, strict=True)])
            for line, column, x in zip(cov, zip(*cov, strict=True), weights, strict=True)
        ]
    )
    if upset or unsure < noise or learned.blocks < LEARNING_BLOCKS:
        noise = max(0.98 * noise + 0.02 * min(held * held, 9.0 * noise), LEAST_NOISE**2)
    if upset:  # a door, say: another room for a while, which would be learned as this one
        return learned._replace(cov=tuple(map(tuple, cov)), noise=noise, upset=upset)
    misty = any(row[:LAGS])
    taught = learned._replace(
        theta=theta,
        cov=after,
        noise=noise,
        upset=0,
        blocks=min(learned.blocks + misty, 10**9),
        idle=min(learned.idle + max(1.0 - sum(row[:LAGS]) / LAGS, 0.0), MOST),
    )
    if not taught.known or not misty:
        return taught  # without mist there is nothing to see of it
    steady = taught.steady + SMOOTH * (taught.gain - taught.steady) if taught.steady else taught.gain
    return taught._replace(steady=steady, best=max(taught.best * FADES, steady))
