"""BOOKS: the accounts at a tick's beginning: what the last one used, and what people said since.

In:    the State, this tick's Inputs, the time that passed.
Out:   run time, water, the relay as it was seen, the keeper's wishes, the answers to them.
Never: decides; an account that is not certain is booked as used.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from controller.core import keeper, runtime, tank
from controller.core.alarms import Standing
from controller.core.calibration import CalibrationMemory
from controller.core.effect import EffectMemory
from controller.core.keeper import KeeperMemory
from controller.core.records import Answer, Inputs, Request
from controller.core.rules import Rules
from controller.core.runtime import RuntimeMemory
from controller.core.state import RelayMemory, State
from controller.core.tank import TankMemory

SHORTEST_INTERVAL_S = 1.0
LONGEST_INTERVAL_S = 300.0
MOST_HANDLED = 32
"""Twice as many as are taken in one tick: those of a tick that was cut off are surely among them."""


class Tick(NamedTuple):
    """The time of one tick, as the core sees it."""

    t: float
    dt_s: float
    mono_s: float
    clock_ok: bool
    wall: datetime


class Books(NamedTuple):
    """The accounts after the last tick."""

    was_on: bool
    on_s: float
    relay: RelayMemory
    used: RuntimeMemory
    water: TankMemory
    wishes: KeeperMemory
    standing: tuple[Standing, ...]
    effect: EffectMemory
    answers: tuple[Answer, ...]
    calibration: CalibrationMemory


def book(state: State, inputs: Inputs, rules: Rules, tick: Tick) -> Books:
    """What the last tick used, and what people said since."""
    was_on = state.relay.on if inputs.relay_on is None else inputs.relay_on
    bypass, _ = keeper.bypass(state.keeper, inputs.hand, state.t)
    if bypass:  # whatever is seen then is no sign of the relay; by hand the mist runs
        was_on = bypass == "hand" or was_on
        relay = _seen(state.relay, state.relay.on if tick.clock_ok else was_on, tick)
    if state.relay.unbooked and tick.dt_s > 0.0:
        was_on = True
    on_s = tick.dt_s if was_on else 0.0
    if not bypass:
        relay = _seen(state.relay, was_on, tick)
    used = runtime.advance(state.runtime, tick.t, tick.dt_s, was_on)
    water = tank.advance(state.tank, tick.t, on_s, rules.tank)
    if not inputs.requests:
        return Books(
            was_on, on_s, relay, used, water, state.keeper, state.standing, state.effect, (),
            state.calibration,
        )  # fmt: skip
    if not state.started:
        words = "the clock gives no usable time yet; ask again"
        refused = tuple(Answer(request, False, words) for request in inputs.requests)
        return Books(
            was_on, on_s, relay, used, water, state.keeper, state.standing, state.effect, refused,
            state.calibration,
        )  # fmt: skip
    known = dict(state.handled)
    desk, answers = keeper.handle(
        keeper.Desk(
            state.keeper, water, used, state.standing, state.effect, state.whole_day(tick.t),
            state.calibration, rules.probe,
        ),
        tuple([request for request in inputs.requests if _number(request) not in known]),
        tick.t, tick.wall, rules.keeper, rules.tank,
    )  # fmt: skip
    answers += tuple([_told_again(asked, known) for asked in inputs.requests if _number(asked) in known])
    return Books(
        was_on,
        on_s,
        relay,
        desk.runtime,
        desk.tank,
        desk.keeper,
        desk.standing,
        desk.effect,
        answers,
        desk.calibration,
    )


def _number(request: Request) -> str:
    """As it can be kept, whatever an embedder or a file's name gives; "" where there is none."""
    return request.id.encode("ascii", "backslashreplace").decode() if isinstance(request.id, str) else ""


def _told_again(request: Request, known: dict[str, bool]) -> Answer:
    """It was obeyed and kept, or refused, and then the program ended before anybody was told."""
    if known[_number(request)]:
        return Answer(request, True, "done already, just before the program was started again")
    return Answer(request, False, "was refused, just before the program was started again; ask again")


Handled = tuple[tuple[str, bool], ...]


def remember(handled: Handled, answers: tuple[Answer, ...]) -> Handled:
    """The last requests that were answered, the newest last: none is obeyed a second time."""
    known = dict(handled)
    new = [(number, answer.done) for answer in answers if (number := _number(answer.request))]
    return (*handled, *[item for item in new if item[0] not in known])[-MOST_HANDLED:]


def _seen(relay: RelayMemory, was_on: bool, tick: Tick) -> RelayMemory:
    """Remembers how far apart the looks are, and since when the relay does not obey."""
    if not tick.clock_ok:
        return relay._replace(unbooked=True) if was_on else relay
    interval_s = tick.dt_s
    if not SHORTEST_INTERVAL_S <= interval_s <= LONGEST_INTERVAL_S:
        if interval_s <= 0.0:
            interval_s = relay.last_interval_s
        interval_s = min(max(interval_s, SHORTEST_INTERVAL_S), LONGEST_INTERVAL_S)
    stuck = no_answer = None
    if was_on != relay.on:
        began_t = tick.t - tick.dt_s
        if was_on:
            stuck = began_t if relay.stuck_on_since_t is None else relay.stuck_on_since_t
        else:
            no_answer = began_t if relay.no_answer_since_t is None else relay.no_answer_since_t
    if relay.unbooked and tick.dt_s > 0.0:  # booked now; the pause after it begins now
        return RelayMemory(relay.on, tick.t, relay.rest_until_t, None, None, interval_s)
    if (
        interval_s == relay.last_interval_s
        and stuck == relay.stuck_on_since_t
        and no_answer == relay.no_answer_since_t
    ):
        return relay
    return RelayMemory(
        relay.on, relay.since_t, relay.rest_until_t, stuck, no_answer, interval_s, relay.unbooked
    )
