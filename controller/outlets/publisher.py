"""PUBLISHER: several rooms of one board at a broker. Says what has changed, and all of it after each break.

In:    looks at the rooms' status files.
Out:   retained messages: the board's rooms, and online or offline; each room's state and SenML.
Never: keeps a backlog. What was not said while the broker was away is in the board's own record, not here.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from controller.outlets import senml, wire
from controller.outlets.seen import RoomSeen


class Letter(NamedTuple):
    """``sameness``: as long as it stays the same, there is no news."""

    topic: str
    payload: str
    expires_s: float | None
    sameness: str


def letters(board: str, seen: RoomSeen, with_senml: bool = True) -> list[Letter]:
    """What is to stand at the broker for one room. Empty text takes the figures away (MQTT 5.0, 3.3.1.3)."""
    said = wire.state(board, seen)
    good_s = None
    if seen.fresh and seen.plain is not None and seen.age_s is not None:
        good_s = float(seen.plain["good_for_s"]) - max(seen.age_s, 0.0)
    found = [
        Letter(wire.state_topic(board, seen.room), wire.state_payload(said, seen.age_s), good_s, repr(said))
    ]
    if with_senml:
        pack = senml.payload(board, seen.room, seen.plain) if seen.fresh and seen.plain is not None else ""
        found.append(Letter(wire.senml_topic(board, seen.room), pack, good_s, pack))
    return found


class Post(Protocol):
    """What is needed of a link."""

    def publish(self, topic: str, payload: str, expires_s: float | None = None) -> bool: ...


class Publisher:
    """``look``: the rooms as they are seen now. ``up`` is to be called at each new connection."""

    def __init__(self, board: str, look: Callable[[], Sequence[RoomSeen]], with_senml: bool = True) -> None:
        self._board, self._look, self._with_senml = board, look, with_senml
        self._stands: dict[str, str] = {}
        self._anew = threading.Event()

    def up(self) -> None:
        """A broker may have lost everything meanwhile: all is said anew. May be called from any thread."""
        self._anew.set()

    def work(self, post: Post) -> int:
        """One look; what has changed goes out. How many messages were handed over."""
        if self._anew.is_set():
            self._anew.clear()
            self._stands = {}
        rooms = self._look()
        names = wire.rooms_payload([seen.room for seen in rooms])
        count = self._hand(post, Letter(wire.rooms_topic(self._board), names, None, names))
        for seen in rooms:
            for letter in letters(self._board, seen, self._with_senml):
                count += self._hand(post, letter)
        # last, so that nobody takes what stood there before a break for news
        return count + self._hand(
            post, Letter(wire.online_topic(self._board), wire.ONLINE, None, wire.ONLINE)
        )

    def _hand(self, post: Post, letter: Letter) -> int:
        if self._stands.get(letter.topic) == letter.sameness:
            return 0
        if not post.publish(letter.topic, letter.payload, letter.expires_s):
            return 0  # no connection, or a broker that takes nothing: the newest goes out once it does
        self._stands[letter.topic] = letter.sameness
        return 1
