"""TARGET: which humidity is wanted now.

In:    local time of day, the keeper's raise, the ceiling.
Out:   a setpoint in %RH and whether it is day.
Never: keeps a timer to a local instant: it asks only what the local time is now, so that
       daylight saving and clock jumps can at worst move a setpoint, not a duration.
"""

from __future__ import annotations

from datetime import datetime, time
from functools import cached_property
from typing import NamedTuple, Self

from pydantic import Field, model_validator

from controller.core.limits import Limits, Rh, contradiction, seconds_of_day

DAY_S = 86400


class TargetLimits(Limits):
    """What the animals are to have. Set the figures for the species with a veterinarian."""

    day_rh_pct: Rh = Field(65.0, description="setpoint by day")
    night_rh_pct: Rh = Field(70.0, description="setpoint by night")
    day_starts: time = Field(time(7, 30), description="when the day begins, local time")
    night_starts: time = Field(time(21, 0), description="when the night begins, local time")
    ramp_minutes: float = Field(45.0, ge=0, le=360, description="how long a change of setpoint takes")
    band_low_rh_pct: Rh = Field(60.0, description="drier than this is too dry for the animals")
    band_high_rh_pct: Rh = Field(78.0, description="wetter than this is too wet for the animals")

    @cached_property
    def day_s(self) -> int:
        return seconds_of_day(self.day_starts)

    @cached_property
    def day_length_s(self) -> int:
        return (seconds_of_day(self.night_starts) - self.day_s) % DAY_S

    @cached_property
    def ramp_s(self) -> float:
        return self.ramp_minutes * 60.0

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.band_low_rh_pct >= self.band_high_rh_pct:
            raise contradiction(
                f"the band's low edge {self.band_low_rh_pct:g} is not below its high edge "
                f"{self.band_high_rh_pct:g} %RH",
                "target.band_low_rh_pct", "target.band_high_rh_pct",
            )  # fmt: skip
        for key in ("day_rh_pct", "night_rh_pct"):
            value = getattr(self, key)
            if not self.band_low_rh_pct <= value <= self.band_high_rh_pct:
                raise contradiction(
                    f"{key} {value:g} lies outside the band {self.band_low_rh_pct:g} to "
                    f"{self.band_high_rh_pct:g} %RH",
                    f"target.{key}", "target.band_low_rh_pct", "target.band_high_rh_pct",
                )  # fmt: skip
        if self.day_starts == self.night_starts:
            raise contradiction(
                "day and night start at the same time", "target.day_starts", "target.night_starts"
            )
        shorter_s = min(self.day_length_s, DAY_S - self.day_length_s)
        if self.ramp_s > shorter_s:
            raise contradiction(
                f"the ramp of {self.ramp_minutes:g} minutes is longer than the shorter of day and night "
                f"({shorter_s / 60:g} minutes)",
                "target.ramp_minutes", "target.day_starts", "target.night_starts",
            )  # fmt: skip
        return self


class Target(NamedTuple):
    rh_pct: float
    is_day: bool


def wanted(wall: datetime, raise_rh_pct: float, highest_rh_pct: float, limits: TargetLimits) -> Target:
    """The setpoint at this local time, plus the keeper's raise, never above ``highest_rh_pct``."""
    day_rh, night_rh = limits.day_rh_pct, limits.night_rh_pct
    since_day_s = (wall.hour * 3600 + wall.minute * 60 + wall.second - limits.day_s) % DAY_S
    since_night_s = since_day_s - limits.day_length_s
    ramp_s = limits.ramp_s
    if since_night_s < 0:
        rh = day_rh
        if since_day_s < ramp_s:
            rh = night_rh + (day_rh - night_rh) * since_day_s / ramp_s
    else:
        rh = night_rh
        if since_night_s < ramp_s:
            rh = day_rh + (night_rh - day_rh) * since_night_s / ramp_s
    rh += raise_rh_pct
    return Target(rh if rh < highest_rh_pct else highest_rh_pct, since_night_s < 0)
