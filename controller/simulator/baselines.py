"""BASELINES: running a humidifier without control, so that control has something to be compared with.

In:    a rule that knows the local time and nothing else; the probe's readings, to be noted.
Out:   a stand-in for the Controller: the same books, belief and targets, commands by the rule alone.
Never: guards anything: no ceiling, cap, tank or doubt holds it off. So it is for rehearsals only;
       nothing that drives a real outlet may build it.
"""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from controller.core import restart
from controller.core.records import Action, Answer, Decision, Inputs, Instant, Reason
from controller.core.rules import Rules
from controller.core.state import State
from controller.core.step import LONGEST_VALID_S, advance

DEAF = "it runs by a rule alone and hears no wishes"


class Rule(Protocol):
    """When the outlet is on. ``code`` names the rule in the record."""

    code: str

    def on_at(self, wall: datetime) -> bool: ...


class NeverOn:
    """No control: the humidifier stays in its box."""

    code = "no_control"

    def on_at(self, wall: datetime) -> bool:
        return False


class EveryOtherHour:
    """A plug-in timer, 12 h a day: on from 1 to 2, from 3 to 4 and so on, by the clock on the wall.

    Common practice, no source. One block of 12 h would be easier to beat: spread over the day it is
    the better timer, and so the fairer comparison.
    """

    code = "timer"

    def on_at(self, wall: datetime) -> bool:
        return wall.hour % 2 == 1


class ByRule:
    """Implements ``loop.Decider``. The core watches and keeps the books; what it would do is dropped."""

    def __init__(self, settings: Rules, rule: Rule, state: State | None = None) -> None:
        self._rules = settings
        self._rule = rule
        self._state = State() if state is None else state._replace(started=False)

    @property
    def state(self) -> State:
        return self._state

    def step(self, inputs: Inputs, now: Instant) -> Decision:
        """The state carries the rule's own relay, so runtime and tank are booked by what the rule did."""
        heard = tuple(request for request in inputs.requests if request.kind == "refilled")
        unheard = (request for request in inputs.requests if request.kind != "refilled")
        before = self._state.relay
        after, watched = advance(self._state, inputs._replace(requests=heard), self._rules, now)
        on = self._rule.on_at(now.wall)
        since_t = before.since_t if on == before.on else after.t
        self._state = after._replace(relay=after.relay._replace(on=on, since_t=since_t, rest_until_t=0.0))
        return watched._replace(
            relay_on=on,
            valid_for_s=LONGEST_VALID_S,
            reasons=() if on else (Reason(self._rule.code, Action.CONTENT),),
            on_because=self._rule.code if on else "",
            alarms=(),  # a timer raises none
            notices=(),
            answers=(*watched.answers, *(Answer(request, False, DEAF) for request in unheard)),
            duty=None,
            starts_below_rh_pct=None,
        )

    def stop(self, now: Instant) -> State:
        if self._state.started:
            self._state, _ = advance(self._state, Inputs(), self._rules, now)
            self._state = restart.stop(self._state)
        return self._state
