"""FACTS: what the guards look at, gathered from what the stages believe. Judges nothing."""

from __future__ import annotations

from controller.core import air, runtime, tank
from controller.core.ceiling import Surface
from controller.core.guards import Facts
from controller.core.rules import Rules
from controller.core.runtime import RuntimeMemory
from controller.core.state import RelayMemory
from controller.core.tank import TankMemory
from controller.core.trust import Belief


def gather(
    rules: Rules,
    t: float,
    clock_ok: bool,
    relay: RelayMemory,
    belief: Belief,
    held: bool,
    surface: Surface | None,
    wall_holds: bool,
    water: TankMemory,
    used: RuntimeMemory,
    pause_until_t: float,
    bypass: str,
    bypass_left_s: float | None,
) -> Facts:
    lasted_s = t - relay.since_t
    is_empty = water.level_l is not None and tank.empty(water)
    wall_c = dew_c = None
    if surface is not None and surface.measured and belief.temp_c is not None and belief.rh_pct is not None:
        wall_c, dew_c = surface.temp_c, air.dew_point_c(belief.temp_c, belief.rh_pct)
    return Facts(
        clock_ok,
        relay.on,
        lasted_s if relay.on else 0.0,
        0.0 if relay.on else lasted_s,
        relay.rest_until_t - t,
        relay.last_interval_s,
        pause_until_t - t,
        belief.trusted,
        belief.doubt,
        belief.detail,
        held,
        belief.rh_high_pct if belief.rh_high_pct is not None else 100.0,
        rules.ceiling.limit_rh_pct,
        rules.ceiling.release_rh_pct,
        belief.temp_c if belief.temp_c is not None else -60.0,
        wall_c,
        dew_c,
        rules.surface.dew_margin_c,
        wall_holds,
        None if surface is None else surface.rh_pct,
        rules.surface.warn_surface_rh_pct,
        is_empty,
        is_empty and tank.trial_allowed(water, t, rules.tank),
        tank.trial_in_s(water, t, rules.tank) if is_empty else None,
        used.capped_until_t is not None,
        runtime.used_s(used, t),
        rules.runtime.cap_s,
        used.capped_until_t - t if used.capped_until_t is not None else 0.0,
        t - relay.stuck_on_since_t if relay.stuck_on_since_t is not None else 0.0,
        bypass,
        bypass_left_s,
    )
