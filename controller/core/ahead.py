"""AHEAD: what foresight is given and what comes of it: the setpoint in time, what the demand looks at.

In:    what the stages before it found this tick.
Out:   a Target, the foresight's memory and what it sees, the demand's new memory.
Never: decides: see ``foresight.py`` and ``demand.py`` for that.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from controller.core import demand, foresight, runtime, tank, target, tuning
from controller.core.demand import DemandMemory
from controller.core.effect import EffectMemory
from controller.core.effect_model import LEARNS_BELOW
from controller.core.foresight import ForesightMemory, Scene
from controller.core.records import Ahead
from controller.core.room_model import LEARNING_BLOCKS
from controller.core.rules import Rules
from controller.core.runtime import RuntimeMemory
from controller.core.state import State
from controller.core.tank import TankMemory
from controller.core.target import Target
from controller.core.tuning import Gains

DUTY_LOOK_BACK_S = 4 * 3600.0


def look(
    memory: ForesightMemory, rules: Rules, t: float, dt_s: float, on_s: float, rh_pct: float, temp_c: float,
    used: RuntimeMemory, water: TankMemory, mist: EffectMemory, shortest_on_s: float,
    setpoint_rh_pct: float, wanted_rh_pct: float, refused: bool, wall: datetime | None = None,
) -> tuple[ForesightMemory, Ahead | None]:  # fmt: skip
    """One tick of it. A setpoint that the wall lowered is not overshot by more than half the deadband.

    ``refused``: a guard held mist off at the last step. ``wall``: the clock, where it is trusted.
    """
    choice = rules.demand.foresight
    if choice == "off":
        return memory, None
    doubtful = mist.verdict.no_mist or mist.learned.none > LEARNS_BELOW or tank.empty(water)
    left_h = None if water.level_l is None else water.level_l / tank.rate_l_per_h(water, rules.tank)
    cap_s = rules.runtime.cap_s
    scene = Scene(
        t, dt_s, on_s, rh_pct, temp_c, used, cap_s, water.fill_t, shortest_on_s, doubtful, left_h,
        None if wall is None else 3600.0 * wall.hour + 60.0 * wall.minute + wall.second,
    )  # fmt: skip
    memory = foresight.advance(memory, scene)
    seen = foresight.view(
        memory,
        scene,
        setpoint_rh_pct,
        rules.target.band_low_rh_pct,
        min(rules.target.band_high_rh_pct, rules.ceiling.release_rh_pct),
        0.5 * rules.demand.deadband_rh_pct if setpoint_rh_pct < wanted_rh_pct else 100.0,
        rules.ceiling.probe_accuracy_rh_pct,
        choice,
    )
    if seen is not None and seen.odd is not None and (mist.verdict.no_mist or mist.verdict.stray_mist):
        seen = seen._replace(odd=None)  # what is said of the mist is not said again as something else
    if rules.demand.method == "pid" and rules.demand.pid.tuning == "learned":
        held = seen is not None and not refused and not doubtful and not seen.paced
        off = rh_pct - setpoint_rh_pct
        memory = memory._replace(tuning=tuning.advance(memory.tuning, t, dt_s, off, held))
    return memory, seen


def need(
    state: State, rules: Rules, t: float, dt_s: float, rh_pct: float, setpoint_rh_pct: float,
    used: RuntimeMemory, on_s: float, seen: Ahead | None, memory: ForesightMemory,
) -> DemandMemory:  # fmt: skip
    """The demand, by what foresight sees where it sees anything."""
    deadband_rh_pct = None
    if seen is not None:
        rh_pct, setpoint_rh_pct, deadband_rh_pct = seen.rh_pct, seen.setpoint_rh_pct, 2.0 * seen.half_rh_pct
    recent_duty = 0.0
    if state.demand.method != rules.demand.method:
        recent_duty = runtime.on_s_since(used, t - DUTY_LOOK_BACK_S, t) / DUTY_LOOK_BACK_S
    return demand.advance(
        state.demand, rh_pct, setpoint_rh_pct, dt_s, on_s, state.refused, recent_duty, rules.demand,
        deadband_rh_pct, _gains(memory, rules, seen),
    )  # fmt: skip


def _gains(memory: ForesightMemory, rules: Rules, seen: Ahead | None) -> Gains | None:
    """The PID's, where they are to be learned and the room is known; None: the settings'."""
    pid = rules.demand.pid
    if seen is None or pid.tuning != "learned":
        return None
    return tuning.gains(memory.tuning, seen.room, seen.per_pct, pid.window_minutes * 60.0)


def setpoint(memory: ForesightMemory, rules: Rules, wall: datetime, raised_rh_pct: float) -> Target:
    """As it is by the clock; with foresight, as early as the room needs to follow it."""
    highest_rh_pct, limits = rules.ceiling.release_rh_pct, rules.target
    now = target.wanted(wall, raised_rh_pct, highest_rh_pct, limits)
    if rules.demand.foresight == "off":
        return now
    rise_s, fall_s = foresight.leads_s(memory, abs(limits.night_rh_pct - limits.day_rh_pct))
    try:
        for lead_s, sign in ((rise_s, 1.0), (fall_s, -1.0)):
            later = target.wanted(wall + timedelta(seconds=lead_s), raised_rh_pct, highest_rh_pct, limits)
            if (later.rh_pct - now.rh_pct) * sign > 0.0:
                return now._replace(rh_pct=later.rh_pct)
    except OverflowError:  # a wall clock at the end of the calendar
        return now
    return now


def knows(memory: ForesightMemory, rules: Rules) -> float | None:
    """How much of the mist that it takes was seen; None: foresight is off."""
    if rules.demand.foresight == "off":
        return None
    return 0.0 if memory.model is None else min(memory.model.blocks / LEARNING_BLOCKS, 1.0)
