"""TANK: about how much water is left.

In:    what the relay really did, the keeper's fill notes, the believed air.
Out:   litres left by estimate, or None when nothing is known; leave for a trial pulse.
Never: takes an estimate for a fact: when it says empty, somebody may have filled the tank and
       told nobody, so now and then a short trial pulse looks whether the air gets wetter.

The trial is compared in vapour pressure, not in RH: a room that cools at night shows a rising RH
without any water.

The nameplate is only where the output begins (``tank_model.py`` learns it). It is learned between two
moments at which the level is certain: filled to the top, or run dry, seen by the missing rise. What was
put in between must be known in litres. So a filling noted "to the top" alone teaches nothing: it makes
the level certain, and not how much had gone. Litres alone teach nothing yet: they leave the level as
uncertain as it was. Both notes of one filling, in either order within half an hour, teach the output.
"""

from __future__ import annotations

from functools import cached_property
from math import hypot
from typing import NamedTuple, Self

from pydantic import Field, model_validator

from controller.core import air, tank_model
from controller.core.limits import Limits, Litres, LitresAnHour, contradiction
from controller.core.records import NEVER_T, Water
from controller.core.tank_model import Learned

NOTE_SHARE, TOP_SHARE, DRY_SHARE = 0.03, 0.02, 0.05
"""Standard deviations: of litres noted, by their share; of "to the top" and of "dry", by the tank's. Common
practice, no source."""
AT_LEAST_SHARE = 0.15
"""The same of a level that no certain one stands behind, by the tank's share. Common practice, no source."""
DRY_LAG_S, DRY_LAG_SD_S = 2400.0, 900.0
"""On-time from a dry tank until the missing rise is sure: 0.62 to 0.72 h in simulated rooms in which it was
found at all; the deviation is wider, since no room of a keeper's was among them."""


class TankLimits(Limits):
    """The humidifier's tank. Output is asked for in whichever way the keeper knows it."""

    tank_l: Litres = Field(4.0, ge=0.1, le=500, description="what a full tank holds, litres")
    full_tank_lasts_h: float = Field(
        10.0, ge=0.2, le=1000, description="hours of running that a full tank lasts"
    )
    output_l_per_h: LitresAnHour | None = Field(None, ge=0.005, le=50, description="output, litres an hour")
    dry_cutout: bool = Field(True, description="the humidifier switches itself off when its tank is dry")
    warn_hours_left: float = Field(2.0, ge=0, le=100, description="notice when so much on-time is left")
    trial_minutes: float = Field(15.0, ge=1, le=60, description="length of a trial pulse on an empty tank")
    trial_every_minutes: float = Field(60.0, ge=5, le=1440, description="pause between trial pulses")
    trial_rise_rh_pct: float = Field(1.5, ge=0.2, le=20, description="a rise that proves water, in %RH")

    @cached_property
    def rate_l_per_h(self) -> float:
        """Output in litres an hour of on-time."""
        return self.tank_l / self.full_tank_lasts_h if self.output_l_per_h is None else self.output_l_per_h

    @cached_property
    def rate_l_per_s(self) -> float:
        return self.rate_l_per_h / 3600.0

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.output_l_per_h is not None and "full_tank_lasts_h" in self.model_fields_set:
            implied = self.tank_l / self.full_tank_lasts_h
            if abs(implied - self.output_l_per_h) > 0.02 * self.output_l_per_h:
                raise contradiction(
                    f"a tank of {self.tank_l:g} L that lasts {self.full_tank_lasts_h:g} h gives "
                    f"{implied:.3g} L/h, but output_l_per_h says {self.output_l_per_h:g}; give one of them",
                    "tank.full_tank_lasts_h", "tank.output_l_per_h",
                )  # fmt: skip
        return self


class Since(NamedTuple):
    """What has happened since the level was last certain; ``level_l`` None: it never was."""

    level_l: float | None = None
    on_s: float = 0.0
    put_l: float = 0.0  # noted in litres meanwhile


class TankMemory(NamedTuple):
    level_l: float | None = None
    fill_t: float = NEVER_T  # the last noted filling, to merge a second note of it
    fill_from_l: float | None = None  # level before that filling
    fill_litres: float | None = None  # litres noted, None = to the top
    trial_from_t: float | None = None  # when a trial began
    trial_vapour_pa: float = 0.0
    next_trial_t: float = 0.0
    learned: Learned = Learned()
    since: Since = Since()
    fill_since: Since = Since()  # as the last noted filling found it, to reckon a second note of it anew
    fill_learned: Learned = Learned()  # likewise
    fill_full: bool = False  # to the top, and its litres are known too
    late_t: float = NEVER_T  # the last filling that was noted after a later one


def empty(memory: TankMemory) -> bool:
    return memory.level_l is not None and not memory.level_l > 0.0


def learned(memory: TankMemory, limits: TankLimits) -> Learned:
    """The output as believed, a share of the nameplate; always within ``tank_model.LEAST`` and ``MOST``."""
    return tank_model.of(memory.learned, limits.rate_l_per_h)


def rate_l_per_h(memory: TankMemory, limits: TankLimits) -> float:
    """Output in litres an hour of on-time, as believed."""
    return limits.rate_l_per_h * learned(memory, limits).ratio


def taken_l(on_s: float, known: Learned, limits: TankLimits) -> float:
    """What ``on_s`` of running takes off the level, litres.

    Where nothing but this estimate keeps a dry humidifier from running, never less than by the settings.
    """
    ratio = known.ratio if limits.dry_cutout or known.ratio > 1.0 else 1.0
    return on_s * limits.rate_l_per_s * ratio


def doubt_l(memory: TankMemory, limits: TankLimits) -> float:
    """Standard deviation of the level, litres."""
    return _doubt_l(memory, learned(memory, limits), limits)


def _doubt_l(memory: TankMemory, known: Learned, limits: TankLimits) -> float:
    used_l = memory.since.on_s * limits.rate_l_per_s * known.ratio
    sd_l = hypot(span_sd_l(memory.since, limits), known.sd * used_l)
    return sd_l if sd_l < limits.tank_l else limits.tank_l


def span_sd_l(since: Since, limits: TankLimits) -> float:
    """Standard deviation of what there was, and has been put in, since the level was last certain; litres."""
    share = AT_LEAST_SHARE
    if since.level_l is not None:
        share = TOP_SHARE if since.level_l > 0.0 else DRY_SHARE
    return hypot(NOTE_SHARE * since.put_l, share * limits.tank_l)


def water(
    memory: TankMemory,
    limits: TankLimits,
    runs: tuple[tuple[float, float], ...],
    open_t: float | None,
    t: float,
    whole_day: bool,
) -> Water:
    """All that is believed of the tank, beside the ledger's last 24 hours."""
    known = learned(memory, limits)
    return Water(
        memory.level_l, _doubt_l(memory, known, limits), limits.rate_l_per_h * known.ratio, known.sd,
        known.counts, runs, open_t, t, whole_day,
    )  # fmt: skip


def advance(memory: TankMemory, t: float, on_s: float, limits: TankLimits) -> TankMemory:
    """Takes off what the last tick used."""
    if on_s <= 0.0:
        return memory
    before = memory.since
    since = Since(before.level_l, before.on_s + on_s, before.put_l)
    if memory.level_l is None or memory.level_l <= 0.0:
        return memory._replace(since=since)
    left_l = memory.level_l - taken_l(on_s, learned(memory, limits), limits)
    if left_l > 1e-9:  # less than a thousandth of a drop is rounding
        return TankMemory(  # by place: every tick of mist comes by here
            left_l, memory.fill_t, memory.fill_from_l, memory.fill_litres, memory.trial_from_t,
            memory.trial_vapour_pa, memory.next_trial_t, memory.learned, since, memory.fill_since,
            memory.fill_learned, memory.fill_full, memory.late_t,
        )  # fmt: skip
    next_trial_t = t + limits.trial_every_minutes * 60.0
    return memory._replace(level_l=0.0, next_trial_t=next_trial_t, since=since)


def seen_dry(memory: TankMemory, t: float, limits: TankLimits) -> TankMemory:
    """No mist came although it was on: from now on trial pulses look for water, as on an empty tank.

    Where the last certain level and all litres since are known, the hours until then teach the output.
    Mist fails to come for other reasons, too (unplugged, a stuck relay, a window): then the hours do not
    fit what is believed, and neither the output nor the level is taken from them for certain.
    """
    if memory.level_l is not None and memory.level_l <= 0.0:
        return memory
    since, known = memory.since, learned(memory, limits)
    certain = Since(0.0)
    if since.level_l is not None:
        used_l = since.level_l + since.put_l
        sd_l = hypot(span_sd_l(since, limits), DRY_SHARE * limits.tank_l)
        ran_s = max(since.on_s - DRY_LAG_S, 0.0)
        lesson = tank_model.count(known, used_l, sd_l, ran_s, DRY_LAG_SD_S)
        known, verdict = tank_model.from_dry(lesson)
        if verdict == "odd":
            certain = Since()
    else:
        known = tank_model.drifted(known, since.on_s)
    return memory._replace(
        level_l=0.0, trial_from_t=None, next_trial_t=t + limits.trial_every_minutes * 60.0,
        learned=known, since=certain,
    )  # fmt: skip


def trial_allowed(memory: TankMemory, t: float, limits: TankLimits) -> bool:
    """Whether an empty tank may be tried now: a pulse is due, or one is under way."""
    if not limits.dry_cutout:
        return False
    if memory.trial_from_t is not None:
        return t - memory.trial_from_t < limits.trial_minutes * 60.0
    return t >= memory.next_trial_t


def trial_in_s(memory: TankMemory, t: float, limits: TankLimits) -> float | None:
    """When the next trial pulse may be; None when none will be."""
    if not limits.dry_cutout:
        return None
    if memory.trial_from_t is None:
        return max(0.0, memory.next_trial_t - t)
    end_t = memory.trial_from_t + limits.trial_minutes * 120.0
    return max(0.0, end_t + limits.trial_every_minutes * 60.0 - t)


def watch_trial(
    memory: TankMemory, t: float, was_on: bool, temp_c: float, rh_pct: float, limits: TankLimits
) -> TankMemory:
    """Follows a trial pulse; on a clear rise the level becomes unknown, which is better than empty.

    A trial starts at the first tick at which an empty tank's humidifier ran, and is judged until as
    long again after its end, since mist and probe lag behind.
    """
    if memory.level_l is None or memory.level_l > 0.0:
        return memory
    if memory.trial_from_t is None:
        if not (was_on and t >= memory.next_trial_t):
            return memory
        return memory._replace(trial_from_t=t, trial_vapour_pa=air.vapour_pressure_pa(temp_c, rh_pct))
    if t - memory.trial_from_t >= limits.trial_minutes * 120.0:
        next_trial_t = memory.trial_from_t + limits.trial_minutes * 120.0 + limits.trial_every_minutes * 60.0
        return memory._replace(trial_from_t=None, next_trial_t=max(t, next_trial_t))
    vapour_pa = air.vapour_pressure_pa(temp_c, rh_pct)
    rise_pct = 100.0 * (vapour_pa - memory.trial_vapour_pa) / air.saturation_pressure_pa(temp_c)
    if rise_pct >= limits.trial_rise_rh_pct:
        # Empty by estimate alone: the output may be smaller than believed, and the hours since the top still
        # count. Seen dry: somebody filled it, or it never was.
        since, known = memory.since, learned(memory, limits)
        if since.level_l == 0.0:
            return TankMemory(learned=known)
        return TankMemory(learned=tank_model.not_empty(known), since=since)
    return memory
