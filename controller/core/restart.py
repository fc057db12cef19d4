"""RESTART: what a start makes of the state that was kept, and what time powered off may age.

In:    the kept State, and now.
Out:   a State whose clocks have begun anew, with the relay off.
Never: lets time of unknown length age the runtime ledger, or forgets a run that nobody saw end.

By hand the humidifier runs on while the board is away. Such a gap counts as run: as long as it lasted, at
most to the end of the keeper's word, or 24 h where a contact says it, since no word ends that. Where no clock
tells how long the board was away, all of that counts as run at once (with what is in the ledger, never more
than 24 h), which may use up the daily cap; when the clock is trusted again, what really passed takes its
place. The tank, whose level is an estimate, is booked for it only then.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta
from math import isfinite

from controller.core import effect, foresight, runtime, tank
from controller.core.records import NEVER_T, Instant
from controller.core.rules import Rules
from controller.core.state import Gap, Outage, RelayMemory, State, after_loss
from controller.core.trust import ProbeMemory

MARK_S = 300.0
"""While on, the state is kept at least this often; an unclean end counts as on for this long."""
LATEST_T = 1e10
"""Three hundred years; the clock of a state from elsewhere may be so large that seconds vanish in it."""
OUTAGE_SAID_S = 86400.0
STARTS_REMEMBERED = 8


def resume(state: State, now: Instant, rules: Rules) -> State:
    """Begins at ``now``. The relay counts as just switched off, the probes as not yet trusted."""
    try:
        if not isfinite(now.mono_s):
            return state
    except TypeError:
        return state
    if not 0.0 <= state.t <= LATEST_T:
        state = after_loss("its clock stands at no time", rules.runtime.cap_s)
    gap_s = _known_gap_s(state, now)
    t, used, water = state.t, state.runtime, state.tank
    by_hand_s = _by_hand_s(state)
    if state.relay.on or state.relay.unbooked or by_hand_s > 0.0:  # nobody saw that run end
        ran_s = MARK_S if gap_s is None else min(gap_s, max(by_hand_s, MARK_S))
        t += ran_s
        used = runtime.advance(used, t, ran_s, True)
        water = tank.advance(water, t, ran_s, rules.tank)
        gap_s = None if gap_s is None else gap_s - ran_s
    used = runtime.advance(used, t, 0.0, False)
    unknown = gap_s is None and state.wall_trusted and state.t > 0.0
    gap = Gap(state.wall, state.t, t) if unknown else state.gap
    if gap_s is None and by_hand_s > MARK_S:
        more_s = min(by_hand_s - MARK_S, max(runtime.WINDOW_S - runtime.used_s(used, t), 0.0))
        used = runtime.assume_ran(used, t - more_s, t)
        if unknown:
            gap = Gap(state.wall, state.t, t, by_hand_s, (t - more_s, t) if more_s > 0.0 else None)
    mist = effect.recalled(state.effect)
    t += gap_s or 0.0
    return state._replace(
        t=t,
        started=True,
        mono_s=now.mono_s,
        boot=now.boot,
        wall=now.wall,
        runtime=runtime.advance(used, t, 0.0, False),
        tank=water,
        relay=RelayMemory(since_t=t, rest_until_t=state.relay.rest_until_t),
        probes=tuple(ProbeMemory() for _ in state.probes),
        refused=True,
        effect=mist._replace(began_t=NEVER_T) if gap_s is None else mist,
        foresight=foresight.recalled(state.foresight),
        gap=gap,
        outage=_outage(state, now, t),
        starts_t=(*state.starts_t, t)[-STARTS_REMEMBERED:],
    )


def _by_hand_s(state: State) -> float:
    """How long it may have run on by hand since the state was kept, seconds; 0 = it was not at hand."""
    if state.hand:
        return runtime.WINDOW_S
    left_s = state.keeper.bypass_until_t - state.t
    return left_s if state.keeper.bypass == "hand" and left_s > 0.0 else 0.0


def _outage(state: State, now: Instant, t: float) -> Outage | None:
    """Another boot than that of the kept state: the board was away, at some time since it was kept."""
    if not (state.boot and now.boot and state.boot != now.boot):
        return state.outage
    if not (state.wall_trusted and now.wall_trusted):
        return state.outage
    return Outage(state.wall, now.wall, t + OUTAGE_SAID_S)


def stop(state: State) -> State:
    """The state to keep at a normal end: the relay is off, and that run has ended."""
    return state._replace(
        relay=RelayMemory(since_t=state.t, rest_until_t=state.relay.rest_until_t),
        runtime=runtime.advance(state.runtime, state.t, 0.0, False),
    )


def _known_gap_s(state: State, now: Instant) -> float | None:
    """Seconds since the state was kept, if a clock that can be believed tells; else None."""
    if state.boot and state.boot == now.boot and now.mono_s >= state.mono_s:
        return now.mono_s - state.mono_s
    if state.wall_trusted and now.wall_trusted:
        return max(0.0, (now.wall - state.wall).total_seconds())
    return None


def settle_gap(state: State, t: float, wall: datetime, rules: Rules) -> State:
    """The clock has become trusted: runs from before the power cut age by what it now tells."""
    gap = state.gap
    if gap is None:
        return state
    off_s = (wall - gap.since_wall).total_seconds() - (t - gap.since_t)
    used, water = state.runtime, state.tank
    told = gap.assumed is None or (off_s > -2.0 * MARK_S and gap.assumed in used.runs)
    if gap.assumed is not None and told:  # what was assumed gives way to what is known
        used = runtime.forget_run(used, gap.assumed, t)
    if off_s > 0.0 and told:
        used = runtime.age_finished(used, gap.resumed_t, off_s, t)
    if off_s > 0.0 and told and gap.by_hand_s > MARK_S:
        began_t, more_s = gap.resumed_t - off_s, min(off_s, gap.by_hand_s - MARK_S)
        used = runtime.assume_ran(used, began_t, began_t + more_s)
        water = tank.advance(water, t, more_s, rules.tank)
    outage = state.outage
    if off_s > 0.0:
        with suppress(ArithmeticError, ValueError):  # figures from elsewhere, at the end of the calendar
            outage = Outage(gap.since_wall, wall - timedelta(seconds=t - gap.resumed_t), t + OUTAGE_SAID_S)
    return state._replace(gap=None, runtime=used, tank=water, outage=outage)
