"""INBOX: between the loop's thread and the sender's, bounded, and without a lock.

In:    what stands at each moment at which that changed.
Out:   the same in order; too many at once, and older ones are left out, notices first.
Never: makes the loop wait; loses the newest: what stands in the end is always heard.
"""

from __future__ import annotations

from collections import deque
from datetime import datetime
from typing import NamedTuple

from controller.core.records import Message

MOST = 64


class Moment(NamedTuple):
    """All that stands. ``number`` orders them."""

    number: int
    at_s: float
    wall: datetime
    alarms: tuple[Message, ...]
    notices: tuple[Message, ...]


class Inbox:
    """One thread puts, one takes: appending to and popping from a deque are atomic (its documentation)."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._alarms: deque[Moment] = deque()
        self._notices: deque[Moment] = deque()
        self._newest: Moment | None = None
        self._heard = -1
        self._left_out = 0
        self._told_left_out = 0

    def put(self, moment: Moment, notices_only: bool) -> None:
        """By the loop's thread. ``notices_only``: the alarms are what they were."""
        (self._notices if notices_only else self._alarms).append(moment)
        self._newest = moment
        if len(self._alarms) + len(self._notices) <= self._most:
            return
        for queue in (self._notices, self._alarms):
            try:
                queue.popleft()
            except IndexError:  # none, or the other thread has just taken them all
                continue
            self._left_out += 1
            return

    def take(self) -> list[Moment]:
        """By the sender's thread: all there are, and at last the newest, each once."""
        newest = self._newest
        found = [*_emptied(self._alarms), *_emptied(self._notices), *([] if newest is None else [newest])]
        fresh = {moment.number: moment for moment in found if moment.number > self._heard}
        if fresh:
            self._heard = max(fresh)
        return [fresh[number] for number in sorted(fresh)]

    def left_out(self) -> int:
        """How many since this was asked last."""
        before, self._told_left_out = self._told_left_out, self._left_out
        return self._told_left_out - before


def _emptied(queue: deque[Moment]) -> list[Moment]:
    found = []
    while True:
        try:
            found.append(queue.popleft())
        except IndexError:
            return found
