"""DEMAND: does the room want mist now? The two methods behind one door, and the hand-over between them.

In:    believed RH, the setpoint, whether a guard refused at the last tick.
Out:   a wish (on or off) and, for pid, the duty behind it.
Never: integrates while a guard refuses, bumps at a change of method, setpoint or at a restart,
       or lets NaN near an integral (the trust stage stands before it; a bad memory is reset here).
"""

from __future__ import annotations

from typing import Literal, NamedTuple, Self

from pydantic import Field, model_validator

from controller.core import demand_hysteresis, demand_pid
from controller.core.demand_pid import PidLimits
from controller.core.limits import Foresight, Limits, contradiction
from controller.core.tuning import Gains


class DemandLimits(Limits):
    """How the wish for mist is made."""

    method: Literal["hysteresis", "pid"] = Field("hysteresis", description="deadband, or duty in pulses")
    deadband_rh_pct: float = Field(4.0, ge=0.5, le=20, description="on below, off above half of this")
    foresight: Foresight = Field(
        "off", description='"keep-hours" or "keep-error": learns the room and acts ahead of it'
    )
    pid: PidLimits = PidLimits()

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.pid.tuning == "learned" and self.foresight == "off":
            raise contradiction(
                'tuning = "learned" takes what foresight learns, and foresight is "off"',
                "demand.pid.tuning", "demand.foresight",
            )  # fmt: skip
        return self


class DemandMemory(NamedTuple):
    method: str = ""
    wants: bool = False
    integral: float = 0.0  # duty
    owed_s: float = 0.0  # on-time that the duty has asked for and the relay not yet given
    duty: float = 0.0
    setpoint_rh_pct: float = 0.0
    gain: float = 0.0  # of the PID, duty for each %RH, at the last step; 0: there was none


def advance(
    memory: DemandMemory,
    rh_pct: float,
    setpoint_rh_pct: float,
    dt_s: float,
    on_s: float,
    refused: bool,
    recent_duty: float,
    limits: DemandLimits,
    deadband_rh_pct: float | None = None,
    tuned: Gains | None = None,
) -> DemandMemory:
    """One step. ``on_s``: on-time since the last; ``refused``: a guard refused at the last step;
    ``recent_duty``: the mean over the last hours, for the hand-over from another method;
    ``deadband_rh_pct``, ``tuned``: other
    than the settings'.
    """
    if limits.method == "hysteresis":
        wants = demand_hysteresis.advance(
            memory.wants, rh_pct, setpoint_rh_pct, deadband_rh_pct or limits.deadband_rh_pct
        )
        if wants == memory.wants and memory.method == "hysteresis":
            return memory
        return DemandMemory("hysteresis", wants)
    integral, duty, owed_s, wants, gain = demand_pid.advance(
        memory.integral,
        memory.duty,
        memory.owed_s,
        memory.wants,
        memory.setpoint_rh_pct,
        rh_pct,
        setpoint_rh_pct,
        dt_s,
        on_s,
        refused,
        recent_duty if memory.method != "pid" else None,
        limits.pid,
        tuned,
        memory.gain,
    )
    return DemandMemory("pid", wants, integral, owed_s, duty, setpoint_rh_pct, gain)
