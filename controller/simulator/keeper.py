"""The simulated keeper: looks in at set times, fills the tank, tells the controller (or does not).

In:    the room's true tank, local time.
Out:   requests, as a person would leave them; an inbox like the real one.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from controller.core.records import Answer, Request
from controller.simulator.room import Room
from controller.simulator.settings import BenchKeeper

NAME = "the bench's keeper"


class SimulatedKeeper:
    """Implements ``ports.Inbox``. Begins with a full tank, and says so."""

    def __init__(self, settings: BenchKeeper, tank_l: float, start: datetime) -> None:
        self.fillings = 0
        self._settings = settings
        self._tank_l = tank_l
        self._asked: list[Request] = []
        self.next_look = self._look_after(start)
        self._tell()

    def look_in(self, room: Room, now: datetime) -> None:
        """Called when ``next_look`` has come."""
        if room.tank_l < self._settings.fills_below_l:
            room.fill(self._tank_l)
            self.fillings += 1
            self._tell()
        room.humidifier.press()  # one that does not resume has gone off since he was here
        self.next_look = self._look_after(now)

    def poll(self, now: datetime) -> tuple[Request, ...]:
        if not self._asked:
            return ()
        asked, self._asked = tuple(self._asked), []
        return asked

    def answer(self, answers: Sequence[Answer]) -> None:
        """He fills tanks and reads no replies."""

    def ask(self, request: Request) -> None:
        """Leaves a request, as a command or a button would."""
        self._asked.append(request)

    def _tell(self) -> None:
        if self._settings.tells:
            self._asked.append(Request("refilled", by=NAME))

    def _look_after(self, now: datetime) -> datetime:
        looks = self._settings.looks_in
        if not looks:
            return datetime.max.replace(tzinfo=now.tzinfo)
        for day in (0, 1, 2):
            date = now.date() + timedelta(days=day)
            times = (datetime.combine(date, at, now.tzinfo) for at in sorted(looks))
            for at in times:
                if at.timestamp() > now.timestamp():
                    return at
        raise AssertionError("two days hold every time of day")
