"""RESTART: what a start makes of the state that was kept, and what time powered off may age.

In:    the kept State, and now.
Out:   a State whose clocks have begun anew, with the relay off.
Never: lets time of unknown length age the runtime ledger, or forgets a run that nobody saw end.
"""

from __future__ import annotations

from datetime import datetime
from math import isfinite

from controller.core import runtime, tank
from controller.core.records import Instant
from controller.core.rules import Rules
from controller.core.state import Gap, RelayMemory, State
from controller.core.trust import ProbeMemory

MARK_S = 300.0
"""While on, the state is kept at least this often; an unclean end counts as on for this long."""


def resume(state: State, now: Instant, rules: Rules) -> State:
    """Begins at ``now``. The relay counts as just switched off, the probes as not yet trusted."""
    try:
        if not isfinite(now.mono_s):
            return state
    except TypeError:
        return state
    gap_s = _known_gap_s(state, now)
    t, used, water = state.t, state.runtime, state.tank
    if state.relay.on or state.relay.unbooked:  # nobody saw that run end
        ran_s = MARK_S if gap_s is None else min(gap_s, MARK_S)
        t += ran_s
        used = runtime.advance(used, t, ran_s, True)
        water = tank.advance(water, t, ran_s, rules.tank)
        gap_s = None if gap_s is None else gap_s - ran_s
    used = runtime.advance(used, t, 0.0, False)
    unknown = gap_s is None and state.wall_trusted and state.t > 0.0
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
        gap=Gap(state.wall, state.t, t) if unknown else state.gap,
    )


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


def settle_gap(state: State, t: float, wall: datetime) -> State:
    """The clock has become trusted: runs from before the power cut age by what it now tells."""
    gap = state.gap
    if gap is None:
        return state
    off_s = (wall - gap.since_wall).total_seconds() - (t - gap.since_t)
    used = state.runtime
    if off_s > 0.0:
        used = runtime.age_finished(used, gap.resumed_t, off_s, t)
    return state._replace(gap=None, runtime=used)
