"""UNEXPECTED: moisture that goes or comes faster than the learned room and its mist explain.

In:    each block of five minutes: how the air changed, what the room model foretold, how sure it was.
Out:   ``Oddity``: that the air gets drier or wetter than it should, since when, and when that ended.
Never: switches or refuses anything, or judges whether mist comes: ``effect.py`` does.

What the model missed, in its own standard deviations, is summed on both sides as Page's CUSUM (1954). Where
mist was given, a fall counts as far as it would be one without any mist, too, and a smaller one says nothing:
else a dry tank would look like a window. While there is doubt, a block is held against the room as it was
before: the model itself soon takes an open window for the weather. It ends when the air has behaved for
three blocks, or after six hours: then that is how the room is now.

A door or window takes moisture away; hand misting, laundry, sleepers bring it. Which of these it was cannot
be told from the air, nor from weather that turns within an hour. What changes slowly is learned as
background: substrate that dries over days, and the drift of a lone probe, which only a second one tells.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from controller.core.records import NEVER_T, Odd
from controller.core.room_block import BLOCK_S
from controller.core.room_guess import GAIN, MOST, SIZE, dot
from controller.core.room_model import Closed

DRIER, WETTER = "drier", "wetter"
SLACK = 2.0
"""Standard deviations of each block that count for nothing."""
MOST_OFF = 6.0
"""And the most that a block can be off: two blocks at least must agree."""
ENOUGH = 8.0
DOUBTS_AT = 3.0
USUAL = 2.5
"""Within so many standard deviations a block is as usual."""
SETTLED = 3
"""So many of those in a row end it."""
RESTS = 12
"""Blocks after it, an hour: what was borrowed comes back, and the room model finds its way back."""
LONGEST = 72
TOLD_S = 6.0 * 3600.0
"""So long after its end it is still told of."""


class Oddity(NamedTuple):
    """``until_t`` None: it lasts."""

    kind: str
    since_t: float
    until_t: float | None = None


class OddMemory(NamedTuple):
    """The sums, and what was found last."""

    seen: int = 0  # the room model's count of blocks at the last look
    drier: float = 0.0
    wetter: float = 0.0
    since_t: float = NEVER_T  # when the larger of them began to grow
    usual: tuple[float, ...] | None = None  # the room before there was any doubt
    lasts: int = 0  # blocks in doubt, or since it was found
    settled: int = 0
    rests: int = 0
    found: Oddity | None = None


def advance(memory: OddMemory, seen: int, closed: Closed | None, t: float, doubtful: bool) -> OddMemory:
    """One tick. ``closed``: None where the room is not known; ``doubtful``: whether mist comes at all."""
    if seen == memory.seen:
        return memory
    found, lasts = memory.found, memory.lasts + 1
    lasting = found is not None and found.until_t is None
    if lasts > LONGEST:  # this is how the room is now
        return OddMemory(seen, found=found._replace(until_t=t) if found is not None and lasting else found)
    usual = () if closed is None else memory.usual or closed.theta
    off = None if closed is None or doubtful else _off(closed, usual)
    if off is None:
        return memory._replace(seen=seen, lasts=lasts if memory.usual else 0)
    if found is not None and lasting:
        goes_on = -off if found.kind == DRIER else off
        settled = 0 if goes_on > USUAL else memory.settled + 1
        if settled >= SETTLED:
            return OddMemory(seen, rests=RESTS, found=found._replace(until_t=t - SETTLED * BLOCK_S))
        return memory._replace(seen=seen, lasts=lasts, settled=settled)
    if memory.rests > 0:
        return memory._replace(seen=seen, rests=memory.rests - 1, lasts=0)
    drier, wetter = max(memory.drier - off - SLACK, 0.0), max(memory.wetter + off - SLACK, 0.0)
    most = max(drier, wetter)
    since_t = memory.since_t if max(memory.drier, memory.wetter) > 0.0 else t - BLOCK_S
    if most <= DOUBTS_AT:
        return OddMemory(seen, drier, wetter, since_t, found=found)
    if most >= ENOUGH:
        found, lasts = Oddity(DRIER if drier > wetter else WETTER, since_t), 0
    return OddMemory(seen, drier, wetter, since_t, usual, lasts, found=found)


def told(found: Oddity | None, t: float) -> Odd | None:
    """What is worth telling at ``t``, in seconds ago."""
    if found is None or found.kind not in (DRIER, WETTER) or not 0.0 <= t - found.since_t < 1e9:
        return None
    if found.until_t is None:
        return Odd(found.kind, t - found.since_t)
    ended_s = t - found.until_t
    return Odd(found.kind, t - found.since_t, ended_s) if 0.0 <= ended_s <= TOLD_S else None


def _off(closed: Closed, theta: tuple[float, ...]) -> float | None:
    """By how many standard deviations the block was off, within bounds; None: nothing can be said."""
    row = closed.row
    if len(theta) != SIZE or len(row) != SIZE or not 0.0 < closed.variance < MOST:
        return None
    sd = sqrt(closed.variance)
    missed, mist = closed.change - dot(theta, row), max(theta[GAIN] * row[GAIN], 0.0)
    if missed < -USUAL * sd and mist > 0.0:
        missed += mist
        if missed > -USUAL * sd:
            return None
    off = missed / sd
    return min(max(off, -MOST_OFF), MOST_OFF) if abs(off) < MOST else None
