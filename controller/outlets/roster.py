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

CLOCK_S = 60.0
"""Two boards' clocks may differ by this much before a retained message of the future is doubted."""
SILENT = "This room is not heard any more."


class HeardRoom(NamedTuple):
    """RH in %, °C; a figure is None where it is not known, or the room is not online. ``age_s`` is >= 0.

    ``sentence`` tells all in one; for who shows that apart: ``why`` it is not online ("" while it is),
    and the last ``word`` of its program. ``waiting``: alarms that nobody has acknowledged.
    """

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
    why: str = ""
    word: str = ""
    waiting: int = 0


class _Heard(NamedTuple):
    said: wire.Said
    age_s: float | None  # when it came
    came_s: float  # on the monotonic clock

    def age_at(self, mono_s: float) -> float | None:
        """None too for a date so far ahead that one of the two clocks must be wrong."""
        if self.age_s is None or self.age_s < -CLOCK_S:
            return None
        return max(0.0, self.age_s) + mono_s - self.came_s

    def good_at(self, mono_s: float) -> bool:
        age_s = self.age_at(mono_s)
        return age_s is not None and self.said.running and age_s <= self.said.good_for_s


class _Board(NamedTuple):
    online: bool = False
    rooms: tuple[str, ...] | None = None  # None: it has not said which it has


class Roster:
    def __init__(self, most_rooms: int = wire.MOST_ROOMS) -> None:
        self._most = most_rooms
        self._rooms: dict[wire.Topic, _Heard] = {}
        self._boards: dict[str, _Board] = {}
        self.ignored = 0
        """Messages that were not understood, or for which there was no room left."""

    def heard(self, topic: str, payload: bytes, retained: bool, mono_s: float, wall: datetime) -> bool:
        """Takes one message; True where it changed something. ``mono_s`` never goes back, ``wall`` may."""
        key = wire.read_topic(topic)
        if key is None:
            self.ignored += 1
            return False
        if not key.room:
            return self._board(key, payload)
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
        """Every room, by board and name; also one of which there is nothing but its board's word."""
        known = {(board, name) for board, one in self._boards.items() for name in one.rooms or ()}
        states = {(key.board, key.room): heard for key, heard in self._rooms.items() if self._is_listed(key)}
        found = sorted(known | states.keys())[: self._most]
        return tuple(self._room(wire.Topic(*key), states.get(key), mono_s) for key in found)

    def room(self, topic: str, mono_s: float) -> HeardRoom | None:
        key = wire.read_topic(topic)
        found = None if key is None else self._rooms.get(key)
        if key is None or found is None or not self._is_listed(key):
            return None
        return self._room(key, found, mono_s)

    def _is_listed(self, key: wire.Topic) -> bool:
        """What lies at the broker of a room that its board no longer has is not a room."""
        listed = self._boards.get(key.board, _Board()).rooms
        return listed is None or key.room in listed

    def _board(self, key: wire.Topic, payload: bytes) -> bool:
        board = key.board
        if board not in self._boards and len(self._boards) >= self._most:
            absent = self._boards.keys() - {key.board for key in self._rooms}
            if not absent:
                self.ignored += 1
                return False
            del self._boards[min(absent)]
        old = self._boards.get(board, _Board())
        if key.of_board == "rooms":
            new = old._replace(rooms=self._bounded(board, wire.read_rooms(payload)))
        else:
            new = old._replace(online=payload == wire.ONLINE.encode())
        self._boards[board] = new
        return new != old

    def _bounded(self, board: str, names: tuple[str, ...] | None) -> tuple[str, ...] | None:
        """All lists together are no longer than there may be rooms."""
        others = sum(len(one.rooms or ()) for name, one in self._boards.items() if name != board)
        if names is None or others + len(names) > self._most:
            self.ignored += 1
            return None
        return names

    def _place(self, key: wire.Topic, mono_s: float) -> bool:
        """Makes a place for a room; one that is not heard any more has to give up its own."""
        if key in self._rooms or len(self._rooms) < self._most:
            return True
        gone = [one for one, heard in self._rooms.items() if not heard.good_at(mono_s)]
        if not gone:
            return False
        del self._rooms[min(gone, key=lambda one: self._rooms[one].came_s)]
        return True

    def _room(self, key: wire.Topic, heard: _Heard | None, mono_s: float) -> HeardRoom:
        connected = self._boards.get(key.board, _Board()).online
        if heard is None:
            why = _why_not(connected, None, None)
            return HeardRoom(key.board, key.room, None, None, False, why, None, None, (), why=why)
        said, age_s, good = heard.said, heard.age_at(mono_s), heard.good_at(mono_s)
        online = connected and good
        sentence, why = said.sentence, "" if online else _why_not(connected, said, heard.age_s)
        if not online and said.running:
            ago = "" if age_s is None else f" {duration_words(age_s)} ago"
            sentence = f"{why} Its last word{ago}: {sentence}"
        return HeardRoom(
            key.board, key.room, said.at, age_s, online, sentence,
            said.rh_pct if online else None, said.target_rh_pct if online else None, said.alarms,
            said.temp_c if online else None, said.relay_on if online else None,
            why, said.sentence if said.running else "", said.waiting,
        )  # fmt: skip


def _why_not(connected: bool, said: wire.Said | None, came_age_s: float | None) -> str:
    """Why a room is not online."""
    if not connected:
        return "This board is not connected."
    if said is None:
        return "Nothing is heard of this room."
    if not said.running:
        return "The program of this room is not running."
    if came_age_s is not None and came_age_s < -CLOCK_S:
        return "What lies there of this room is dated ahead of the clock here: one of the two is wrong."
    return SILENT
