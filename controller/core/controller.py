"""The thin shell that an embedder holds: a State and the rules, stepped."""

from __future__ import annotations

from controller.core import restart
from controller.core.records import Decision, Inputs, Instant
from controller.core.rules import Rules
from controller.core.state import State
from controller.core.step import advance


class Controller:
    """Decides, one step at a time; see ``step`` for what a caller owes it.

    ``state`` is one frozen value: keep ``controller.state.to_plain()`` as JSON and come back with
    ``Controller(settings, state=State.from_plain(plain))``.
    """

    def __init__(self, settings: Rules, state: State | None = None) -> None:
        self.settings = settings
        self._state = State() if state is None else state._replace(started=False)

    @property
    def state(self) -> State:
        return self._state

    def step(self, inputs: Inputs, now: Instant) -> Decision:
        """One tick, at any interval from 1 s to 5 min, even or not. Never raises: it answers.

        The caller switches the relay as ``decision.relay_on`` says, and off by itself when its own
        loop stalls for longer than ``decision.valid_for_s``.
        """
        self._state, decision = advance(self._state, inputs, self.settings, now)
        return decision

    def stop(self, now: Instant) -> State:
        """A normal end: books the time since the last step; the state to keep, with the relay off."""
        if self._state.started:
            self._state, _ = advance(self._state, Inputs(), self.settings, now)
            self._state = restart.stop(self._state)
        return self._state
