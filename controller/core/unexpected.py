"""UNEXPECTED: moisture that goes or comes faster than the learned room and its mist explain.

In:    each block of five minutes: how the air changed, what the room model foretold, how sure it was.
Out:   ``Oddity``: that the air gets drier or wetter than it should, since when, and when that ended.
Never: switches or refuses anything, or judges whether mist comes: ``effect.py`` does.

What the model missed, in its own standard deviations, is summed on both sides as Page's CUSUM (1954). Where
mist was given, a fall counts as far as it would be one without any mist, too, and a smaller one says nothing:
else a dry tank would look like a window; once something is found, all that is missed counts. While there is
doubt, a block is held against the room as it was before: the model itself soon takes an open window for the
weather. It ends with three blocks in a row that are as usual; or in which the air comes back by more than it
is off, and is off by less than a quarter of the worst since it was found, since air much drier than any the
room was learned with never goes quite as foretold. For an hour after that the room before it still counts,
and what comes back of what was lost is not told. After six hours nothing is told any more: that is how the
room is now.

A door or window takes moisture away; hand misting, laundry, sleepers bring it, and so does a window that is
shut again after the room was learned with it. Which of these it was cannot be told from the air, nor from
weather that turns within an hour. What changes slowly is learned as background: substrate that dries over
days, and the drift of a lone probe, which only a second one tells.
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
"""And the most that a block can be off."""
ENOUGH = 9.0
"""Three blocks must agree: a reading that steps within a block, as at a correction, shows in two."""
DOUBTS_AT = 3.0
USUAL = 2.5
"""Within so many standard deviations a block is as usual."""
FADED = 0.25
"""Or off by less than this share of the worst, while the air comes back: with a door open it does not."""
SETTLED = 3
"""So many of those in a row end it."""
RESTS = 12
"""Blocks after it, an hour: what was borrowed comes back, and the room model finds its way back."""
LONGEST = 72
"""Blocks, six hours: so long it is told, and so long a doubt stands."""
LOST_S = 3.0 * BLOCK_S
"""After so long without a block nothing is known of what was under way."""
TOLD_S = 6.0 * 3600.0
"""So long after its end it is still told of."""


class Oddity(NamedTuple):
    """``until_t`` None: it lasts."""

    kind: str
    since_t: float
    until_t: float | None = None

    @property
    def lasts(self) -> bool:
        return self.until_t is None


class OddMemory(NamedTuple):
    """The sums, and what was found last."""

    seen: int = 0  # the room model's count of blocks at the last look
    t: float = NEVER_T  # of that look
    drier: float = 0.0
    wetter: float = 0.0
    since_t: float = NEVER_T  # when a sum began to grow
    before: Closed | None = None  # the room before there was any doubt
    blocks: int = 0  # in doubt, or since it was found
    worst: float = 0.0  # since it was found: the most by which a block was off, %RH a block
    settled: int = 0
    rests: int = 0
    found: Oddity | None = None


def advance(memory: OddMemory, seen: int, closed: Closed | None, t: float, doubtful: bool) -> OddMemory:
    """One tick. ``closed``: None where the room is not known; ``doubtful``: whether mist comes at all."""
    if seen == memory.seen:
        return memory
    lasting = memory.found is not None and memory.found.lasts
    fresh = OddMemory(seen, t, found=None if lasting else memory.found)
    if t - memory.t > LOST_S or memory.blocks >= LONGEST:
        return fresh
    now = memory._replace(seen=seen, t=t, blocks=memory.blocks + 1)
    if closed is None or doubtful:
        return now if lasting else fresh
    before = memory.before or closed
    if before.best != closed.best:  # mist shows otherwise than it was taken to
        return fresh
    missed = _missed(closed, before.theta)
    if lasting:
        return now if missed is None else _goes_on(now, closed.change, *missed)
    off = None if missed is None else _off(*missed, before.theta[GAIN] * closed.row[GAIN])
    if off is None:
        return now if memory.before else now._replace(blocks=0)
    return _summed(now, before, off)


def _goes_on(memory: OddMemory, change: float, missed: float, sd: float) -> OddMemory:
    """What was found lasts until the air is as usual again."""
    found = memory.found
    assert found is not None
    off_by, back = (-missed, change) if found.kind == DRIER else (missed, -change)
    worst = max(memory.worst, off_by)
    usual = off_by <= USUAL * sd or (off_by < back and off_by <= FADED * worst)
    settled = memory.settled + 1 if usual else 0
    if settled < SETTLED:
        return memory._replace(settled=settled, worst=worst)
    ended = found._replace(until_t=memory.t - SETTLED * BLOCK_S)
    return OddMemory(memory.seen, memory.t, before=memory.before, rests=RESTS, found=ended)


def _summed(memory: OddMemory, before: Closed, off: float) -> OddMemory:
    """One block more of the sums; what was found where one of them is large enough."""
    t, found, rests = memory.t, memory.found, max(memory.rests - 1, 0)
    drier, wetter = max(memory.drier - off - SLACK, 0.0), max(memory.wetter + off - SLACK, 0.0)
    if rests > 0 and found is not None:  # the other side is what comes back
        drier, wetter = (drier, 0.0) if found.kind == DRIER else (0.0, wetter)
    most = max(drier, wetter)
    since_t = memory.since_t if max(memory.drier, memory.wetter) > 0.0 else t - BLOCK_S
    if most >= ENOUGH:
        kind = DRIER if drier > wetter else WETTER
        return OddMemory(memory.seen, t, before=before, found=Oddity(kind, since_t))
    doubt = most > DOUBTS_AT
    return OddMemory(
        memory.seen, t, drier, wetter, since_t, before if doubt or rests else None,
        memory.blocks if doubt else 0, rests=rests, found=found,
    )  # fmt: skip


def told(found: Oddity | None, t: float) -> Odd | None:
    """What is worth telling at ``t``, in seconds ago."""
    if found is None or found.kind not in (DRIER, WETTER) or not 0.0 <= t - found.since_t < 1e9:
        return None
    if found.until_t is None:
        return Odd(found.kind, t - found.since_t)
    ended_s = t - found.until_t
    return Odd(found.kind, t - found.since_t, ended_s) if 0.0 <= ended_s <= TOLD_S else None


def _missed(closed: Closed, theta: tuple[float, ...]) -> tuple[float, float] | None:
    """What the room as it was would not have done, %RH a block, and its standard deviation.

    None: what is remembered is nothing that learning gives.
    """
    if len(theta) != SIZE or len(closed.row) != SIZE or not 0.0 < closed.variance < MOST:
        return None
    missed = closed.change - dot(theta, closed.row)
    return (missed, sqrt(closed.variance)) if abs(missed) < MOST else None


def _off(missed: float, sd: float, mist: float) -> float | None:
    """By how many standard deviations, within bounds; None: it may be nothing but mist that is lacking."""
    if missed < -USUAL * sd and mist > 0.0:
        missed += mist
        if missed > -USUAL * sd:
            return None
    return min(max(missed / sd, -MOST_OFF), MOST_OFF)
