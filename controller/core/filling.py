"""FILLING: what a note of a filling says of the tank's level, and what it teaches of the output.

In:    a note (litres, or "to the top"), when it was, the on-time since, the tank's memory.
Out:   the memory after it, and words for whoever noted it.
Never: believes a note that does not fit against what was learned; a second that says the same is believed.

The output is learned where a filling is known both ways: to the top, and in litres. One note may say both;
two notes within half an hour tell of one filling. See the head of ``tank.py``.
"""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from controller.core import tank, tank_model
from controller.core.tank import Since, TankLimits, TankMemory
from controller.core.tank_model import Learned

MERGE_S = 1800.0
"""Two fill notes closer than this tell of one filling."""
NOTE_SD_S = 180.0
"""A note comes some minutes before or after its filling."""


class Filling(NamedTuple):
    """``words`` tell of the level, ``more`` of the note."""

    memory: TankMemory
    words: str
    more: str


class _Before(NamedTuple):
    """What was believed at the moment of the filling, before it."""

    level_l: float | None
    since: Since
    learned: Learned


def filled_at(memory: TankMemory, at_t: float) -> float:
    """When a filling noted for ``at_t`` really was: a second note of one filling is put to the first."""
    return memory.fill_t if abs(at_t - memory.fill_t) <= MERGE_S else at_t


def filled(
    memory: TankMemory, t: float, litres: float | None, at_t: float, on_since_s: float, limits: TankLimits,
    full: bool = False,
) -> Filling:  # fmt: skip
    """A fill note: ``litres`` added at ``at_t``, or to the top (``full``: both); on for ``on_since_s`` since.

    ``at_t`` comes from ``filled_at``.
    """
    if at_t < memory.fill_t <= t:
        return _told_late(memory, t, None if full else litres, at_t, on_since_s, limits)
    merged = at_t == memory.fill_t
    full = full or litres is None
    if merged:
        before = _Before(
            memory.fill_from_l, memory.fill_since, tank_model.of(memory.fill_learned, limits.rate_l_per_h)
        )
        full = full or memory.fill_full or memory.fill_litres is None  # who says so has seen it full
        litres = memory.fill_litres if litres is None else litres
    else:
        before = _before(memory, on_since_s, limits)
    known, since, taught = _learn(before, litres, full, on_since_s, limits)
    level_l = limits.tank_l
    if not full and litres is not None:
        level_l = min(litres + (before.level_l or 0.0), limits.tank_l)
    level_l = max(level_l - tank.taken_l(on_since_s, known, limits), 0.0)
    words, more = f"noted: about {level_l:.1f} L in the tank", ""
    if merged:
        more = "; taken as the same filling as the note before it"
    elif not full and before.level_l is None:
        words += " at least (what was in it before is not known)"
    after = TankMemory(
        level_l, at_t, before.level_l, litres,
        next_trial_t=t + limits.trial_every_minutes * 60.0,
        learned=known, since=since, fill_since=before.since, fill_learned=before.learned,
        fill_full=full and litres is not None,
    )  # fmt: skip
    return Filling(after, words, more + taught)


def _before(memory: TankMemory, on_since_s: float, limits: TankLimits) -> _Before:
    level_l, since, known = memory.level_l, memory.since, tank.learned(memory, limits)
    if level_l is not None:
        level_l = min(level_l + tank.taken_l(on_since_s, known, limits), limits.tank_l)
    return _Before(level_l, since._replace(on_s=max(since.on_s - on_since_s, 0.0)), known)


def _learn(
    before: _Before, litres: float | None, full: bool, on_since_s: float, limits: TankLimits
) -> tuple[Learned, Since, str]:
    """The output after this filling, the span that begins or goes on with it, and words."""
    since, known = before.since, before.learned
    to_the_top = Since(limits.tank_l, on_since_s)
    if full and litres is None:
        words = "; say how many litres it took (--litres, with --full), and the output is learned"
        return tank_model.drifted(known, since.on_s), to_the_top, words
    put_l = since.put_l + (litres or 0.0)
    goes_on = Since(since.level_l, since.on_s + on_since_s, put_l)
    if since.level_l is None:
        if full:
            return tank_model.drifted(known, since.on_s), to_the_top, "; from now on its litres can be told"
        return known, goes_on, ""
    used_l = since.level_l + put_l - limits.tank_l  # or more, where it is not full
    sd_l = hypot(tank.span_sd_l(Since(since.level_l, put_l=put_l), limits), tank.TOP_SHARE * limits.tank_l)
    lesson = tank_model.count(known, used_l, sd_l, since.on_s, NOTE_SD_S)
    if not full:  # so much has been used at least
        more = used_l > since.on_s * limits.rate_l_per_s * known.ratio
        if more and lesson.verdict == "odd":
            return lesson.learned._replace(odd=known.odd), Since(), _odd_words(used_l, since.on_s, known)
        return known, goes_on, "; is it full now? Note that too, and the output is learned"
    if lesson.verdict == "coarse":  # counted together with the next filling
        return known, goes_on, "; too little had gone to learn the output from"
    if lesson.verdict == "odd":
        return lesson.learned, to_the_top, _odd_words(used_l, since.on_s, known)
    again = " A second filling says so:" if lesson.verdict == "anew" else ""
    return lesson.learned, to_the_top, f".{again} Its output is about {_rate_words(lesson.learned)}"


def _odd_words(used_l: float, on_s: float, known: Learned) -> str:
    return (
        f". {used_l:.1f} L in {on_s / 3600.0:.1f} h of running do not fit the {_rate_words(known)} believed: "
        "was a filling not noted, or one noted twice? The output is not learned from it"
    )


def _rate_words(known: Learned) -> str:
    return f"{known.ratio * known.plate_l_per_h:.2g} L an hour"


def _told_late(
    memory: TankMemory, t: float, litres: float | None, at_t: float, on_since_s: float, limits: TankLimits
) -> Filling:
    """A filling before the last noted one. What that one taught was without this: it is taken back."""
    if abs(at_t - memory.late_t) <= MERGE_S:
        return Filling(memory, "noted", "; taken as the same filling as a note before it")
    known = tank_model.of(memory.fill_learned, limits.rate_l_per_h)
    to_the_top_since = memory.fill_litres is None or memory.fill_full
    level_l, since = memory.level_l, memory.since
    if not to_the_top_since:
        since = Since(on_s=since.on_s)
        if litres is None:
            used_l = tank.taken_l(on_since_s, known, limits)
            level_l = max(limits.tank_l - used_l, 0.0) + (memory.fill_litres or 0.0)
        elif level_l is not None:
            level_l += litres
    words, more = "noted; the level since is not known", ""
    if level_l is not None:
        level_l = min(level_l, limits.tank_l)
        words = f"noted: about {level_l:.1f} L in the tank"
        more = "; a later filling was noted before this one"
    after = memory._replace(
        level_l=level_l, trial_from_t=None, next_trial_t=t + limits.trial_every_minutes * 60.0,
        learned=known, since=since, fill_since=Since(), fill_learned=known, late_t=at_t,
    )  # fmt: skip
    return Filling(after, words, more)
