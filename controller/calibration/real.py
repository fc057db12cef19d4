"""REAL: the probe itself, read beside the running program, and that program's spool.

In:    a probe that was made for reading, the room's spool folder.
Out:   a ``Site``.
Never: corrects what it reads; waits for an answer longer than a program that runs would need.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from time import monotonic, sleep

from controller.core.records import Reading, Request
from controller.errors import HygroholdError
from controller.ports import Probe
from controller.spool import Spool

LOOK_S = 0.2
LONGEST_S = 25.0


class RealSite:
    """Implements ``walk.Site``."""

    def __init__(self, probe: Probe, spool: Spool, now: Callable[[], datetime], tick_s: float) -> None:
        self._probe = probe
        self._spool = spool
        self._now = now
        self._wait_s = LONGEST_S + tick_s

    def now_s(self) -> float:
        return monotonic()

    def read(self) -> Reading:
        return self._probe.read()

    def ask(self, request: Request) -> tuple[bool, str]:
        now = self._now()
        identity = self._spool.leave(request._replace(expires=now + timedelta(minutes=5)), now)
        until_s = monotonic() + self._wait_s
        while monotonic() < until_s:
            answer = self._spool.answer_to(identity)
            if answer is not None:
                return answer
            sleep(LOOK_S)
        raise HygroholdError(
            "the program does not answer: it must run, since it keeps the correction and holds the "
            "humidifier off meanwhile. `hygrohold status` says whether it does"
        )
