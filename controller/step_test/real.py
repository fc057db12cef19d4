"""REAL: the running program, by its spool, its status file and its record.

In:    the room's folders.
Out:   a ``Site``.
Never: touches probe or relay, or waits for an answer longer than a program that runs would need.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from time import monotonic, sleep

from controller.core import units
from controller.core.records import Request
from controller.core.units import UnitSystem
from controller.errors import HygroholdError
from controller.history.read import HistoryReader
from controller.ports import Sample
from controller.spool import Spool
from controller.status import read_status, runs
from controller.step_test.walk import Look
from controller.wiring import Places

LOOK_S = 0.2
LONGEST_S = 25.0
GOOD_FOR = timedelta(minutes=2)
"""Whoever is not answered by then is gone, and the mist is not wanted any more."""


class RealSite:
    """Implements ``walk.Site``."""

    def __init__(self, where: Places, zone: tzinfo, tick_s: float, shown: UnitSystem = "si") -> None:
        self._where = where
        self._zone = zone
        self._wait_s = LONGEST_S + tick_s
        self._shown = shown
        self._spool = Spool(where.spool)
        self._reader = HistoryReader(where.history)

    def now(self) -> datetime:
        return datetime.now(self._zone)

    def ask(self, request: Request) -> tuple[bool, str]:
        now = self.now()
        identity = self._spool.leave(request._replace(expires=now + GOOD_FOR), now)
        until_s = monotonic() + self._wait_s
        while monotonic() < until_s:
            answer = self._spool.answer_to(identity)
            if answer is not None:
                return answer[0], units.said(answer[1], self._shown)
            sleep(LOOK_S)
        raise HygroholdError("the program does not answer. `hygrohold status` says whether it runs")

    def look(self) -> Look:
        plain = read_status(self._where.status)
        if plain is None or not runs(plain, self.now(), self._where.state):
            raise HygroholdError(
                "the program is not running for this room: a step test asks it for mist. "
                "`hygrohold step-test --rehearse` shows one on a simulated room"
            )
        sentence = units.said(str(plain["sentence"]), self._shown)
        reasons = tuple(map(str, plain["reasons"]))
        return Look(plain["rh_pct"], plain["temp_c"], bool(plain["relay_on"]), sentence, reasons)

    def minutes(self, from_s: float, to_s: float) -> Sequence[Sample]:
        return list(self._reader.minutes(from_s, to_s))
