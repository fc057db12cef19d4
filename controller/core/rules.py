"""RULES: the settings that the core obeys, put together. ``settings.py`` adds those of the edges.

Only relations between stages are checked here; each stage checks itself.
"""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from controller.core.ceiling import CeilingLimits, SurfaceLimits
from controller.core.demand import DemandLimits
from controller.core.guards import GuardLimits
from controller.core.keeper import KeeperLimits
from controller.core.limits import Limits, contradiction
from controller.core.runtime import RuntimeLimits
from controller.core.tank import TankLimits
from controller.core.target import TargetLimits
from controller.core.trust import CorrectionLimits, TrustLimits


class Rules(Limits):
    """What ``advance`` needs to know."""

    target: TargetLimits = Field(TargetLimits(), description="what the animals are to have")
    ceiling: CeilingLimits = Field(CeilingLimits(), description="the upper limit")
    surface: SurfaceLimits = Field(SurfaceLimits(), description="the coldest wall or window")
    demand: DemandLimits = Field(DemandLimits(), description="how the wish for mist is made")
    guards: GuardLimits = Field(GuardLimits(), description="limits on runs and on the room")
    runtime: RuntimeLimits = Field(RuntimeLimits(), description="the daily runtime cap")
    tank: TankLimits = Field(TankLimits(), description="the humidifier's tank")
    trust: TrustLimits = Field(TrustLimits(), description="when a probe is not believed")
    keeper: KeeperLimits = Field(KeeperLimits(), description="bounds on what can be asked for")
    probe: tuple[CorrectionLimits, ...] = Field(
        (CorrectionLimits(),), min_length=1, max_length=2, description="one or two room probes"
    )

    @model_validator(mode="after")
    def _stages_agree(self) -> Self:
        target, ceiling, demand = self.target, self.ceiling, self.demand
        wettest_key = "day_rh_pct" if target.day_rh_pct >= target.night_rh_pct else "night_rh_pct"
        wettest = getattr(target, wettest_key)
        if wettest >= ceiling.limit_rh_pct:
            raise contradiction(
                f"the target {wettest:g} %RH is not below the ceiling {ceiling.highest_rh_pct:g} less the "
                f"probe's accuracy {ceiling.probe_accuracy_rh_pct:g}",
                f"target.{wettest_key}", "ceiling.highest_rh_pct", "ceiling.probe_accuracy_rh_pct",
            )  # fmt: skip
        if demand.deadband_rh_pct > target.band_high_rh_pct - target.band_low_rh_pct:
            raise contradiction(
                f"the deadband of {demand.deadband_rh_pct:g} %RH is wider than the band from "
                f"{target.band_low_rh_pct:g} to {target.band_high_rh_pct:g}",
                "demand.deadband_rh_pct", "target.band_low_rh_pct", "target.band_high_rh_pct",
            )  # fmt: skip
        longest_pulse_part_s = max(self.guards.shortest_on_s, self.guards.shortest_off_s)
        if demand.method == "pid" and longest_pulse_part_s > demand.pid.pulse_s:
            raise contradiction(
                f"the shortest on or off of {longest_pulse_part_s:g} s is longer than a quarter of the pulse "
                f"window of {demand.pid.window_minutes:g} minutes",
                "demand.pid.window_minutes", "guards.shortest_on_s", "guards.shortest_off_s",
            )  # fmt: skip
        if self.guards.shortest_on_s > self.runtime.useful_s:
            raise contradiction(
                f"the shortest on of {self.guards.shortest_on_s:g} s is longer than the useful run of "
                f"{self.runtime.useful_run_minutes:g} minutes",
                "guards.shortest_on_s", "runtime.useful_run_minutes",
            )  # fmt: skip
        return self
