"""TRUST: may the probes be believed?

In:    the raw readings of one or two room probes, how long the relay has worked meanwhile.
Out:   a Belief: corrected RH and temperature, or why there is none.
Never: lets NaN, a pattern of a broken bus, an old or an impossible figure through to the demand.

A sample is *plausible* when it is a number in range; it is *good* when it also follows from
the last good one, or from several plausible ones in a row that follow from each other (a
single spike is doubted, a real jump is believed after ``good_samples``). A bad sample is
bridged by the last good one for ``bridge_s``; then trust is lost, and comes back only
after ``good_samples`` good ones. A probe whose raw figures have not moved at all while the
relay worked for ``frozen_on_minutes`` is frozen: mist that changes nothing was not measured. So is
one that used to move at nearly every look and has not for ``frozen_minutes``, whatever the relay did,
or, while mist runs, for so many looks that chance does not explain it: a strong humidifier is quick.
"""

from __future__ import annotations

from datetime import date
from functools import cached_property
from math import isfinite
from typing import NamedTuple

from pydantic import Field

from controller.core.limits import Kelvin, Limits, Rh, TempC
from controller.core.records import NEVER_T, Correcting, Reading

LIVELY_WEIGHT = 1.0 / 1000.0
LIVELY = 0.4
"""A probe that moves at four looks in ten stands still for the looks of half an hour, by chance, never."""
NEVER_BY_CHANCE = 1e-9
STILL_ON_S = 120.0
"""While mist runs, a lively probe whose stillness no chance explains is given up; not sooner than this."""
DOUBT_MEMORY_S = 7200.0
LONG_DOUBT_S = 600.0
"""A doubt that lasts longer is told by itself; it does not make a probe unsteady."""
APART_MEMORY_S = 43200.0


AWAY, RETURNING = "away", "returning"
"""In a jar; and said to be back from it, but not yet at one with the room's air. No fault of the probe's."""
"""The doubt of a probe that is being calibrated: nothing is wrong with it."""


class CorrectionLimits(Limits):
    """What a comparison against a reference found for one probe; raw figures are kept beside it."""

    rh_gain: float = Field(1.0, ge=0.8, le=1.25, description="two-point gain; 1 = none")
    rh_offset_pct: float = Field(0.0, ge=-20, le=20, description="added after the gain")
    temp_offset_c: Kelvin = Field(0.0, ge=-5, le=5, description="added to the temperature")
    calibrated_on: date | None = Field(None, description="the day of the comparison")


class TrustLimits(Limits):
    """When a probe is not believed."""

    oldest_s: float = Field(30.0, ge=1, le=600, description="a sample older than this is stale")
    bridge_s: float = Field(60.0, ge=0, le=600, description="how long the last good sample stands in")
    good_samples: int = Field(3, ge=1, le=20, description="good samples in a row that restore trust")
    jump_rh_pct: float = Field(10.0, ge=1, le=100, description="a bigger step at once is doubted ...")
    jump_rh_pct_per_min: float = Field(10.0, ge=0, le=100, description="... and this much more a minute")
    jump_temp_c: Kelvin = Field(4.0, ge=0.5, le=50, description="the same for temperature")
    jump_temp_c_per_min: float = Field(2.0, ge=0, le=50, description="the same for temperature")
    lowest_rh_pct: Rh = Field(1.0, description="drier is not a room: a zero, or a driver's wrong unit")
    lowest_temp_c: TempC = Field(-10.0, description="colder is not a room: out of range")
    highest_temp_c: TempC = Field(60.0, description="hotter is not a room: out of range")
    frozen_on_minutes: float = Field(20.0, ge=1, le=600, description="on-time without any movement")
    frozen_minutes: float = Field(30.0, ge=5, le=600, description="a lively probe without any movement")
    disagree_rh_pct: float = Field(8.0, ge=1, le=50, description="two probes further apart disagree")
    drifted_rh_pct: float = Field(
        5.0, ge=1, le=50, description="two probes further apart in the mean of a day have drifted"
    )
    unsteady_share: float = Field(
        0.2, ge=0.02, le=1, description="a probe that is doubted for this share of the last hours is unsteady"
    )

    @cached_property
    def frozen_on_s(self) -> float:
        return self.frozen_on_minutes * 60.0

    @cached_property
    def frozen_s(self) -> float:
        return self.frozen_minutes * 60.0


class ProbeMemory(NamedTuple):
    """What is remembered of one probe. ``doubt`` is "" or the code of what is wrong now."""

    trusted: bool = False
    doubt: str = "silent"
    detail: str = "no reading yet"
    row: int = 0  # plausible samples in a row that follow from each other
    rh_pct: float = 0.0  # the last good sample, corrected
    temp_c: float = 0.0
    good_t: float = NEVER_T
    seen_rh_pct: float = 0.0  # the last plausible sample, corrected
    seen_temp_c: float = 0.0
    seen_t: float = NEVER_T
    raw_rh_pct: float = -1.0  # raw figures, and the on-time since they last moved
    raw_temp_c: float = -1.0
    still_on_s: float = 0.0
    still_since_t: float = NEVER_T  # when they last moved
    lively: float = 0.0  # share of the looks at which they moved, over about the last thousand
    doubted: float = 0.0  # share of the last two hours in which it was doubted


class Belief(NamedTuple):
    """What the probes together say. Figures are None unless ``trusted``."""

    trusted: bool
    rh_pct: float | None  # the demand obeys the mean of the trusted probes
    rh_high_pct: float | None  # the ceiling obeys the higher
    temp_c: float | None
    doubt: str  # the code of what is wrong with a probe, "" when all are well; of the first, if two are
    detail: str
    apart_rh_pct: float  # how far two trusted probes are apart; 0 with one
    ahead_rh_pct: float | None = None  # how much wetter the first says it is than the second; None: not both


def plausible(reading: Reading, limits: TrustLimits) -> str:
    """An empty text when the raw reading could be a room, else the code of what is wrong with it."""
    rh, temp = reading.rh_pct, reading.temp_c
    if reading.failure or rh is None or temp is None:
        return "silent"
    try:
        if not (isfinite(rh) and isfinite(temp) and reading.age_s == reading.age_s):
            return "not_a_number"
        if rh < limits.lowest_rh_pct or rh <= 0.0:
            return "zero"
        if rh >= 100.0:
            return "all_ones"
        if not limits.lowest_temp_c <= temp <= limits.highest_temp_c:
            return "out_of_range"
        if reading.age_s > limits.oldest_s:
            return "stale"
    except (TypeError, ValueError, ArithmeticError):
        return "not_a_number"
    return ""


def watch(
    memory: ProbeMemory,
    reading: Reading,
    correction: Correcting,
    limits: TrustLimits,
    t: float,
    dt_s: float,
    on_s: float,
) -> ProbeMemory:
    """One probe, one tick. ``t`` is the core's clock; ``dt_s`` since the last tick, ``on_s`` of it on."""
    doubt = plausible(reading, limits)
    if doubt:
        return _doubted(memory, doubt, reading.failure, limits, t, dt_s)
    raw_rh, raw_temp = reading.rh_pct, reading.temp_c
    assert raw_rh is not None
    assert raw_temp is not None
    raw_rh, raw_temp = float(raw_rh), float(raw_temp)  # whatever kind of number an embedder gives
    rh = raw_rh * correction.rh_gain + correction.rh_offset_pct
    rh = 0.0 if rh < 0.0 else 100.0 if rh > 100.0 else rh
    temp = raw_temp + correction.temp_offset_c

    follows = _near(rh, temp, memory.seen_rh_pct, memory.seen_temp_c, t - memory.seen_t, limits)
    row = memory.row + 1 if follows else 1
    still = raw_rh == memory.raw_rh_pct and raw_temp == memory.raw_temp_c
    lively = memory.lively
    if still:
        still_on_s, still_since_t = memory.still_on_s + on_s, memory.still_since_t
        lively -= LIVELY_WEIGHT * lively
    else:
        still_on_s, still_since_t = 0.0, t
        lively += LIVELY_WEIGHT * (1.0 - lively)
    if still_on_s >= limits.frozen_on_s or (
        memory.lively >= LIVELY
        and memory.good_t > NEVER_T
        and (t - still_since_t >= limits.frozen_s or _too_still(memory.lively, still_on_s, dt_s))
    ):
        doubt = "frozen"
        lively = memory.lively  # or a frozen probe would in time be taken for one that hardly moves
        good = False
    else:
        good = row >= limits.good_samples or (
            memory.trusted
            and (
                follows
                if memory.seen_t == memory.good_t
                else _near(rh, temp, memory.rh_pct, memory.temp_c, t - memory.good_t, limits)
            )
        )
        doubt = "" if good else ("jump" if memory.trusted else "settling")
    if good:
        doubted = memory.doubted
        if doubted > 0.0:
            doubted = doubted - doubted * _weight(dt_s) if doubted > 1e-6 else 0.0
        return ProbeMemory(
            True, "", "", row, rh, temp, t, rh, temp, t, raw_rh, raw_temp, still_on_s, still_since_t,
            lively, doubted,
        )  # fmt: skip
    kept = memory.trusted and t - memory.good_t <= limits.bridge_s and doubt != "frozen"
    return ProbeMemory(
        kept, doubt, "", row, memory.rh_pct, memory.temp_c, memory.good_t,
        rh, temp, t, raw_rh, raw_temp, still_on_s, still_since_t,
        lively, _more_doubted(memory, t, dt_s),
    )  # fmt: skip


def put_away(memory: ProbeMemory, t: float, doubt: str = AWAY) -> ProbeMemory:
    """The probe is in a jar: what it says is no room's. It has to earn trust again, and was not frozen."""
    return memory._replace(
        trusted=False, doubt=doubt, detail="", row=0, still_on_s=0.0, still_since_t=t, raw_rh_pct=-1.0
    )


def _too_still(lively: float, still_on_s: float, dt_s: float) -> bool:
    """Whether so many looks in a row without movement, mist running, are no matter of chance."""
    if still_on_s < STILL_ON_S or dt_s <= 0.0:
        return False
    return bool((1.0 - lively) ** (still_on_s / dt_s) < NEVER_BY_CHANCE)


def _more_doubted(memory: ProbeMemory, t: float, dt_s: float) -> float:
    if t - memory.good_t > LONG_DOUBT_S:
        return memory.doubted
    return memory.doubted + (1.0 - memory.doubted) * _weight(dt_s)


def _weight(dt_s: float) -> float:
    """Of the time since the last tick, in what is remembered of the last hours."""
    return min(dt_s * (1.0 / DOUBT_MEMORY_S), 1.0)


def _doubted(
    memory: ProbeMemory, doubt: str, detail: str, limits: TrustLimits, t: float, dt_s: float
) -> ProbeMemory:
    trusted = memory.trusted and t - memory.good_t <= limits.bridge_s
    return memory._replace(
        trusted=trusted,
        doubt=doubt,
        detail=str(detail)[:200],
        row=memory.row if trusted else 0,
        doubted=_more_doubted(memory, t, dt_s),
    )


def _near(
    rh: float, temp: float, rh_then: float, temp_then: float, apart_s: float, limits: TrustLimits
) -> bool:
    minutes = apart_s * (1.0 / 60.0)
    return (
        abs(rh - rh_then) <= limits.jump_rh_pct + limits.jump_rh_pct_per_min * minutes
        and abs(temp - temp_then) <= limits.jump_temp_c + limits.jump_temp_c_per_min * minutes
    )


def _sound(probe: ProbeMemory) -> bool:
    """A remembered figure may come from a file: what no air can have is not believed."""
    return 0.0 <= probe.rh_pct <= 100.0 and -60.0 <= probe.temp_c <= 80.0


def believe(probes: tuple[ProbeMemory, ...], limits: TrustLimits) -> Belief:
    """Puts the probes together: one may die without leaving the animals dry."""
    if len(probes) == 1:
        only = probes[0]
        if only.trusted and _sound(only):
            return Belief(True, only.rh_pct, only.rh_pct, only.temp_c, only.doubt, only.detail, 0.0)
        return Belief(False, None, None, None, only.doubt, only.detail, 0.0)
    trusted = [probe for probe in probes if probe.trusted and _sound(probe)]
    doubted = next((probe for probe in probes if probe.doubt not in ("", AWAY, RETURNING)), None)
    doubted = doubted or next((probe for probe in probes if probe.doubt), None)
    doubt, detail = (doubted.doubt, doubted.detail) if doubted else ("", "")
    if not trusted:
        return Belief(False, None, None, None, doubt or "silent", detail, 0.0)
    values = [probe.rh_pct for probe in trusted]
    low, high = min(values), max(values)
    return Belief(
        True,
        sum(values) / len(values),
        high,
        sum(probe.temp_c for probe in trusted) / len(trusted),
        doubt,
        detail,
        high - low,
        probes[0].rh_pct - probes[1].rh_pct if len(trusted) == 2 else None,
    )


def drift(mean_rh_pct: float, ahead_rh_pct: float | None, dt_s: float) -> float:
    """How far the first probe is ahead of the second in the mean of about a day."""
    if ahead_rh_pct is None:
        return mean_rh_pct
    return mean_rh_pct + (ahead_rh_pct - mean_rh_pct) * min(dt_s * (1.0 / APART_MEMORY_S), 1.0)
