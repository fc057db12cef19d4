"""CONDITIONS: everything worth an alarm or a notice that holds at this tick.

In:    what the stages found.
Out:   a list of conditions for ``alarms.py``, which says each once.
Never: refuses mist; that is for ``guards.py`` alone.
"""

from __future__ import annotations

from controller.core.alarms import Condition
from controller.core.ceiling import Surface
from controller.core.guards import Facts
from controller.core.rules import Rules
from controller.core.state import RelayMemory
from controller.core.tank import TankMemory
from controller.core.trust import Belief


def gather(
    rules: Rules,
    relay: RelayMemory,
    t: float,
    belief: Belief,
    surface: Surface | None,
    facts: Facts,
    water: TankMemory,
    lost: str,
    troubles: tuple[tuple[str, str], ...],
) -> list[Condition]:
    """``lost``: why kept state could not be used; ``troubles``: what is wrong outside the core."""
    found = []
    if not belief.trusted:
        found.append(Condition("probe_lost", detail=belief.detail or belief.doubt))
    elif belief.doubt and len(rules.probe) > 1:
        found.append(Condition("one_probe_lost", detail=belief.detail or belief.doubt))
    elif belief.apart_rh_pct > rules.trust.disagree_rh_pct:
        found.append(Condition("probes_apart", belief.apart_rh_pct, rules.trust.disagree_rh_pct))
    if lost:
        found.append(Condition("state_lost", detail=lost))
    if relay.stuck_on_since_t is not None or relay.no_answer_since_t is not None:
        found += _of_relay(relay, t)
    if facts.cap_reached:
        found.append(Condition("cap_reached", facts.cap_used_s / 3600.0, facts.cap_s / 3600.0))
    if water.level_l is not None:
        found += _of_tank(water.level_l, rules)
    if surface is not None and surface.rh_pct > rules.surface.warn_surface_rh_pct:
        code = "wall_wet" if surface.measured else "wall_estimate"
        found.append(Condition(code, surface.rh_pct, surface.room_limit_rh_pct))
    if troubles:
        found += [Condition(code, detail=words) for code, words in troubles]
    return found


def _of_relay(relay: RelayMemory, t: float) -> list[Condition]:
    if relay.stuck_on_since_t is not None:
        return [Condition("relay_stuck_on", t - relay.stuck_on_since_t)]
    return [Condition("relay_no_answer", t - (relay.no_answer_since_t or 0.0))]


def _of_tank(level_l: float, rules: Rules) -> list[Condition]:
    if level_l <= 0.0:
        return [Condition("tank_dry", 0.0)]
    if level_l <= rules.tank.warn_hours_left * rules.tank.rate_l_per_h:
        return [Condition("tank_low", level_l, rules.tank.warn_hours_left)]
    return []
