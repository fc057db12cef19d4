"""STEP: one tick of the whole core: the stages in order, their memories put back into one State.

In:    the State, this tick's Inputs, the rules, and now.
Out:   the new State and a Decision.
Never: raises on any reading, clock or state value; asks the time; touches the world. It answers.

Order: clock -> requests -> trust -> ceiling -> target -> demand -> guards -> command. What the
relay really did since the last step comes in with the next one.
"""

from __future__ import annotations

from datetime import UTC, datetime
from math import isfinite, nan

from controller.core import (
    ahead,
    alarms,
    books,
    calibration,
    ceiling,
    conditions,
    effect,
    foresight,
    guards,
    keeper,
    restart,
    runtime,
    tank,
    trust,
    wall,
)
from controller.core.books import LONGEST_INTERVAL_S, Tick
from controller.core.calibration import CalibrationMemory
from controller.core.facts import gather as gather_facts
from controller.core.guards import Facts
from controller.core.records import Action, Ahead, Decision, Inputs, Instant, Reading, Reason
from controller.core.rules import Rules
from controller.core.state import RelayMemory, State
from controller.core.target import Target
from controller.core.trust import Belief, ProbeMemory

LONGEST_VALID_S = LONGEST_INTERVAL_S + 30.0
"""A decision holds a little longer than the longest interval at which ``advance`` may be called."""
NO_READING = Reading(failure="no reading was given")


def advance(state: State, inputs: Inputs, rules: Rules, now: Instant) -> tuple[State, Decision]:
    """One step of control. See the module's head."""
    now = _sane(now, state)
    before = state
    if not state.started:
        state = restart.resume(state, now, rules)
    tick = _tick(state, now)
    if state.gap is not None and now.wall_trusted:
        state = restart.settle_gap(state, tick.t, tick.wall, rules)
    t = tick.t

    was_on, on_s, relay, used, water, wishes, standing, mist, answers, compared = books.book(
        state, inputs, rules, tick
    )
    probes = _watch(state.probes, inputs.readings, rules, compared, tick, on_s)
    belief = trust.believe(probes, rules.trust)
    ahead_rh_pct = state.ahead_rh_pct
    if belief.ahead_rh_pct is not None:
        ahead_rh_pct = trust.drift(ahead_rh_pct, belief.ahead_rh_pct, tick.dt_s)
    was_dry, mist = (
        mist.verdict.no_mist,
        effect.advance(mist, t, tick.dt_s, on_s, belief.rh_pct, belief.temp_c),
    )
    if mist.verdict.no_mist and not was_dry:
        water = tank.seen_dry(water, t, rules.tank)
    raised = keeper.raised(wishes, t)
    setpoint = ahead.setpoint(state.foresight, rules, tick.wall, 0.0 if raised is None else raised.rh_pct)
    wanted_rh_pct = setpoint.rh_pct
    setpoint = _lowered(setpoint, state, rules)
    held, surface, need, seen, view = state.ceiling_held, None, state.demand, state.foresight, None
    if belief.rh_pct is not None and belief.rh_high_pct is not None and belief.temp_c is not None:
        held = ceiling.holds(held, belief.rh_high_pct, rules.ceiling)
        surface = ceiling.coldest_surface(
            belief.temp_c,
            belief.rh_high_pct,
            wall.believed_c(state.coldest, inputs.surface_c, t),
            inputs.outdoor_c,
            rules.surface,
            tick.wall.month,
        )
        tried = tank.watch_trial(water, t, was_on, belief.temp_c, belief.rh_pct, rules.tank)
        if tried.level_l is None and water.level_l is not None:  # a trial has found water
            mist = effect.forgive(mist, keep_best=True)
        water = tried
        seen, view = ahead.look(
            seen, rules, t, tick.dt_s, on_s, belief.rh_pct, belief.temp_c, used, water, mist,
            max(rules.guards.shortest_on_s, relay.last_interval_s), setpoint.rh_pct, wanted_rh_pct,
            state.refused, tick.wall if now.wall_trusted else None,
        )  # fmt: skip
        need = ahead.need(state, rules, t, tick.dt_s, belief.rh_pct, setpoint.rh_pct, used, on_s, view, seen)
    else:
        seen = foresight.blind(seen)

    coldest, surface_hour = wall.advance(
        state.coldest, inputs.surface_c, surface, t, tick.dt_s, rules.surface
    )
    least_s = relay.last_interval_s
    if not relay.on and least_s < rules.guards.shortest_on_s:
        least_s = rules.guards.shortest_on_s
    used = runtime.judge_cap(used, t, least_s, rules.runtime)
    bypass, bypass_left_s = keeper.bypass(wishes, inputs.hand, t)
    facts = gather_facts(
        rules, t, tick.clock_ok, relay, belief, held, surface, coldest.held, water, used,
        wishes.pause_until_t, bypass, bypass_left_s,
    )  # fmt: skip
    refused = guards.refusals(facts, rules.guards)
    pacing = len(refused) == 1 and refused[0].code == "shortest_off"  # that is rhythm, no refusal
    asked = "demand" if need.wants else "humidify_now" if wishes.humidify_until_t > t else ""
    on, because, reasons = _command(refused, asked, facts, rules, belief, setpoint, view)
    if on != relay.on:
        relay = _switched(relay, on, t, refused, rules)

    told = tank.water(water, rules.tank, used.runs, used.open_t, t, state.whole_day(t))
    lost = state.lost if t < state.lost_until_t else ""
    found = conditions.gather(
        conditions.Scene(
            rules, relay, t, tick.wall, now.wall_trusted, belief, ahead_rh_pct, probes, surface, facts,
            refused, told, wishes, mist, state.outage, state.starts_t, lost, standing, compared,
            coldest, wanted_rh_pct, setpoint.rh_pct, None if view is None else view.odd,
        ),
        inputs.troubles,
    )  # fmt: skip
    standing = alarms.advance(standing, found, t, tick.wall) if found else alarms.NONE
    after = State(
        state.version, t, state.started, tick.mono_s, now.boot, tick.wall, now.wall_trusted, state.gap,
        probes, held, need, bool(refused) and not pacing, relay, used, water, wishes, standing,
        state.lost, state.lost_until_t, mist, ahead_rh_pct, state.outage, state.starts_t, compared,
        state.hand if inputs.hand is None else bool(inputs.hand),
        books.remember(state.handled, answers) if answers else state.handled,
        coldest, seen,
    )  # fmt: skip
    if not state.started:  # no clock yet to resume by: answered, but nothing is forgotten
        after = before
    deadband = rules.demand.method == "hysteresis"
    faults, notices = alarms.said(standing)
    return after, Decision(
        on,
        _valid_for_s(on, facts, rules),
        now,
        reasons,
        because,
        faults,
        notices,
        answers,
        belief.rh_pct,
        belief.rh_high_pct,
        belief.temp_c,
        setpoint.rh_pct,
        setpoint.is_day,
        rules.ceiling.limit_rh_pct,
        None if deadband else need.duty,
        water.level_l,
        facts.cap_used_s,
        _starts_below(setpoint, view, rules) if deadband else None,
        told,
        None if surface is None else surface.temp_c,
        None if surface is None else surface.rh_pct,
        surface is not None and surface.measured,
        coldest.mould.grown,
        surface_hour,
        view,
        ahead.knows(seen, rules),
        raised,
    )


def _sane(now: Instant, state: State) -> Instant:
    """A wall clock that is no time of day, or has no zone, is not to be trusted for anything but that."""
    wall = now.wall
    if not isinstance(wall, datetime):
        return Instant(nan, state.wall, False, now.boot)
    return now if wall.tzinfo is not None else now._replace(wall=wall.replace(tzinfo=UTC), wall_trusted=False)


def _tick(state: State, now: Instant) -> Tick:
    """Elapsed time since the last step; a clock that steps back, or gives no number, passes no time."""
    mono_s, wall = now.mono_s, now.wall
    try:
        ok = isfinite(mono_s) and state.started
    except TypeError:
        ok = False
    if not ok:
        return Tick(state.t, 0.0, state.mono_s, False, wall)
    dt_s = mono_s - state.mono_s
    if not dt_s > 0.0:
        dt_s = 0.0
    return Tick(state.t + dt_s, dt_s, mono_s, True, wall)


def _watch(
    memories: tuple[ProbeMemory, ...], readings: tuple[Reading, ...], rules: Rules,
    compared: CalibrationMemory, tick: Tick, on_s: float,
) -> tuple[ProbeMemory, ...]:  # fmt: skip
    t, dt_s = tick.t, tick.dt_s
    corrections = rules.probe
    if not compared.kept and not compared.away and len(corrections) == 1 and len(memories) == 1 and readings:
        return (trust.watch(memories[0], readings[0], corrections[0], rules.trust, t, dt_s, on_s),)
    away = calibration.away(compared, t)
    watched = []
    for index, settings in enumerate(corrections):
        memory = memories[index] if index < len(memories) else ProbeMemory()
        if away == index + 1:
            back = compared.back_t is not None
            watched.append(trust.put_away(memory, t, trust.RETURNING if back else trust.AWAY))
            continue
        reading = readings[index] if index < len(readings) else NO_READING
        correction = calibration.counts(settings, calibration.newest(compared, index)) or settings
        watched.append(trust.watch(memory, reading, correction, rules.trust, t, dt_s, on_s))
    return tuple(watched)


def _lowered(setpoint: Target, state: State, rules: Rules) -> Target:
    """What a measured wall allows of it."""
    if state.coldest.room_limit_rh_pct is None:
        return setpoint
    most_rh_pct = wall.lowered(setpoint.rh_pct, state.coldest, rules.demand.deadband_rh_pct)
    return Target(most_rh_pct, setpoint.is_day)


def _command(
    refused: tuple[Reason, ...], asked: str, facts: Facts, rules: Rules, belief: Belief, setpoint: Target,
    view: Ahead | None,
) -> tuple[bool, str, tuple[Reason, ...]]:  # fmt: skip
    """On or off, why on, why off. A run that no guard ends lasts at least its shortest on."""
    if not refused:
        if asked:
            if asked == "demand" and rules.demand.method == "pid":
                asked = "pulse"
            return True, "trial" if facts.tank_empty else asked, ()
        if facts.on and facts.on_for_s < rules.guards.shortest_on_s:
            return True, "shortest_on", ()
    if asked or belief.rh_pct is None:  # where nothing is known it is not known to be enough either
        return False, "", refused
    return False, "", (*refused, _content(rules, belief.rh_pct, setpoint, view))


def _content(rules: Rules, rh_pct: float, setpoint: Target, view: Ahead | None) -> Reason:
    """Why nothing is asked for."""
    wanted_rh_pct, seen_rh_pct = setpoint.rh_pct, rh_pct
    if view is not None:
        wanted_rh_pct, seen_rh_pct = view.setpoint_rh_pct, view.rh_pct
    starts_below = wanted_rh_pct
    if rules.demand.method == "hysteresis":
        starts_below = _starts_below(setpoint, view, rules)
    elif seen_rh_pct < wanted_rh_pct:
        return Reason("between_pulses", Action.CONTENT, rh_pct, wanted_rh_pct)
    if view is None:
        return Reason("enough", Action.CONTENT, rh_pct, starts_below, starts_below)
    if view.paced:
        return Reason("spares", Action.CONTENT, rh_pct, seen_rh_pct, starts_below)
    return Reason("enough_ahead", Action.CONTENT, rh_pct, seen_rh_pct, starts_below)


def _starts_below(setpoint: Target, view: Ahead | None, rules: Rules) -> float:
    if view is not None:
        return view.setpoint_rh_pct - view.half_rh_pct
    return setpoint.rh_pct - 0.5 * rules.demand.deadband_rh_pct


def _switched(
    relay: RelayMemory, on: bool, t: float, refused: tuple[Reason, ...], rules: Rules
) -> RelayMemory:
    rest_until_t = relay.rest_until_t
    if not on and any(reason.code == "longest_run" for reason in refused):
        rest_until_t = t + rules.guards.rest_s
    return relay._replace(on=on, since_t=t, rest_until_t=rest_until_t)


def _valid_for_s(on: bool, facts: Facts, rules: Rules) -> float:
    """How long the decision holds without another step; an embedder must be off by then."""
    if not on:
        return LONGEST_VALID_S
    valid_s = LONGEST_VALID_S
    cap_left_s = facts.cap_s - facts.cap_used_s
    run_left_s = rules.guards.longest_run_s - facts.on_for_s
    if rules.runtime.binds and cap_left_s < valid_s:
        valid_s = cap_left_s
    return run_left_s if run_left_s < valid_s else valid_s
