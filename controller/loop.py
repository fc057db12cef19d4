"""LOOP: wait, read, decide, switch, record. The one loop of the board and of the rehearsal.

In:    the ports (probe, relay, clock, keep, inbox, history) and whoever decides: a Controller.
Out:   a room held; every way out leaves the relay off and the state kept.
Never: decides, knows which kind of part it drives, or lets the record stop control.

Order inside a tick: the state is kept *before* the relay is switched on (a crash in between then
counts as on) and *after* it is switched off. The dead man's switch is armed after that keeping and before
the relay goes on, so that nothing that may hang lies between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import NamedTuple, Protocol

from controller.core.records import Decision, Inputs, Instant
from controller.core.restart import MARK_S
from controller.core.state import State
from controller.errors import KeptStateError
from controller.ports import Clock, History, Inbox, Keep, Probe, Relay
from controller.recorder import Recorder


class Decider(Protocol):
    """Whoever decides: ``core.controller.Controller``; in a comparison on the bench, a stand-in."""

    @property
    def state(self) -> State: ...

    def step(self, inputs: Inputs, now: Instant) -> Decision: ...

    def stop(self, now: Instant) -> State: ...


class Teller(Protocol):
    """Whoever hears what the loop does: a log, a status file, a rehearsal's summary."""

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        """Called after each tick; ``changed`` when it is worth telling a person."""
        ...


class Parts(NamedTuple):
    """Everything a loop is made of."""

    controller: Decider
    probes: Sequence[Probe]
    relay: Relay
    clock: Clock
    keep: Keep
    inbox: Inbox
    history: History
    tellers: Sequence[Teller]
    outdoor_c: Callable[[], float | None] = lambda: None
    surface_c: Callable[[], float | None] = lambda: None  # the coldest one, where a thermometer is on it
    troubles: tuple[tuple[str, str], ...] = ()  # known at the start, standing for as long as it runs
    hand: Callable[[], bool | None] = lambda: None  # the hand/off/auto switch is seen at hand
    arm: Callable[[Decision], None] = lambda decision: None  # a dead man's switch, told before mist
    more_troubles: Callable[[], tuple[tuple[str, str], ...]] = lambda: ()  # as they stand now


class Loop:
    """``run`` returns when the clock says so, and raises what broke it; the relay is off either way."""

    def __init__(self, parts: Parts, tick_s: float) -> None:
        self._parts = parts
        self._tick_s = tick_s
        self._recorder = Recorder(parts.history)
        self._kept_at_s = float("-inf")
        self._kept_on = False
        self._kept_used_s = 0.0
        self._alarm_codes: tuple[str, ...] = ()
        self._unkept = ""
        self._broken = False
        self._off_at_end = False
        self._troubles = parts.troubles

    def run(self) -> None:
        parts = self._parts
        try:
            parts.relay.switch(False)
            due_s = parts.clock.now().mono_s
            while True:
                now = parts.clock.now()
                self.tick(now)
                due_s += self._tick_s
                if due_s <= now.mono_s:  # a stall is not made up for by hurrying
                    due_s = now.mono_s + self._tick_s
                if not parts.clock.wait_until(due_s):
                    break
        except Exception as error:
            self._broke(error)
            raise
        finally:
            self._end()

    def _broke(self, error: Exception) -> None:
        """Off before anything else, then a line in the record."""
        self._broken = True
        try:
            self._parts.relay.switch(False)
        finally:
            words = f"{type(error).__name__}: {error}"
            self._parts.history.event(self._parts.clock.now(), "ended by an error", words)

    def tick(self, now: Instant) -> Decision:
        """One tick. Public, so that a test can drive it."""
        parts = self._parts
        inputs = Inputs(
            tuple([probe.read() for probe in parts.probes]),
            parts.relay.seen_on(),
            parts.surface_c(),
            parts.outdoor_c(),
            parts.inbox.poll(now.wall),
            self._troubles,
            parts.hand(),
        )
        decision = parts.controller.step(inputs, now)
        if decision.relay_on:
            self._keep(decision)
            parts.arm(decision)
            parts.relay.switch(True)
        else:
            parts.relay.switch(False)
            parts.arm(decision)
            self._keep(decision)
        changed = self._recorder.record(inputs, decision)
        if decision.answers:  # kept and recorded before anybody is told "done"
            parts.inbox.answer(decision.answers)
        self._note_troubles()
        for teller in parts.tellers:
            teller.ticked(inputs, decision, changed)
        return decision

    def _keep(self, decision: Decision) -> None:
        """Keeps the state at every change that protects, and each five minutes while on."""
        mono_s = decision.at.mono_s
        codes = tuple(alarm.code for alarm in decision.alarms) if decision.alarms else ()
        # By hand, or with a relay that is stuck, it runs although it is not asked to.
        used_unasked = decision.used_s > self._kept_used_s
        due = (
            decision.relay_on != self._kept_on
            or ((decision.relay_on or used_unasked) and mono_s - self._kept_at_s + self._tick_s > MARK_S)
            or bool(decision.answers)
            or decision.surface_hour is not None
            or codes != self._alarm_codes
            or self._unkept != ""
        )
        if not due:
            return
        try:
            self._parts.keep.save(self._parts.controller.state)
            self._unkept = ""
        except KeptStateError as error:
            self._unkept = str(error)
        self._kept_at_s, self._kept_on, self._alarm_codes = mono_s, decision.relay_on, codes
        self._kept_used_s = decision.used_s

    def _note_troubles(self) -> None:
        """What went wrong beside control becomes a fault alarm at the next tick."""
        record = self._parts.history.trouble()
        more = self._parts.more_troubles()
        if not record and not self._unkept and not more:
            self._troubles = self._parts.troubles
            return
        found = [*self._parts.troubles, *more]
        if self._unkept:
            found.append(("state_unkept", self._unkept))
        if record:
            found.append(("record_broken", record))
        self._troubles = tuple(found)

    def _end(self) -> None:
        """Off first; then whatever can still be kept, each whether or not the one before it failed."""
        parts = self._parts
        with ExitStack() as steps:  # run from the last to the first
            steps.callback(parts.history.close)
            steps.callback(self._keep_last)
            steps.callback(parts.relay.close)
            steps.callback(self._off)

    def _off(self) -> None:
        self._parts.relay.switch(False)
        self._off_at_end = True

    def _keep_last(self) -> None:
        """A relay that would not go off is kept as on: the next start then counts it as having run."""
        parts = self._parts
        now = parts.clock.now()
        was_on = parts.controller.state.relay.on
        state = parts.controller.stop(now) if self._off_at_end else parts.controller.state
        if was_on and self._off_at_end:
            parts.history.switched(now, False, "stop")
        if self._off_at_end and not self._broken:
            parts.history.event(now, "stop", "the loop has ended; the relay is off")
        if state.started:
            parts.keep.save(state)
