"""SENDER: one of the loop's tellers on one side, a thread that sends on the other.

In:    decisions; the settings of who is told.
Out:   letters, a sign of life, what is wrong with the sending.
Never: does more in the loop's thread than compare and put aside: no lock, no call of the system, no file.
       Nothing that fails or hangs here reaches the loop.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple, Self

from controller.core.records import Decision, Inputs, Message
from controller.core.units import UnitSystem
from controller.notifier import book, by_service, program
from controller.notifier.by_web import heartbeat
from controller.notifier.desk import FIRST, SECOND, Desk, Posted
from controller.notifier.heart import Heart
from controller.notifier.inbox import Inbox, Moment
from controller.notifier.lane import Lane
from controller.notifier.people import ways_to
from controller.notifier.settings import NotifySettings
from controller.notifier.ways import Patient, Waiter, Way

LOOK_S = 1.0
HUNG_S = 300.0
"""No single try takes so long; a thread that has not come round since then does not any more."""
END_WITHIN_S = 2.0


class _Cycle(NamedTuple):
    """The loop's last one."""

    at_s: float
    wall: datetime


class Notifier:
    """Implements ``loop.Teller``. ``start`` begins the thread, ``close`` ends it.

    ``say`` hears, in words without secrets, what went out and what did not. ``folder`` keeps what was
    told over a restart. ``now_s`` is monotonic.
    """

    def __init__(
        self,
        settings: NotifySettings,
        room: str,
        tick_s: float,
        folder: Path,
        say: Callable[[str], None],
        *,
        ways: Callable[[int], list[Way]] | None = None,
        beat: tuple[str, float, Callable[[], None]] | None = None,
        waiter: Callable[[str], Waiter] = Patient,
        now_s: Callable[[], float] = time.monotonic,
        units: UnitSystem = "si",
    ) -> None:
        self._now_s = now_s
        self._say = say
        self._desk = Desk(settings, room, units)
        self._book = folder / book.NAME
        self._missing = by_service.missing() if settings.first.services or settings.second.services else ""
        people = {FIRST: settings.first, SECOND: settings.second}
        found = ways or (lambda contact: ways_to(people[contact]))
        self._lanes = [
            Lane(contact, way, waiter(way.name), self._tell) for contact in people for way in found(contact)
        ]
        asks = beat or (heartbeat(settings.heartbeat) if settings.heartbeat else None)
        every_s = settings.heartbeat_minutes * 60.0
        self._heart = Heart(*asks, waiter(asks[0]), every_s, tick_s) if asks else None
        self._inbox = Inbox()
        self._number = 0
        self._alarms: tuple[Message, ...] | None = None
        self._notices: tuple[Message, ...] = ()
        self._cycle: _Cycle | None = None
        self._opened = False
        self._words = self._missing
        self._round_s: float | None = None
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    @classmethod
    def of(
        cls,
        settings: NotifySettings,
        room: str,
        tick_s: float,
        folder: Path,
        say: Callable[[str], None],
        units: UnitSystem = "si",
    ) -> Self | None:
        """None when nobody is to be told."""
        return cls(settings, room, tick_s, folder, say, units=units) if settings.in_use else None

    # Called by the loop's thread.

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        """Notes that a cycle is complete, and puts aside what stands where that has changed."""
        at_s = self._now_s()
        self._cycle = _Cycle(at_s, decision.at.wall)
        alarms, notices = decision.alarms, decision.notices
        if alarms == self._alarms and notices == self._notices:
            return
        notices_only = alarms == self._alarms
        self._alarms, self._notices = alarms, notices
        self._number += 1
        self._inbox.put(Moment(self._number, at_s, decision.at.wall, alarms, notices), notices_only)

    def trouble(self) -> str:
        """What is wrong with the sending, in words; "" when nothing is."""
        if self._round_s is not None and self._now_s() - self._round_s > HUNG_S:
            return "the part that sends does not come round any more; a restart helps"
        return self._words

    def troubles(self) -> tuple[tuple[str, str], ...]:
        """As the loop takes it: the alarm's code with its words, or nothing."""
        words = self.trouble()
        return (("notifier_failed", words),) if words else ()

    def start(self) -> None:
        self._round_s = self._now_s()
        self._thread = threading.Thread(target=self._run, name="notifier", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """May be called twice; a try that hangs is waited for no longer than ``END_WITHIN_S``."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(END_WITHIN_S)
        program.end_all()

    # Called by the sender's thread.

    def _run(self) -> None:
        while not self._ending.wait(LOOK_S):
            self.work()

    def work(self) -> None:
        """Once round: hear, decide, send. Never raises."""
        try:
            self._work()
        except Exception as error:  # a mistake of ours must be seen, and must not end the sending
            self._words = f"the part that sends met an error ({type(error).__name__})"

    def _work(self) -> None:
        self._round_s = now_s = self._now_s()
        cycle = self._cycle
        if cycle is None:
            return
        self._open(now_s, cycle.wall)
        told = self._told()
        for moment in self._inbox.take():
            self._desk.lost += self._inbox.left_out()
            self._put(self._desk.hear(moment.alarms, moment.notices, moment.at_s, moment.wall), now_s)
        wall = cycle.wall + timedelta(seconds=min(max(0.0, now_s - cycle.at_s), 86400.0))
        self._put(self._desk.look(now_s, wall), now_s)
        if self._send():
            for lane in self._lanes:
                lane.hurry(self._now_s())
        if self._told() != told:
            self._keep(wall)
        self._words = self._trouble_words(self._now_s())

    def _put(self, posted: Iterable[Posted], now_s: float) -> None:
        for contact, letter in posted:
            for lane in self._lanes:
                if lane.contact == contact:
                    lane.put(letter, now_s)

    def _send(self) -> bool:
        """Each way in turn, and between any two the sign of life; True when something got through."""
        sent = self._beat()
        for lane in self._lanes:
            if self._ending.is_set():
                break
            self._round_s = self._now_s()
            sent = lane.work(self._now_s) or sent
            sent = self._beat() or sent
        return sent

    def _beat(self) -> bool:
        cycle = self._cycle
        return self._heart is not None and cycle is not None and self._heart.work(self._now_s(), cycle.at_s)

    def _trouble_words(self, now_s: float) -> str:
        found = [self._missing, *(lane.trouble(now_s) for lane in self._lanes)]
        found += [self._heart.trouble(now_s)] if self._heart is not None else []
        return "; ".join(words for words in found if words)

    def _told(self) -> list[tuple[str, bool, frozenset[str]]]:
        """What people know: the book is written where this has changed."""
        return [
            (code, case.second, frozenset(lane.name for lane in self._lanes if code in lane.told))
            for code, case in sorted(self._desk.cases.items())
        ]

    def _open(self, now_s: float, wall: datetime) -> None:
        """Once, at the first cycle: the room's clock is known then."""
        if self._opened:
            return
        self._opened = True
        for case, ways in book.read(self._book, now_s, wall):
            self._desk.remember(case.message.code, case, now_s)
            for lane in self._lanes:
                if lane.name in ways:
                    lane.told.add(case.message.code)

    def _keep(self, wall: datetime) -> None:
        """What nobody was told is left out: it is news at the next start."""
        told = [
            book.Told(self._desk.cases[code], tuple(sorted(ways)))
            for code, _, ways in self._told()
            if ways or self._desk.cases[code].letters_s
        ]
        book.write(self._book, told, self._now_s(), wall)

    def _tell(self, words: str) -> None:
        with suppress(Exception):
            self._say(words)
