"""MOULD: how far mould may have come on the coldest surface, hour by hour, by the Finnish (VTT) model.

In:    the surface's temperature and the RH of the air at it, as long as they are known.
Out:   a mould index from 0 to 6, the mean of the last 30 days, one row for each hour.
Never: takes an hour that was mostly not seen for a dry or a wet one: it changes nothing. Nor takes days of
       long ago for the last 30: days that nobody saw take their place among them.

Index 1: growth that only a microscope shows; 3: the eye begins to see it; 6: all is covered. It is a model of
materials in a laboratory, not a finding on this wall.

A. Hukka, H. A. Viitanen, "A mathematical model of mould growth on wooden material", Wood Science and
Technology 33 (1999) 475-485; T. Ojanen et al., "Mould growth modeling of building structures using
sensitivity classes of materials", Buildings XI (2010). Decline factor 0.1 and the limit of 3: ASHRAE
Standard 160 (from memory). Older editions failed a surface by a 30-day mean of 80 %RH and more at 5 to 40 °C
(ASTM STP 1599).
"""

from __future__ import annotations

from math import exp, log
from typing import Literal, NamedTuple

from pydantic import Field

from controller.core.limits import Limits
from controller.core.records import SurfaceHour

Material = Literal["bare-wood", "planed-wood", "mineral", "glass-metal"]


class SensitivityClass(NamedTuple):
    name: str  # in the paper
    k1_early: float  # growth below index 1, and from it on, against pine
    k1_late: float
    a: float  # highest index: a + b x - c x², x by RH between the critical one and 100 %
    b: float
    c: float
    least_rh_pct: float


CLASSES: dict[str, SensitivityClass] = {
    "bare-wood": SensitivityClass("very sensitive", 1.0, 2.0, 1.0, 7.0, 2.0, 80.0),
    "planed-wood": SensitivityClass("sensitive", 0.578, 0.386, 0.3, 6.0, 1.0, 80.0),
    "mineral": SensitivityClass("medium resistant", 0.072, 0.097, 0.0, 5.0, 1.5, 85.0),
    "glass-metal": SensitivityClass("resistant", 0.033, 0.014, 0.0, 3.0, 1.0, 85.0),
}

HOUR_S = 3600.0
LEAST_SEEN_S = 1800.0
"""An hour that was seen for less is not known."""
MONTH_DAYS = 30
LEAST_DAYS = 24
"""So many of the 30 must be known. Own choice."""
UNSEEN = (0.0, 0.0)
"""A day among them that nobody saw: no real surface is at 0 %RH for a day."""
HOURS_A_DAY = 24
HIGHEST_INDEX = 6.0
BEGINS_INDEX, SEEN_INDEX = 1.0, 3.0
MONTH_RH_PCT, MONTH_COLDEST_C, MONTH_WARMEST_C = 80.0, 5.0, 40.0


class MouldLimits(Limits):
    """What the coldest surface is made of."""

    material: Material = Field(
        "planed-wood", description="bare-wood, planed-wood (also paper, wallpaper), mineral, glass-metal"
    )
    decline: float = Field(
        0.1, ge=0.0, le=1.0, description="how fast the index falls when dry, against pine; 0.1: ASHRAE 160"
    )


class MouldMemory(NamedTuple):
    grown: float = 0.0  # the index
    dry_h: float = 0.0  # hours since growth was last possible
    began_t: float = 0.0  # of the hour under way
    seen_s: float = 0.0  # of it
    temp_s: float = 0.0  # sums over it, times seconds
    rh_s: float = 0.0
    measured: bool = True
    hours: int = 0  # known ones of the day under way, and their sums
    day_temp: float = 0.0
    day_rh: float = 0.0
    days: tuple[tuple[float, float], ...] = ()  # mean temperature and RH of the last 30 at most, oldest first


def critical_rh_pct(temp_c: float, least_rh_pct: float) -> float:
    """Below it nothing grows."""
    if not 0.0 < temp_c < 50.0:
        return 100.0
    return max(((-0.00267 * temp_c + 0.160) * temp_c - 3.13) * temp_c + 100.0, least_rh_pct)


def highest_index(temp_c: float, rh_pct: float, kind: SensitivityClass) -> float:
    """What growth under steady conditions comes to in the end."""
    critical = critical_rh_pct(temp_c, kind.least_rh_pct)
    if rh_pct <= critical or critical >= 100.0:
        return 0.0
    x = (critical - rh_pct) / (critical - 100.0)
    return max(kind.a + kind.b * x - kind.c * x * x, 0.0)


def weeks_to_index_1(temp_c: float, rh_pct: float) -> float:
    """On pine under steady conditions. Temperature above 0 °C, RH above 0 %."""
    return exp(-0.68 * log(temp_c) - 13.9 * log(rh_pct) + 66.02)


def after_hour(
    index: float, dry_h: float, temp_c: float, rh_pct: float, kind: SensitivityClass, decline: float
) -> tuple[float, float]:
    """Index and dry hours after one more hour of these conditions."""
    rh_pct = min(rh_pct, 100.0)  # a wet surface is as good as saturated air
    if rh_pct > critical_rh_pct(temp_c, kind.least_rh_pct):
        early = index < 1.0
        most = highest_index(temp_c, rh_pct, kind)
        k1 = kind.k1_early if early else kind.k1_late
        k2 = max(1.0 - exp(2.3 * (index - most)), 0.0)
        a_day = k1 * k2 / (7.0 * weeks_to_index_1(temp_c, rh_pct))
        return min(index + a_day / HOURS_A_DAY, HIGHEST_INDEX), 0.0
    dry_h += 1.0
    a_day = 0.032 if dry_h <= 6.0 else 0.0 if dry_h <= 24.0 else 0.016
    return max(index - decline * a_day / HOURS_A_DAY, 0.0), min(dry_h, 1e6)


def advance(
    memory: MouldMemory,
    t: float,
    dt_s: float,
    surface: tuple[float, float, bool] | None,
    limits: MouldLimits,
) -> tuple[MouldMemory, SurfaceHour | None]:
    """One tick; a row where an hour has ended that was seen.

    ``surface``: temperature, RH at it, whether it is measured; None where not known. ``t``: the core's clock.
    """
    if surface is not None and dt_s > 0.0:
        temp_c, rh_pct, measured = surface
        weight_s = dt_s if dt_s < HOUR_S else HOUR_S
        memory = MouldMemory(  # by place: every tick comes by here
            memory.grown, memory.dry_h, memory.began_t, memory.seen_s + weight_s,
            memory.temp_s + weight_s * temp_c, memory.rh_s + weight_s * (rh_pct if rh_pct < 100.0 else 100.0),
            memory.measured and measured, memory.hours, memory.day_temp, memory.day_rh, memory.days,
        )  # fmt: skip
    elif memory.seen_s == 0.0:
        return memory, None  # the hour under way began when it was last seen: how long ago is told there
    if 0.0 <= t - memory.began_t < HOUR_S:
        return memory, None
    if t - memory.began_t > 2.0 * HOUR_S or memory.seen_s < LEAST_SEEN_S or not _sound(memory):
        return _next_hour(memory, t)._replace(days=_after_gap(memory.days, t - memory.began_t)), None
    return _hour_over(memory, limits)


def _after_gap(days: tuple[tuple[float, float], ...], gap_s: float) -> tuple[tuple[float, float], ...]:
    in_days = gap_s / (HOURS_A_DAY * HOUR_S)
    missing = int(in_days + 0.5) if 0.0 <= in_days < MONTH_DAYS else MONTH_DAYS  # no figure: nothing is known
    days = (*days, *(UNSEEN,) * missing)[-MONTH_DAYS:]
    return days if any(rh_pct > 0.0 for _, rh_pct in days) else ()


def _sound(memory: MouldMemory) -> bool:
    """A remembered figure may come from a file."""
    return 0.0 <= memory.grown <= HIGHEST_INDEX and memory.dry_h >= 0.0 and memory.rh_s >= 0.0


def _next_hour(memory: MouldMemory, t: float) -> MouldMemory:
    index = min(max(memory.grown, 0.0), HIGHEST_INDEX)
    return memory._replace(
        grown=index, dry_h=max(memory.dry_h, 0.0), began_t=t, seen_s=0.0, temp_s=0.0, rh_s=0.0, measured=True
    )


def _hour_over(memory: MouldMemory, limits: MouldLimits) -> tuple[MouldMemory, SurfaceHour]:
    temp_c, rh_pct = memory.temp_s / memory.seen_s, memory.rh_s / memory.seen_s
    kind = CLASSES[limits.material]
    index, dry_h = after_hour(memory.grown, memory.dry_h, temp_c, rh_pct, kind, limits.decline)
    hours, day_temp, day_rh = memory.hours + 1, memory.day_temp + temp_c, memory.day_rh + rh_pct
    days = memory.days
    if hours >= HOURS_A_DAY:
        days = (*days, (day_temp / hours, day_rh / hours))[-MONTH_DAYS:]
        hours, day_temp, day_rh = 0, 0.0, 0.0
    ended = _next_hour(memory, memory.began_t + HOUR_S)._replace(  # by the clock, however long the ticks are
        grown=index, dry_h=dry_h, hours=hours, day_temp=day_temp, day_rh=day_rh, days=days
    )
    month = month_mean(ended)
    return ended, SurfaceHour(temp_c, rh_pct, memory.measured, None if month is None else month[1], index)


def month_mean(memory: MouldMemory) -> tuple[float, float] | None:
    """Mean temperature and RH of the last 30 days; None before there are so many, or too few were seen."""
    if len(memory.days) < MONTH_DAYS:
        return None
    known, temp_sum, rh_sum = 0, 0.0, 0.0
    for temp_c, rh_pct in memory.days:
        if rh_pct > 0.0:
            known += 1
            temp_sum += temp_c
            rh_sum += rh_pct
    return None if known < LEAST_DAYS else (temp_sum / known, rh_sum / known)


def month_is_wet(memory: MouldMemory) -> float | None:
    """The 30-day mean RH at the surface where older ASHRAE 160 editions fail it; None: they do not."""
    month = month_mean(memory)
    if month is None or not MONTH_COLDEST_C <= month[0] <= MONTH_WARMEST_C or month[1] < MONTH_RH_PCT:
        return None
    return month[1]
