"""TUNING: gains of the PID from what was learned of the room, and back to the settings' where that is worse.

In:    the room model's figures, the distance from the setpoint at each tick.
Out:   a gain and an integral time, or None for the settings' own.
Never: leaves its bounds, or keeps gains that hold the room clearly worse than the settings' did.

The rule is SIMC (Skogestad 2003, J. Process Control 13, 291): for k exp(-theta s) / (tau s + 1) and a wish to
be as quick as is prudent, tc = theta:
    Kc = tau / (k (tc + theta)),   tI = min(tau, 4 (tc + theta))
Dead time is that of the mist, what the probe lags, and half the window of the pulses, since a duty shows only
in the mean of its pulses.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.core.records import NEVER_T, Room

LEAST_GAIN, MOST_GAIN = 0.01, 0.5
LEAST_INTEGRAL_S, MOST_INTEGRAL_S = 600.0, 4.0 * 3600.0
DAY_S = 86400.0
WORSE = 1.3
"""Times the mean square distance of a day with the settings' gains: another day's weather makes less."""
AGAIN_S = 14.0 * DAY_S


class Gains(NamedTuple):
    """Of the PI control: duty for each %RH, and seconds."""

    gain_duty_per_rh_pct: float
    integral_s: float


def simc(gain: float, tau_s: float, theta_s: float, tc_s: float | None = None) -> Gains:
    """SIMC for a first-order lag with dead time; ``gain`` in %RH for a duty of 1, times in s, all above 0.

    ``tc_s``: the closed loop's time constant; None: ``theta_s``, the tightest that is prudent.
    """
    together_s = theta_s + (theta_s if tc_s is None else tc_s)
    return Gains(tau_s / (gain * together_s), min(tau_s, 4.0 * together_s))


def of_room(room: Room, per_pct: float, window_s: float) -> Gains | None:
    """From the learned figures, bounded; None where they make no first-order room."""
    fast = room.loss + room.store * per_pct  # an hour: to outdoors and into the walls
    if not (fast > 0.05 and room.gain > 0.0 and per_pct > 0.0):
        return None
    theta_s = room.dead_s + room.lag_s + 0.5 * window_s
    found = simc(room.gain * per_pct / fast, 3600.0 / fast, theta_s)
    return Gains(
        min(max(found.gain_duty_per_rh_pct, LEAST_GAIN), MOST_GAIN),
        min(max(found.integral_s, LEAST_INTEGRAL_S), MOST_INTEGRAL_S),
    )


class TuningMemory(NamedTuple):
    """``stage``: "" the settings' gains are watched, "learned" are in use, "back": they were worse."""

    stage: str = ""
    square: float = 0.0  # mean square distance in this stage, %RH squared
    seen_s: float = 0.0
    before: float = 0.0  # the same with the settings' gains
    back_t: float = NEVER_T


def advance(
    memory: TuningMemory, t: float, dt_s: float, distance_rh_pct: float, counts: bool
) -> TuningMemory:
    """One tick. ``counts``: the room is held by demand alone, and known."""
    if memory.stage == "back":
        return memory if t - memory.back_t < AGAIN_S else TuningMemory()
    if not counts or not 0.0 < dt_s <= 600.0 or not abs(distance_rh_pct) < 100.0:
        return memory
    seen_s = memory.seen_s + dt_s
    square = memory.square + (distance_rh_pct * distance_rh_pct - memory.square) * min(
        dt_s / min(seen_s, DAY_S), 1.0
    )
    if seen_s < DAY_S:
        return memory._replace(square=square, seen_s=seen_s)
    if memory.stage == "learned":
        if square > WORSE * memory.before:
            return TuningMemory("back", before=memory.before, back_t=t)
        return memory._replace(square=square, seen_s=seen_s)
    return TuningMemory("learned", before=square)


def gains(memory: TuningMemory, room: Room | None, per_pct: float, window_s: float) -> Gains | None:
    """Those to use now; None: the settings'."""
    if memory.stage != "learned" or room is None:
        return None
    return of_room(room, per_pct, window_s)
