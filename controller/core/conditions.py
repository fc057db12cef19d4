"""CONDITIONS: everything worth an alarm or a notice that holds at this tick.

In:    what the stages found, as one Scene.
Out:   a list of conditions for ``alarms.py``, which says each once.
Never: refuses mist; that is for ``guards.py`` alone.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

from controller.core import calibration, mould, refill
from controller.core.alarms import Condition, Standing
from controller.core.calibration import CalibrationMemory
from controller.core.ceiling import Surface
from controller.core.effect import EffectMemory
from controller.core.guards import Facts
from controller.core.keeper import KeeperMemory
from controller.core.mould import MouldMemory
from controller.core.records import Odd, Reason, Water
from controller.core.rules import Rules
from controller.core.state import RESTORED, Outage, RelayMemory
from controller.core.trust import AWAY, RETURNING, Belief, ProbeMemory
from controller.core.unexpected import DRIER
from controller.core.wall import CLEAR_RH_PCT, WallMemory

RESTARTS, WITHIN_S = 5, 1800.0
"""So many starts in so long are a loop. Common practice, no source."""
RHYTHM = frozenset(("shortest_off", "longest_run"))
"""Pauses of a humidifier that otherwise runs all the time."""
INDEX_CLEARS = 0.1
"""A mould index must fall so far below what was said: it moves by the hour. Own choice."""
OPEN_LONG_S = 3600.0
"""A door or window is shut again before that. Own choice."""
DAY_S = 86400.0


class Scene(NamedTuple):
    """What is known at the end of a tick."""

    rules: Rules
    relay: RelayMemory
    t: float
    wall: datetime
    wall_trusted: bool
    belief: Belief
    ahead_rh_pct: float
    probes: tuple[ProbeMemory, ...]
    surface: Surface | None
    facts: Facts
    refused: tuple[Reason, ...]
    water: Water
    wishes: KeeperMemory
    mist: EffectMemory
    outage: Outage | None
    starts_t: tuple[float, ...]
    lost: str  # why kept state could not be used
    before: tuple[Standing, ...]  # what stood until now
    compared: CalibrationMemory
    coldest: WallMemory
    wanted_rh_pct: float  # before the wall had its say
    target_rh_pct: float
    odd: Odd | None = None


def gather(scene: Scene, troubles: tuple[tuple[str, str], ...]) -> list[Condition]:
    """``troubles``: what is wrong outside the core."""
    found = _of_probes(scene)
    facts, relay, rules = scene.facts, scene.relay, scene.rules
    if scene.lost:
        found.append(_of_the_kept_state(scene.lost))
    if relay.stuck_on_since_t is not None or relay.no_answer_since_t is not None:
        found += _of_relay(relay, scene.t)
    found += _of_mist(scene)
    if facts.trusted and facts.temp_c < rules.guards.lowest_temp_c:
        found.append(Condition("room_cold", facts.temp_c, rules.guards.lowest_temp_c))
    if not scene.wall_trusted:
        found.append(Condition("clock_doubted"))
    if len(scene.starts_t) >= RESTARTS and scene.t - scene.starts_t[-RESTARTS] <= WITHIN_S:
        found.append(Condition("restart_loop", float(RESTARTS), WITHIN_S / 60.0))
    found += _of_the_world(scene)
    if troubles:
        found += [Condition(code, detail=words) for code, words in troubles]
    return found


def _of_the_kept_state(lost: str) -> Condition:
    if lost.startswith(RESTORED):
        return Condition("state_restored", detail=lost.removeprefix(RESTORED))
    return Condition("state_lost", detail=lost)


def _of_one_away(scene: Scene) -> list[Condition]:
    compared = scene.compared
    away = calibration.away(compared, scene.t) if compared.away else 0
    if not away:
        return []
    if calibration.overdue(compared, scene.t):
        return [Condition("probe_not_back", detail=str(away))]
    if compared.back_t is not None:
        return [Condition("probe_returns", float(away), detail=_clock(scene, compared.back_t - scene.t))]
    return [Condition("calibrating", detail=str(away))]


def _of_probes(scene: Scene) -> list[Condition]:
    rules, belief = scene.rules, scene.belief
    found = _of_one_away(scene)
    if belief.doubt in (AWAY, RETURNING):
        pass  # nothing is wrong with it
    elif not belief.trusted:
        found.append(Condition("probe_lost", detail=belief.detail or belief.doubt))
    elif belief.doubt and len(rules.probe) > 1:
        found.append(Condition("one_probe_lost", detail=belief.detail or belief.doubt))
    elif belief.apart_rh_pct > rules.trust.disagree_rh_pct:
        found.append(Condition("probes_apart", belief.apart_rh_pct, rules.trust.disagree_rh_pct))
    elif abs(scene.ahead_rh_pct) > rules.trust.drifted_rh_pct:
        found.append(Condition("probes_drifted", abs(scene.ahead_rh_pct), rules.trust.drifted_rh_pct))
    for probe in scene.probes:
        if probe.doubted > rules.trust.unsteady_share and belief.trusted and not belief.doubt:
            found.append(Condition("probe_unsteady", 100.0 * probe.doubted))
            break
    return found


def _of_relay(relay: RelayMemory, t: float) -> list[Condition]:
    if relay.stuck_on_since_t is not None:
        return [Condition("relay_stuck_on", t - relay.stuck_on_since_t)]
    return [Condition("relay_no_answer", t - (relay.no_answer_since_t or 0.0))]


def _of_mist(scene: Scene) -> list[Condition]:
    """What the air says of the humidifier, which the relay's line cannot."""
    found, verdict, belief = [], scene.mist.verdict, scene.belief
    if verdict.no_mist:
        found.append(Condition("no_mist", verdict.rise_pct_per_h))
    elif verdict.stray_mist and not scene.facts.bypass:
        found.append(Condition("stray_mist", verdict.rise_pct_per_h))
    elif verdict.weak_share is not None:
        found.append(Condition("mist_weak", 100.0 * verdict.weak_share))
    low_rh_pct = scene.rules.target.band_low_rh_pct
    if belief.rh_pct is not None and belief.rh_pct < low_rh_pct and not verdict.no_mist:
        held_off = any(reason.code not in RHYTHM for reason in scene.refused)
        if not held_off and scene.target_rh_pct >= scene.wanted_rh_pct:
            code = "outrun" if verdict.known else "below_band"
            found.append(Condition(code, belief.rh_pct, low_rh_pct))
    return found


def _of_the_world(scene: Scene) -> list[Condition]:
    """Notices: nothing is wrong with the equipment."""
    rules, facts, surface, water = scene.rules, scene.facts, scene.surface, scene.water
    found = []
    if facts.cap_reached:
        clears = "" if _said("cap_reached", scene) else _clock(scene, facts.cap_free_in_s)
        found.append(Condition("cap_reached", facts.cap_used_s / 3600.0, facts.cap_s / 3600.0, clears))
    if water.level_l is not None:
        found += _of_tank(water, water.level_l, scene)
    found += _of_the_wall(scene, surface)
    odd = scene.odd
    if odd is not None and odd.kind == DRIER and odd.ended_s is None and odd.since_s > OPEN_LONG_S:
        since = "" if _said("stands_open", scene) else _time(scene, -odd.since_s)
        found.append(Condition("stands_open", detail=since))
    if facts.trusted and facts.rh_high_pct > rules.ceiling.highest_rh_pct and not facts.on:
        found.append(Condition("too_humid", facts.rh_high_pct, rules.ceiling.highest_rh_pct))
    if scene.outage is not None and scene.t < scene.outage.until_t:
        words = "" if _said("power_was_out", scene) else _out_words(scene.outage)
        found.append(Condition("power_was_out", detail=words))
    if facts.bypass:
        found.append(Condition("bypassed", facts.bypass_left_s, detail=facts.bypass))
    return found + _due(scene)


def _of_the_wall(scene: Scene, surface: Surface | None) -> list[Condition]:
    found = []
    if scene.target_rh_pct < scene.wanted_rh_pct:
        found.append(Condition("wall_holds", scene.target_rh_pct, detail=f"{scene.wanted_rh_pct:.0f}"))
    elif surface is not None:
        code = "wall_wet" if surface.measured else "wall_estimate"
        above_rh_pct = surface.rh_pct - scene.rules.surface.warn_surface_rh_pct
        if above_rh_pct > 0.0 or (above_rh_pct > -CLEAR_RH_PCT and _stands(code, scene)):
            wanted = f"{scene.wanted_rh_pct:.0f}"
            found.append(Condition(code, surface.rh_pct, surface.room_limit_rh_pct, wanted))
    kept = scene.coldest.mould
    if kept.grown > 0.0:
        found += _of_mould(kept, scene)
    if len(kept.days) >= mould.MONTH_DAYS and (month_rh_pct := mould.month_is_wet(kept)) is not None:
        found.append(Condition("wall_month", month_rh_pct, mould.MONTH_RH_PCT))
    return found


def _of_mould(kept: MouldMemory, scene: Scene) -> list[Condition]:
    if _grown("mould_visible", kept.grown - mould.SEEN_INDEX, scene):
        return [Condition("mould_visible", kept.grown)]
    if _grown("mould_begins", kept.grown - mould.BEGINS_INDEX, scene):
        return [Condition("mould_begins", kept.grown)]
    return []


def _grown(code: str, above: float, scene: Scene) -> bool:
    return above >= 0.0 or (above >= -INDEX_CLEARS and _stands(code, scene))


def _stands(code: str, scene: Scene) -> bool:
    """Whether it held at the last tick: what hovers at a limit is said once."""
    return any(standing.code == code for standing in scene.before)


def _said(code: str, scene: Scene) -> bool:
    """Whether it was said before: its figures stay as they were, so they need not be worded again."""
    return any(standing.code == code and standing.said for standing in scene.before)


def _out_words(outage: Outage) -> str:
    return f"{outage.since:%Y-%m-%d %H:%M} and {outage.until:%Y-%m-%d %H:%M}"


def _clock(scene: Scene, in_s: float) -> str:
    """The time of day then; "" where that cannot be told."""
    return _time(scene, in_s) if 0.0 <= in_s <= 2 * DAY_S else ""


def _time(scene: Scene, in_s: float) -> str:
    try:
        return f"{scene.wall + timedelta(seconds=in_s):%H:%M}"
    except OverflowError:  # a wall clock at the end of the calendar
        return ""


def _due(scene: Scene) -> list[Condition]:
    """What the keeper wanted to be reminded of."""
    limits, t = scene.rules.keeper, scene.t
    found = []
    if limits.cleaning_days > 0.0 and t - scene.wishes.cleaned_t > limits.cleaning_days * DAY_S:
        found.append(Condition("cleaning_due", (t - scene.wishes.cleaned_t) / DAY_S, limits.cleaning_days))
    if limits.calibration_days > 0.0:
        for index, correction in enumerate(scene.rules.probe):
            here = calibration.newest(scene.compared, index) if scene.compared.kept else None
            compared = calibration.compared_on(correction, here)
            days = t / DAY_S if compared is None else float((scene.wall.date() - compared).days)
            if days > limits.calibration_days:
                found.append(Condition("calibration_due", days, limits.calibration_days))
                break
    return found


def _of_tank(water: Water, level_l: float, scene: Scene) -> list[Condition]:
    if level_l <= 0.0:
        return [Condition("tank_dry", 0.0)]
    hours = scene.rules.tank.warn_hours_left
    if level_l > hours * water.rate_l_per_h:
        return []
    told = any(standing.code == "tank_low" for standing in scene.before)  # its figures stay as they were
    found, by = None if told else refill.outlook(water, scene.wall), ""
    if found is not None:  # a date, where it is another: the words are read later, too
        by = (
            f"{found.middle:%H:%M}"
            if found.middle.date() == scene.wall.date()
            else f"{found.middle:%Y-%m-%d %H:%M}"
        )
    return [Condition("tank_low", level_l, hours, by)]
