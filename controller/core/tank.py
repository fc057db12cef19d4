"""TANK: about how much water is left.

In:    what the relay really did, the keeper's fill notes, the believed air.
Out:   litres left by estimate, or None when nothing is known; leave for a trial pulse.
Never: takes an estimate for a fact: when it says empty, somebody may have filled the tank and
       told nobody, so now and then a short trial pulse looks whether the air gets wetter.

The trial is compared in vapour pressure, not in RH: a room that cools at night shows a rising RH
without any water.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple, Self

from pydantic import Field, model_validator

from controller.core import air
from controller.core.limits import Limits, contradiction
from controller.core.records import NEVER_T

MERGE_S = 1800.0
"""Two fill notes closer than this tell of one filling."""


class TankLimits(Limits):
    """The humidifier's tank. Output is asked for in whichever way the keeper knows it."""

    tank_l: float = Field(4.0, ge=0.1, le=500, description="what a full tank holds, litres")
    full_tank_lasts_h: float = Field(
        10.0, ge=0.2, le=1000, description="hours of running that a full tank lasts"
    )
    output_l_per_h: float | None = Field(None, ge=0.005, le=50, description="output, litres an hour")
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


class TankMemory(NamedTuple):
    level_l: float | None = None
    fill_t: float = NEVER_T  # the last noted filling, to merge a second note of it
    fill_from_l: float | None = None  # level before that filling
    fill_litres: float | None = None  # litres noted, None = to the top
    trial_from_t: float | None = None  # when a trial began
    trial_vapour_pa: float = 0.0
    next_trial_t: float = 0.0


class Filling(NamedTuple):
    memory: TankMemory
    words: str


def empty(memory: TankMemory) -> bool:
    return memory.level_l is not None and not memory.level_l > 0.0


def advance(memory: TankMemory, t: float, on_s: float, limits: TankLimits) -> TankMemory:
    """Takes off what the last tick used."""
    if on_s <= 0.0 or memory.level_l is None or memory.level_l <= 0.0:
        return memory
    left_l = memory.level_l - on_s * limits.rate_l_per_s
    if left_l > 1e-9:  # less than a thousandth of a drop is rounding
        return memory._replace(level_l=left_l)
    return memory._replace(level_l=0.0, next_trial_t=t + limits.trial_every_minutes * 60.0)


def seen_dry(memory: TankMemory, t: float, limits: TankLimits) -> TankMemory:
    """No mist came although it was on: from now on trial pulses look for water, as on an empty tank."""
    if memory.level_l is not None and memory.level_l <= 0.0:
        return memory
    return memory._replace(level_l=0.0, trial_from_t=None, next_trial_t=t + limits.trial_every_minutes * 60.0)


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
        return TankMemory()
    return memory


def filled_at(memory: TankMemory, at_t: float) -> float:
    """When a filling noted for ``at_t`` really was: a second note of one filling is put to the first."""
    return memory.fill_t if abs(at_t - memory.fill_t) <= MERGE_S else at_t


def filled(
    memory: TankMemory, t: float, litres: float | None, at_t: float, used_since_l: float, limits: TankLimits
) -> Filling:
    """A fill note: ``litres`` added at ``at_t``, or to the top; ``used_since_l`` has run out since.

    ``at_t`` comes from ``filled_at``.
    """
    merged = at_t == memory.fill_t
    if merged:
        before_l = memory.fill_from_l
        if memory.fill_litres is None or litres is None:
            litres = None  # who says "to the top" has seen it full
    else:
        before_l = memory.level_l
        if before_l is not None:
            before_l = min(before_l + used_since_l, limits.tank_l)
    if litres is None:
        level_l = limits.tank_l
    elif before_l is None:
        level_l = min(litres, limits.tank_l)  # at least this much is in there
    else:
        level_l = min(before_l + litres, limits.tank_l)
    level_l = max(level_l - used_since_l, 0.0)
    words = f"noted: about {level_l:.1f} L in the tank"
    if merged:
        words += "; taken as the same filling as the note before it"
    elif litres is not None and before_l is None:
        words += " at least (what was in it before is not known)"
    next_trial_t = t + limits.trial_every_minutes * 60.0
    return Filling(TankMemory(level_l, at_t, before_l, litres, next_trial_t=next_trial_t), words)
