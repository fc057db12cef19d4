"""DAY SHAPE: what comes back at the same hour every day, learned in quarter hours.

In:    the hour, the air's temperature, the background that the room model finds.
Out:   by how much each will have changed in a while, if today is as the days before were.
Never: says anything before it has seen a whole day, or more than its own record of being right bears.

Heating begins and ends by a clock, and the weather has its day: both change the RH without any mist. For each
quarter hour an exponential mean over the days is kept. How good it is, is measured all the time: at each
quarter's end what it foretold and "no change" are compared with what came, and what it foretells is scaled
by the share of the squared change that it explained (a skill score, Murphy 1988).
"""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

DAY_S = 86400.0
PART_S = 900.0
PARTS = 96
DAYS = 4.0
"""About so many days back the means reach."""
RULE = 0.7
"""Of the squared change: a day's shape that leaves more of it unexplained is not told of."""
SLIGHT = 0.2
"""In the figure's own unit: a fall that is not worth looking at."""
TELLS = 1.0 / (3.0 * PARTS)
"""How fast the record of being right forgets: three days."""


class Shape(NamedTuple):
    """One figure over the day."""

    means: tuple[float, ...] = ()
    parts: int = 0  # that were learned from
    missed: float = 0.0  # mean square of what came besides what was foretold
    came: float = 0.0  # mean square of what came


class DayMemory(NamedTuple):
    """The quarter hour under way, and the shapes."""

    part: int = -1  # -1: none
    temp_s: float = 0.0  # °C times seconds
    seen_s: float = 0.0
    before: tuple[float, float | None] | None = None  # temperature and background in the quarter hour before
    temp: Shape = Shape()
    ground: Shape = Shape()


def advance(
    memory: DayMemory, day_s: float | None, dt_s: float, temp_c: float, ground: float | None
) -> DayMemory:
    """One tick. ``day_s``: seconds since midnight by the room's clock, None where it is not trusted."""
    if day_s is None or not 0.0 <= day_s < DAY_S:
        return memory._replace(part=-1, before=None)
    part = int(day_s / PART_S)
    if part == memory.part:
        return memory._replace(temp_s=memory.temp_s + temp_c * dt_s, seen_s=memory.seen_s + dt_s)
    after = memory._replace(part=part, temp_s=0.0, seen_s=0.0, before=None)
    ended = memory.part
    if not (0 <= ended < PARTS and part == (ended + 1) % PARTS and memory.seen_s > 0.5 * PART_S):
        return after
    now_c = memory.temp_s / memory.seen_s
    was_c, was_ground = memory.before or (None, None)
    temp = _learned(memory.temp, ended, was_c, now_c)
    shape = memory.ground if ground is None else _learned(memory.ground, ended, was_ground, ground)
    return after._replace(before=(now_c, ground), temp=temp, ground=shape)


def change(shape: Shape, day_s: float | None, for_s: float) -> float:
    """By how much the figure will have changed ``for_s`` from now on; 0 where nothing can be said."""
    if day_s is None or shape.parts < PARTS or len(shape.means) != PARTS or not shape.came > 0.0:
        return 0.0
    skill = 1.0 - shape.missed / shape.came
    if not skill > 0.0:
        return 0.0
    return min(skill, 1.0) * (_at(shape.means, day_s + for_s) - _at(shape.means, day_s))


def falls(shape: Shape, day_s: float | None, for_s: float) -> bool:
    """Whether the figure usually falls within so long from now on, by more than ``SLIGHT``; quickly told."""
    if day_s is None or shape.parts < PARTS or len(shape.means) != PARTS:
        return False
    part, ends = int(day_s / PART_S) % PARTS, int((day_s + for_s) / PART_S) + 2
    coming = shape.means[part:ends] + shape.means[: max(ends - PARTS, 0)]
    return coming[0] - min(coming) > SLIGHT


def extremes(shape: Shape) -> tuple[float, float, float] | None:
    """When of the day it is most and least, seconds since midnight, and by how much; None: no such rule."""
    if shape.parts < 3 * PARTS or len(shape.means) != PARTS or not shape.missed < RULE * shape.came:
        return None
    most, least = max(shape.means), min(shape.means)
    at = [(shape.means.index(each) + 0.5) * PART_S for each in (most, least)]
    return at[0], at[1], most - least


def recalled(memory: DayMemory) -> DayMemory:
    """What was kept, at a start: only what learning can have given."""
    return DayMemory(temp=_sound(memory.temp), ground=_sound(memory.ground))


def _sound(shape: Shape) -> Shape:
    whole = len(shape.means) == PARTS and all([abs(mean) < 1e4 for mean in shape.means])
    return shape if whole and 0.0 <= shape.missed < 1e8 and 0.0 <= shape.came < 1e8 else Shape()


def _learned(shape: Shape, part: int, was: float | None, now: float) -> Shape:
    if not isfinite(now):
        return shape
    means, parts = shape.means, shape.parts
    if len(means) != PARTS or parts <= 0:
        return Shape((now,) * PARTS, 1)
    missed, came = shape.missed, shape.came
    if parts >= PARTS and was is not None:
        foretold = was + means[part] - means[part - 1]
        missed += TELLS * ((now - foretold) ** 2 - missed)
        came += TELLS * ((now - was) ** 2 - came)
    weight = max(1.0 / DAYS, 1.0 / (1 + parts // PARTS))
    mean = means[part] + weight * (now - means[part])
    return Shape((*means[:part], mean, *means[part + 1 :]), min(parts + 1, 10**6), missed, came)


def _at(means: tuple[float, ...], day_s: float) -> float:
    """A straight line between the middles of two quarters."""
    place = (day_s / PART_S - 0.5) % PARTS
    part = int(place)
    here, there = means[part % PARTS], means[(part + 1) % PARTS]
    return here + (place - part) * (there - here)
