"""EFFECT: whether mist still does to this room's air what it was learned to do.

In:    the believed air, and how long the humidifier is held to have run since the last tick.
Out:   three doubts: no mist though on; mist though off; much less than it gave. How they are come by is in
       ``effect_model.py``.
Never: switches anything, or says a word before it has learned.

Not proof against a window that is opened a little, for long, in a room whose walls and goods hold no
moisture: where it takes about half of what mist gives, that looks like no mist. The words of the alarm say
both.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.effect_model import (
    ENOUGH,
    LAGS,
    LEARNING_BLOCKS,
    LEARNS_BELOW,
    MOST,
    Learned,
    anew,
    close,
    sound,
)
from controller.core.records import NEVER_T

BLOCK_S = 300.0
WEAK_SHARE = 0.72
"""Of the best it ever gave."""
NOTHING = 0.15
"""%RH in five minutes; a humidifier that surely raises the air by less does nothing for the animals."""


class Verdict(NamedTuple):
    """What ``learned`` says, reckoned once a block: at every tick it would cost as much as control."""

    known: bool = False
    no_mist: bool = False
    stray_mist: bool = False
    weak_share: float | None = None  # what is left of the best it ever gave, where that is too little
    rise_pct_per_h: float = 0.0  # of %RH at 24 °C, by mist that does not stop


class EffectMemory(NamedTuple):
    """The block under way, and what the blocks before it taught."""

    began_t: float = NEVER_T
    seen: int = 0
    rh_sum: float = 0.0
    temp_sum: float = 0.0
    on_s: float = 0.0
    late_s: float = 0.0  # of it, each second weighed by how far into the block it was
    learned: Learned = Learned()
    verdict: Verdict = Verdict()


def advance(
    memory: EffectMemory, t: float, dt_s: float, on_s: float, rh_pct: float | None, temp_c: float | None
) -> EffectMemory:
    """Books one tick; at a block's end, judges and learns."""
    began_t, seen, rh_sum, temp_sum, was_on_s, late_s, learned, verdict = memory
    if rh_pct is not None and temp_c is not None:
        seen, rh_sum, temp_sum = seen + 1, rh_sum + rh_pct, temp_sum + temp_c
    if on_s > 0.0:
        was_on_s += on_s
        late_s += on_s * min(max(t - 0.5 * dt_s - began_t, 0.0) / BLOCK_S, 1.0)
    if t - began_t < BLOCK_S:
        return EffectMemory(began_t, seen, rh_sum, temp_sum, was_on_s, late_s, learned, verdict)
    lasted_s = t - began_t
    mean_rh_pct, mean_temp_c = (rh_sum / seen, temp_sum / seen) if seen > 0 else (0.0, 0.0)
    whole = lasted_s <= BLOCK_S + max(dt_s, 60.0) and seen * max(dt_s, 1.0) >= 0.8 * BLOCK_S
    if not (whole and 0.0 < mean_rh_pct <= 100.0 and -60.0 <= mean_temp_c <= 80.0):
        long_unseen = learned.vapour_pct is None or lasted_s > 2.0 * BLOCK_S
        slow_rh_pct = None if long_unseen else learned.slow_rh_pct  # what walls hold has followed unseen air
        unseen = learned._replace(vapour_pct=None, slow_rh_pct=slow_rh_pct, shares=(0.0,) * LAGS)
        return EffectMemory(t, learned=unseen, verdict=verdict)
    early, late = (was_on_s - late_s) / lasted_s, late_s / lasted_s
    learned = close(learned, mean_rh_pct, mean_temp_c, early, late)
    return EffectMemory(t, learned=learned, verdict=judge(learned))


def judge(learned: Learned) -> Verdict:
    known, gain = learned.known, learned.gain
    nothing = learned.blocks >= LEARNING_BLOCKS and gain + 2.0 * learned.gain_sd < NOTHING
    weak = known and learned.none <= LEARNS_BELOW and learned.steady < WEAK_SHARE * learned.best
    return Verdict(
        known,
        nothing or learned.none >= ENOUGH,
        learned.stray >= ENOUGH,
        learned.steady / learned.best if weak else None,
        gain * 12.0,
    )


def forgive(memory: EffectMemory, keep_best: bool = False) -> EffectMemory:
    """Evidence begins anew: the tank was filled, the humidifier cleaned, or somebody accepts its output."""
    learned = memory.learned
    best = learned.best if keep_best else learned.steady
    forgiven = learned._replace(none=0.0, stray=0.0, held=0, best=best)
    if not learned.known and memory.verdict.no_mist:  # or a note a day would let it never learn
        forgiven = anew(forgiven)
    return memory._replace(learned=forgiven, verdict=judge(forgiven))


def recalled(memory: EffectMemory) -> EffectMemory:
    """What was kept, as far as learning and air can have given it; the rest begins anew."""
    learned, seen = memory.learned if sound(memory.learned) else Learned(), memory.seen
    block = (
        0 <= seen < MOST
        and 0.0 <= memory.rh_sum <= 100.0 * seen
        and -60.0 * seen <= memory.temp_sum <= 80.0 * seen
        and 0.0 <= memory.late_s <= memory.on_s < MOST
    )
    verdict = judge(learned)
    if not block:
        return EffectMemory(learned=learned, verdict=verdict)
    return memory._replace(learned=learned, verdict=verdict)
