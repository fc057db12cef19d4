"""The best plan of mist for one room, by linear programming, with weather and keeper known beforehand.

In:    ``Ticks`` of the room, its settings, what is to be least: hours out of the band, or the square of the
       distance from the setpoint.
Out:   a ``Plan``: the share of mist in each slot, and the moisture that it gives.
Never: is a way to control a room. It is what the ways are measured against.

One window of ``WINDOW_DAYS`` after the other is solved by HiGHS (``plan_window.py``), of which the first
``KEPT_DAYS`` are kept.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from controller.settings import Settings
from tests.long.control.plan_window import OUT_RH_PCT, Aim, Past, Rules, Window
from tests.long.control.slots import DAY_S, SLOT_S, Floats, Slots, Ticks, slots_of

WINDOW_DAYS, KEPT_DAYS = 5, 3


class Plan(NamedTuple):
    aim: Aim
    slots: Slots
    shares: Floats  # 0 to 1, per slot
    states: Floats  # (air, store) in kg/kg at the slots' ends
    rh_pct: Floats  # at the slots' ends
    scarce: np.ndarray[Any, np.dtype[np.bool_]]  # slots of windows in which water or cap are nearly used up
    out_h: float  # by the plan itself, at the slots' ends


def rules_of(settings: Settings, ticks: Ticks, slots: Slots, low_rh_pct: float, high_rh_pct: float) -> Rules:
    ends = slots.ends
    low, high = ticks.ratio(low_rh_pct, ends), ticks.ratio(high_rh_pct, ends)
    setpoint_rh = ticks.setpoint_rh_pct[ends]
    setpoint = ticks.ratio(setpoint_rh, ends)
    nearby = 1e-5
    per_ratio = (ticks.rh_pct(setpoint + nearby, ends) - setpoint_rh) / nearby
    each = round(slots.slot_s / ticks.dt_s)
    return Rules(
        low, high, setpoint, per_ratio,
        settings.ceiling.highest_rh_pct - high_rh_pct,
        settings.runtime.cap_s / slots.slot_s,
        settings.tank.tank_l / ticks.rate_l_per_h * 3600.0 / slots.slot_s,
        round(DAY_S / slots.slot_s),
        tuple(tick / each for tick in ticks.fills),
    )  # fmt: skip


def _window(slots: Slots, rules: Rules, past: Past, begin: int, end: int, aim: Aim) -> tuple[Floats, bool]:
    """Looks a day less far ahead where the solver finds no answer."""
    while True:
        try:
            return Window(slots, rules, past, begin, end, aim).best()
        except ArithmeticError:
            end -= rules.day
            if end < begin + KEPT_DAYS * rules.day:
                raise


def plan(
    settings: Settings,
    ticks: Ticks,
    aim: Aim,
    *,
    low_rh_pct: float,
    high_rh_pct: float,
    slot_s: float = SLOT_S,
) -> Plan:
    """The whole stretch. The edges may be drawn in from the band's, for what a relay cannot do evenly."""
    slots = slots_of(ticks, slot_s)
    rules = rules_of(settings, ticks, slots, low_rh_pct, high_rh_pct)
    many, kept = len(slots.keep), KEPT_DAYS * rules.day
    shares, scarce = np.zeros(many), np.zeros(many, dtype=bool)
    sums = np.zeros(many + 1)
    state, begin = ticks.start, 0
    while begin < many:
        end = min(begin + WINDOW_DAYS * rules.day, many)
        past = Past(state, shares[begin - 1] if begin else 0.0, sums[: begin + 1])
        found, short = _window(slots, rules, past, begin, end, aim)
        until = many if begin + len(found) == many else begin + kept
        now = np.clip(found[: until - begin], 0.0, 1.0)
        shares[begin:until], scarce[begin:until] = now, short
        sums[begin + 1 : until + 1] = sums[begin] + np.cumsum(now)
        states = slots.run(ticks.start, shares[:until])
        state, begin = (float(states[-1, 0]), float(states[-1, 1])), until
    states = slots.run(ticks.start, shares)
    rh = ticks.rh_pct(states[:, 0], slots.ends)
    out = (rh < low_rh_pct - OUT_RH_PCT) | (rh > high_rh_pct + OUT_RH_PCT)
    return Plan(aim, slots, shares, states, rh, scarce, float(out.sum()) * slot_s / 3600.0)
