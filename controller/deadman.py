"""DEADMAN: switches the relay off when the loop has stopped looking.

In:    each decision, with how long it is good for.
Out:   an off, driven from a thread of its own, if no newer decision comes in time.
Never: switches on.

A reading that hangs, or a disk that does not answer, would otherwise leave the mist on past the
ceiling and the cap for as long as it lasts.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from controller.core.records import Decision
from controller.errors import HygroholdError
from controller.ports import Relay

SHORTEST_S = 60.0
TICKS = 3


class Deadman:
    """``arm`` is called with each decision, before the relay goes on. ``say`` hears when it had to act."""

    def __init__(self, relay: Relay, tick_s: float, say: Callable[[str], None]) -> None:
        self._relay = relay
        self._patience_s = max(SHORTEST_S, TICKS * tick_s)
        self._say = say
        self._timer: threading.Timer | None = None

    def arm(self, decision: Decision) -> None:
        self.close()
        if decision.relay_on:
            self._timer = threading.Timer(min(decision.valid_for_s, self._patience_s), self._act)
            self._timer.daemon = True
            self._timer.start()

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _act(self) -> None:
        try:
            self._relay.switch(False)
        except HygroholdError as error:
            self._say(f"the loop has stopped looking, and the relay could not be switched off: {error}")
        else:
            self._say("the loop has stopped looking: the relay was switched off")
