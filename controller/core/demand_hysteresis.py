"""DEMAND by hysteresis: on below the deadband, off above it, unchanged inside it.

In:    the last wish, RH, setpoint and deadband in %RH.
Out:   the new wish.
Never: switches inside the deadband.
"""

from __future__ import annotations


def advance(wants: bool, rh_pct: float, setpoint_rh_pct: float, deadband_rh_pct: float) -> bool:
    half = 0.5 * deadband_rh_pct
    if rh_pct <= setpoint_rh_pct - half:
        return True
    if not rh_pct < setpoint_rh_pct + half:  # so written that NaN means off
        return False
    return wants
