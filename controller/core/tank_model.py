"""TANK MODEL: what a litre count over hours of running teaches of the humidifier's true output.

In:    what was used between two certain levels, how surely, and the on-time between them.
Out:   the output as a share of its nameplate, and how far off that may be.
Never: believes one odd count against all before it, or leaves 0.3 to 3 times the nameplate.

One number, learned as a scalar Kalman filter learns it (the logarithm of true output over nameplate, so
that half and double are alike). The nameplate is where it begins and no more: another one begins anew.
Between counts the variance grows with the hours run, so that scale, which slowly takes output away, is
followed. A count far outside of what is believed is set aside: a filling nobody noted, or one noted twice,
looks like that. A second one that says the same as the first is believed, for then the dial was turned.
"""

from __future__ import annotations

from math import exp, hypot, log, sqrt
from typing import NamedTuple

LEAST, MOST = 0.3, 3.0
"""Bounds of the output, in nameplates. Common practice, no source."""
PRIOR_SD = 0.25
"""How far a nameplate, or a keeper's own figure, may be off. Common practice, no source."""
LEAST_SD = 0.015
"""One keeper's jug and eye err alike each time; no number of notes is better than that."""
WALK_PER_H = 4e-6
"""Variance gained in an hour of running: a standard deviation of 2 % in a hundred hours."""
GATE = 2.5
"""Standard deviations beyond which a count is set aside until another says the same."""
DOUBT_SD = 0.08
"""At least so unsure of the output as long as a count is set aside."""
COARSEST = 0.15
"""A count whose litres are not known better than this share teaches nothing."""
BEYOND = 1e9
"""No honest figure, in litres or seconds."""


class Learned(NamedTuple):
    """``ratio`` is true output over nameplate, ``sd`` the standard deviation of its logarithm."""

    plate_l_per_h: float = 0.0  # the nameplate it was learned against
    ratio: float = 1.0
    sd: float = PRIOR_SD
    counts: int = 0  # that it was learned from
    dry: int = 0  # of them, those that a dry tank gave
    odd: float | None = None  # logarithm of the ratio that a count set aside would give


class Lesson(NamedTuple):
    """``verdict``: "learned", "anew" (a second odd count was believed), "odd" or "coarse"."""

    learned: Learned
    verdict: str


def of(learned: Learned, plate_l_per_h: float) -> Learned:
    """What holds for this nameplate: nothing learned for another one, or out of bounds, counts."""
    if (
        learned.plate_l_per_h == plate_l_per_h
        and LEAST <= learned.ratio <= MOST
        and 0.0 < learned.sd <= PRIOR_SD
        and learned.counts >= learned.dry >= 0
    ):
        return learned
    return Learned(plate_l_per_h)


def drifted(learned: Learned, on_s: float) -> Learned:
    """Grown less sure by ``on_s`` of running."""
    if not 0.0 < on_s < BEYOND:
        return learned
    return learned._replace(sd=min(sqrt(learned.sd**2 + WALK_PER_H * on_s / 3600.0), PRIOR_SD))


def count(learned: Learned, used_l: float, sd_l: float, on_s: float, sd_s: float = 0.0) -> Lesson:
    """``used_l`` (standard deviation ``sd_l``) ran out in ``on_s`` (``sd_s``) of on-time.

    ``learned`` is as of this span's beginning, and comes from ``of``.
    """
    grown = drifted(learned, on_s)
    doubtful = grown._replace(sd=max(grown.sd, DOUBT_SD))
    if not (abs(used_l) < BEYOND and 0.0 <= on_s < BEYOND and 0.0 < sd_l < BEYOND):
        return Lesson(doubtful, "odd")
    if not used_l > sd_l / COARSEST:  # little, and no wonder; or far too little
        expected_l = on_s / 3600.0 * learned.plate_l_per_h * grown.ratio
        fits = abs(used_l - expected_l) <= GATE * hypot(sd_l, grown.sd * expected_l)
        return Lesson(grown, "coarse") if fits else Lesson(doubtful, "odd")
    rate_l_per_h = used_l * 3600.0 / max(on_s, 1.0)
    if not LEAST <= rate_l_per_h / learned.plate_l_per_h <= MOST:
        return Lesson(doubtful, "odd")
    share_sd = hypot(sd_l / used_l, sd_s / max(on_s, 1.0))
    if not share_sd <= COARSEST:
        return Lesson(grown, "coarse")
    seen = log(rate_l_per_h / learned.plate_l_per_h)
    believed, variance = log(grown.ratio), grown.sd**2
    sum_variance = variance + share_sd**2
    if abs(seen - believed) > GATE * sqrt(sum_variance):
        if learned.odd is None or not abs(seen - learned.odd) <= GATE * sqrt(2.0) * share_sd:
            return Lesson(doubtful._replace(odd=seen), "odd")
        mean = 0.5 * (seen + learned.odd)
        sd = max(share_sd / sqrt(2.0), LEAST_SD)
        return Lesson(
            Learned(learned.plate_l_per_h, _bounded(mean), sd, 2), "anew"
        )  # the older ones are void
    gain = variance / sum_variance
    ratio = _bounded(believed + gain * (seen - believed))
    sd = max(sqrt(variance * (1.0 - gain)), LEAST_SD)
    return Lesson(Learned(learned.plate_l_per_h, ratio, sd, learned.counts + 1, learned.dry), "learned")


def from_dry(lesson: Lesson) -> Lesson:
    """The count just made ended at a dry tank and not at a filling."""
    learned = lesson.learned
    if lesson.verdict not in ("learned", "anew"):
        return lesson
    dry = learned.counts if lesson.verdict == "anew" else learned.dry + 1
    return lesson._replace(learned=learned._replace(dry=dry))


def not_empty(learned: Learned) -> Learned:
    """Water was found in a tank that had to be empty: what dry tanks alone taught is taken back.

    A leak, or mist that failed for another reason, teaches too great an output; where nobody notes litres,
    nothing else would ever mend that.
    """
    return Learned(learned.plate_l_per_h) if 0 < learned.counts == learned.dry else learned


def _bounded(logarithm: float) -> float:
    return min(max(exp(logarithm), LEAST), MOST)
