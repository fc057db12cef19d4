"""HEARD: every room at a broker, for whoever shows them: a screen, a page.

In:    where the broker is.
Out:   ``rooms()``, at any time and from any thread.
Never: publishes anything, or asks a room for anything.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from time import monotonic

from controller.outlets.link import Broker, Link, nothing
from controller.outlets.roster import HeardRoom, Roster
from controller.outlets.wire import FILTERS, MOST_ROOMS

__all__ = ["Broker", "Heard", "HeardRoom"]


class Heard:
    """Listens between ``start`` and ``stop``.

    ``changed`` (the room; None: a board came or went) is called from the listening thread and must be quick.
    """

    def __init__(
        self, broker: Broker, most_rooms: int = MOST_ROOMS,
        changed: Callable[[HeardRoom | None], None] = nothing, say: Callable[[str], None] = nothing,
    ) -> None:  # fmt: skip
        """Raises SettingsError for a CA file that cannot be used."""
        self._roster = Roster(most_rooms)
        self._lock = threading.Lock()
        self._changed = changed
        self._link = Link(broker, "hygrohold-heard", filters=FILTERS, heard=self._take, say=say)

    def start(self) -> None:
        self._link.start()

    def stop(self) -> None:
        self._link.stop()

    def rooms(self) -> tuple[HeardRoom, ...]:
        """Every room heard, by board and name. Quick; raises nothing."""
        with self._lock:
            return self._roster.rooms(monotonic())

    @property
    def trouble(self) -> str:
        """Why the broker is not heard now, in words; "" while it is."""
        return self._link.trouble

    @property
    def ignored(self) -> int:
        """Messages that were not understood, or for whose room there was no place."""
        return self._roster.ignored

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        with self._lock:
            if not self._roster.heard(topic, payload, retained, monotonic(), datetime.now(UTC)):
                return
            room = self._roster.room(topic, monotonic())
        self._changed(room)
