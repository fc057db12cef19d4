"""DEMAND by PI control: a duty from 0 to 1, given as pulses. The one door to simple-pid.

In:    RH and setpoint in %, elapsed and on-time in seconds.
Out:   the integral and the duty (0 to 1), the on-time owed, and the wish on or off.
Never: reads a clock, keeps anything outside the memory it is given, or winds up.

simple-pid serves as a calculator: its integral is set before and read after each call
through its public interface, so the whole memory is one float in our own state. Its derivative
would not survive that, and on a noisy probe with an on/off humidifier it only adds switchings:
there is none. Its own limits clamp the integral to 0..1, which would make a hand-over bump; so
they stay open, and the duty is clamped here; the integral then moves no further than that clamp needs.

Pulses: the duty is integrated into seconds owed, and what the relay really gave is taken off.
On when half a pulse is owed, off when half a pulse is overpaid: nothing is lost to rounding.
The period is ``window_minutes`` at half duty and longer towards either end, so that no pulse
and no pause is ever shorter than a quarter of the window.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal

from pydantic import Field
from simple_pid import PID

from controller.core.limits import Limits
from controller.core.tuning import Gains

LONGEST_DT_S = 300.0
"""After a gap, no more than this is integrated at once."""
STEP_RH_PCT = 1.0
"""A setpoint that moves more than this in one tick was changed, not ramped."""


class PidLimits(Limits):
    """PI control. The defaults follow the SIMC rule for a heated room of common size."""

    gain_duty_per_rh_pct: float = Field(0.12, ge=0.001, le=5, description="duty for each %RH of error")
    integral_minutes: float = Field(60.0, ge=1, le=1440, description="integral time")
    tuning: Literal["settings", "learned"] = Field(
        "settings", description="the two figures above, or gains from what was learned of the room"
    )
    window_minutes: float = Field(12.0, ge=1, le=120, description="period of the pulses at half duty")

    @cached_property
    def calculator(self) -> PID:
        """Holds nothing between two calls; one for each settings value, so rooms do not share it."""
        gain = self.gain_duty_per_rh_pct
        return PID(
            gain,
            gain / (self.integral_minutes * 60.0),
            0.0,
            sample_time=None,
            output_limits=(None, None),
            auto_mode=False,
            time_fn=_no_clock,
        )

    @cached_property
    def pulse_s(self) -> float:
        """The shortest pulse: a quarter of the window."""
        return self.window_minutes * 15.0


def _no_clock() -> float:
    return 0.0


def advance(
    integral: float,
    duty: float,
    owed_s: float,
    wants: bool,
    last_setpoint_rh_pct: float,
    rh_pct: float,
    setpoint_rh_pct: float,
    dt_s: float,
    on_s: float,
    refused: bool,
    take_over_duty: float | None,
    limits: PidLimits,
    tuned: Gains | None = None,
    last_gain: float = 0.0,
) -> tuple[float, float, float, bool, float]:
    """One step: (integral, duty, owed_s, wants, gain). ``take_over_duty``: what another method gave before.

    ``tuned``: other gains than the settings'; ``last_gain``: that of the last step, 0 where there was none.
    """
    gain = limits.gain_duty_per_rh_pct if tuned is None else tuned.gain_duty_per_rh_pct
    if not (abs(integral) <= 1e3 and 0.0 <= duty <= 1.0 and abs(owed_s) <= 1e6):
        integral, duty, owed_s = 0.0, 0.0, 0.0  # a memory from elsewhere, not ours
    error = setpoint_rh_pct - rh_pct
    if take_over_duty is not None:
        integral, owed_s = take_over_duty - gain * error, 0.0
    elif abs(setpoint_rh_pct - last_setpoint_rh_pct) > STEP_RH_PCT:
        integral = duty - gain * error
    elif last_gain > 0.0 and gain != last_gain:  # other gains do not bump the duty either
        integral += (last_gain - gain) * error
    integral, duty = _duty(integral, rh_pct, setpoint_rh_pct, dt_s, refused, limits, tuned)
    if not refused:
        owed_s = _owed(owed_s, duty, dt_s, on_s, limits.pulse_s)
    return integral, duty, owed_s, _pulse(wants, duty, owed_s, 0.5 * limits.pulse_s), gain


def _duty(
    integral: float, rh_pct: float, setpoint: float, dt_s: float, refused: bool, limits: PidLimits,
    tuned: Gains | None,
) -> tuple[float, float]:  # fmt: skip
    pid = limits.calculator
    if tuned is None:
        gain, integral_s = limits.gain_duty_per_rh_pct, limits.integral_minutes * 60.0
    else:
        gain, integral_s = tuned
    pid.tunings = gain, gain / integral_s, 0.0
    pid.set_auto_mode(False)
    pid.set_auto_mode(True, last_output=integral)
    pid.setpoint = setpoint
    dt_s = dt_s if dt_s < LONGEST_DT_S else LONGEST_DT_S
    raw = float(pid(rh_pct, dt=dt_s if dt_s > 0.0 else 1e-9) or 0.0)
    moved = float(pid.components[1])
    part = raw - moved  # the proportional part
    if refused:
        moved = integral
    elif raw > 1.0 and moved > integral:  # up to the limit and no further, but home to 0 always
        moved = max(integral, min(moved, max(1.0 - part, 0.0)))
    elif raw < 0.0 and moved < integral:  # the same below, home to 1
        moved = min(integral, max(moved, min(-part, 1.0)))
    duty = part + moved
    return moved, 0.0 if duty < 0.0 else 1.0 if duty > 1.0 else duty


def _owed(owed_s: float, duty: float, dt_s: float, on_s: float, pulse_s: float) -> float:
    owed_s += duty * dt_s - on_s
    most_s = pulse_s + dt_s  # bounded: a debt that cannot be paid is not kept for ever
    return most_s if owed_s > most_s else -most_s if owed_s < -most_s else owed_s


def _pulse(wants: bool, duty: float, owed_s: float, half_s: float) -> bool:
    if duty >= 1.0:
        return True
    if duty <= 0.0:
        return False
    if owed_s >= half_s:
        return True
    if not owed_s > -half_s:
        return False
    return wants
