"""ROOM GUESS: one guess of how slowly mist shows, and the Kalman filter of its five figures.

In:    the air's change over two blocks and what went with it (a row), as ``room_model.py`` makes them.
Out:   ``Guess``: figures a block with their uncertainty, and how surprised the guess was.
Never: knows what a block is, or which guess is believed.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

SIZE = 5
GAIN, LOSS, GROUND, STORE, HEAT = range(SIZE)
PRIOR = (0.0, 0.08, 0.0, 0.05, 0.0)
"""A block. The loss of about one air change an hour, and walls that give half of that back."""
PRIOR_SD = (20.0, 0.15, 10.0, 0.15, 2.0)
WALK = (0.0, 0.0004, 0.02, 0.0004, 0.01)
GAIN_WALK = 0.006
"""Mist's effect wanders by this share of itself a block with mist in it."""
LEAST_NOISE = 0.05
LOOSENED, LOOSENED_GROUND = 0.1, 5.0
"""Standard deviations from then on: of the gain as a share of it, of the background %RH a block. Where mist
runs all the time the two look alike: a window is likelier than a dial."""
SURPRISE = 1.0 / 288.0
"""How fast the measure of each guess forgets: a day of blocks in which mist began or ended."""
MOST = 1e6

Matrix = tuple[tuple[float, ...], ...]
NOTHING: Matrix = tuple(
    tuple(sd * sd if i == j else 0.0 for j in range(SIZE)) for i, sd in enumerate(PRIOR_SD)
)


class Guess(NamedTuple):
    """One guess of the lag: its figures a block, and how surprised it was."""

    theta: tuple[float, ...] = PRIOR
    cov: Matrix = NOTHING
    noise: float = 1.0  # variance of what is left unexplained
    surprise: float = 0.0  # mean squared miss where mist began or ended


def loosened(guess: Guess, gain: bool) -> Guess:
    """Of the background next to nothing counts as known any more, and of the ``gain``: what comes tells."""
    more = {GAIN: (LOOSENED * guess.theta[GAIN]) ** 2 if gain else 0.0, GROUND: LOOSENED_GROUND**2}
    cov = tuple(
        tuple(min(p + more[i], PRIOR_SD[i] ** 2) if i == j and i in more else p for j, p in enumerate(line))
        for i, line in enumerate(guess.cov)
    )
    return guess._replace(cov=cov)


def able(guess: Guess, fastest: float) -> bool:
    """Whether a room can be so. ``fastest``: the share of extra moisture that is lost in a block, at most."""
    theta, cov = guess.theta, guess.cov
    if theta[LOSS] + theta[STORE] > fastest:
        return False
    return theta[LOSS] > -sqrt(max(cov[LOSS][LOSS], 0.0)) and theta[STORE] > -2.0 * sqrt(
        max(cov[STORE][STORE], 0.0)
    )


def sound(guess: Guess) -> bool:
    """Its figures may come from a file: those that no learning gives are not built upon."""
    theta, cov, noise, surprise = guess
    if not (len(theta) == len(cov) == SIZE and all(len(line) == SIZE for line in cov)):
        return False
    figures = (*theta, *(figure for line in cov for figure in line), surprise)
    return 0.0 < noise < MOST and max(figures) < MOST and min(figures) > -MOST and sum(figures) < MOST


def dot(theta: tuple[float, ...], row: tuple[float, ...]) -> float:
    return theta[0] * row[0] + theta[1] * row[1] + theta[2] * row[2] + theta[3] * row[3] + theta[4] * row[4]


def spread(cov: Matrix, row: tuple[float, ...]) -> float:
    return max(sum(row[i] * dot(cov[i], row) for i in range(SIZE)), 0.0)


def learn(guess: Guess, row: tuple[float, ...], change: float, upset: bool, told: bool) -> Guess:
    theta, noise = guess.theta, guess.noise
    miss = change - dot(theta, row)
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
    weights = [dot(tuple(line), row) for line in cov]
    unsure = max(dot(tuple(weights), row), 0.0)
    total = unsure + noise
    theta = tuple(theta[i] + weights[i] / total * miss for i in range(SIZE))
    after = tuple(
        tuple(0.5 * (cov[i][j] + cov[j][i]) - weights[i] * weights[j] / total for j in range(SIZE))
        for i in range(SIZE)
    )
    noise = max(0.98 * noise + 0.02 * max(min(miss * miss, 9.0 * total) - unsure, 0.0), LEAST_NOISE**2)
    return guess._replace(theta=theta, cov=after, noise=noise, surprise=surprise)
