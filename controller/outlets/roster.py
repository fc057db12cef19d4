"""ROSTER: the rooms heard at a broker, as they stand. Time is an argument.

In:    messages that anybody may have written; the time.
Out:   each room with its age, whether it is online, one sentence, its figures and alarms.
Never: holds more rooms than it was told, shows the figures of a room that is not heard any more as those of
       now, or raises on a message.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from controller.core.keeper import duration_words
from controller.outlets import wire

MOST_ROOMS = 256
CLOCK_S = 60.0
"""Two boards' clocks may differ by this much before a retained message of the future is doubted."""


class HeardRoom(NamedTuple):
    """RH in %, °C; a figure is None where it is not known, or the room is not online. ``age_s`` is >= 0."""

    board: str
    room: str
    at: datetime | None
    age_s: float | None
    online: bool
    sentence: str
    rh_pct: float | None
    target_rh_pct: float | None
    alarms: tuple[str, ...]
    temp_c: float | None = None
    relay_on: bool | None = None


class _Heard(NamedTuple):
    said: wire.Said
    age_s: float | None  # when it came
    came_s: float  # on the monotonic clock

    def age_at(self, mono_s: float) -> float | None:
        return None if self.age_s is None else max(0.0, self.age_s) + mono_s - self.came_s

    def good_at(self, mono_s: float) -> bool:
        age_s = self.age_at(mono_s)
        if age_s is None or self.age_s is None or self.age_s < -CLOCK_S:
            return False
        return self.said.running and age_s <= self.said.good_for_s


class Roster:
    def __init__(self, most_rooms: int = MOST_ROOMS) -> None:
        self._most = most_rooms
        self._rooms: dict[wire.Topic, _Heard] = {}
        self._boards: dict[str, bool] = {}
        self.ignored = 0
        """Messages that were not understood, or for which there was no room left."""

    def heard(self, topic: str, payload: bytes, retained: bool, mono_s: float, wall: datetime) -> bool:
        """Takes one message; True where it changed something. ``mono_s`` never goes back, ``wall`` may."""
        key = wire.read_topic(topic)
        if key is None:
            self.ignored += 1
            return False
        if not key.room:
            return self._board(key.board, payload)
        if not payload:
            return self._rooms.pop(key, None) is not None
        said = wire.read_state(payload)
        if said is None or not self._place(key, mono_s):
            self.ignored += 1
            return False
        # A message that comes as it is written brings its age; one that lay at the broker has only its date.
        age_s = said.age_s
        if retained:
            age_s = None if said.at is None else (wall - said.at).total_seconds()
        self._rooms[key] = _Heard(said, age_s, mono_s)
        return True

    def rooms(self, mono_s: float) -> tuple[HeardRoom, ...]:
        """Every room, by board and name."""
        return tuple(self._room(key, heard, mono_s) for key, heard in sorted(self._rooms.items()))

    def room(self, topic: str, mono_s: float) -> HeardRoom | None:
        key = wire.read_topic(topic)
        found = None if key is None else self._rooms.get(key)
        return None if key is None or found is None else self._room(key, found, mono_s)

    def _board(self, board: str, payload: bytes) -> bool:
        if board not in self._boards and len(self._boards) >= self._most:
            absent = self._boards.keys() - {key.board for key in self._rooms}
            if not absent:
                self.ignored += 1
                return False
            del self._boards[min(absent)]
        online = payload == wire.ONLINE.encode()
        changed = self._boards.get(board) != online
        self._boards[board] = online
        return changed

    def _place(self, key: wire.Topic, mono_s: float) -> bool:
        """Makes a place for a room; one that is not heard any more has to give up its own."""
        if key in self._rooms or len(self._rooms) < self._most:
            return True
        gone = [one for one, heard in self._rooms.items() if not heard.good_at(mono_s)]
        if not gone:
            return False
        del self._rooms[min(gone, key=lambda one: self._rooms[one].came_s)]
        return True

    def _room(self, key: wire.Topic, heard: _Heard, mono_s: float) -> HeardRoom:
        said, age_s = heard.said, heard.age_at(mono_s)
        connected, good = self._boards.get(key.board, False), heard.good_at(mono_s)
        online = connected and good
        sentence = said.sentence
        if not online:
            ago = "" if age_s is None else f" {duration_words(age_s)} ago"
            if said.running:
                why = "This room is not heard any more" if connected else "This board is not connected"
                sentence = f"{why}. Its last word{ago}: {sentence}"
        return HeardRoom(
            key.board, key.room, said.at, age_s, online, sentence,
            said.rh_pct if online else None, said.target_rh_pct if online else None, said.alarms,
            said.temp_c if online else None, said.relay_on if online else None,
        )  # fmt: skip
