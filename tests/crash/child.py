"""One life of the real loop on real files, in a process of its own that a test may kill at any moment.

    python tests/crash/child.py '{"folder": ..., "log": ..., "at_s": 0.0, ...}'   (see ``Life``)

Loop, core, kept state, record and spool are the program's own. Clock, probe and relay are the world's: time
passes as fast as the loop looks, and the relay writes its level into the log. That log is the truth a test
compares with: it is written line by line straight into the kernel (``writev``, so that faults injected into
the program's own ``write`` do not meet it), and never read here.
"""

from __future__ import annotations

import json
import math
import os
import random
import signal
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from controller.core.controller import Controller
from controller.core.records import Answer, Decision, Inputs, Instant, Reading, Request
from controller.core.state import State
from controller.history.store import SqliteHistory
from controller.keep import FileKeep
from controller.loop import Loop, Parts
from controller.ports import Sample
from controller.settings import Settings
from controller.spool import Spool
from controller.status import StatusFile

BEGAN = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
TICK_S = 30.0
CAP_H, LONGEST_RUN_S, REST_S = 4.0, 3600.0, 1200.0
TANK_L, RATE_L_PER_H = 4.0, 0.3


class Life(NamedTuple):
    """One process. ``at_s``: seconds since the world began; ``mono_base_s`` makes the boot's clock of it."""

    folder: str
    log: str
    at_s: float
    mono_base_s: float = 1000.0
    boot: str = "boot-0"
    trusted: bool = True
    pace_s: float = 0.0  # real seconds between two looks
    ticks: int = 10**9
    seed: int = 0
    dies: str = ""  # at which step of its first request it is killed: one of ``STEPS``


STEPS = ("taken", "kept", "recorded", "answered", "tidied")
"""Out of the folder; in the kept state; in the record; answer written; file gone."""


def settings() -> Settings:
    return Settings.model_validate(
        {
            "target": {"day_rh_pct": 65.0, "night_rh_pct": 65.0},
            "guards": {"longest_run_minutes": LONGEST_RUN_S / 60, "rest_minutes": REST_S / 60},
            "runtime": {"cap_hours_in_any_24": CAP_H, "useful_run_minutes": 20},
            "trust": {"oldest_s": TICK_S, "bridge_s": 60.0},
            "loop": {"tick_s": TICK_S},
            "tank": {"tank_l": TANK_L, "output_l_per_h": RATE_L_PER_H},
        }
    )


class Log:
    """Lines of the truth: a word, then JSON."""

    def __init__(self, path: str) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def say(self, *lines: tuple[Any, ...]) -> None:
        os.writev(self._file, [json.dumps(line).encode() + b"\n" for line in lines])


class WorldClock:
    """Implements ``ports.Clock``: waiting moves time on by as much, and really takes ``pace_s``."""

    def __init__(self, life: Life, log: Log, before: list[tuple[Any, ...]]) -> None:
        self.at_s = life.at_s
        self._life, self._log, self._before = life, log, before
        self._left = life.ticks
        self.stopping = False
        self._looking_since_s = time.monotonic()

    def now(self) -> Instant:
        wall = BEGAN + timedelta(seconds=self.at_s)
        if not self._life.trusted:
            wall -= timedelta(days=200)
        return Instant(self._life.mono_base_s + self.at_s, wall, self._life.trusted, self._life.boot)

    def wait_until(self, mono_s: float) -> bool:
        """The tick is over: whatever it has recorded is said to be so before time goes on."""
        self._left -= 1
        self._log.say(*self._before, ("done", self.at_s, time.monotonic() - self._looking_since_s))
        self._before.clear()
        if self.stopping or self._left <= 0:
            return False
        if self._life.pace_s:
            time.sleep(self._life.pace_s)
        self.at_s = max(self.at_s, mono_s - self._life.mono_base_s)
        self._log.say(("t", self.at_s))
        self._looking_since_s = time.monotonic()
        return True


class WorldRelay:
    """Implements ``ports.Relay``: its level, as it changes, is the log."""

    def __init__(self, clock: WorldClock, log: Log) -> None:
        self.on = False
        self._clock, self._log = clock, log

    def switch(self, on: bool) -> None:
        if on != self.on:
            self._log.say(("level", self._clock.at_s, on))
        self.on = on

    def seen_on(self) -> bool | None:
        return self.on

    def close(self) -> None:
        self.switch(False)


class WorldProbe:
    """Implements ``ports.Probe``: a room that wets while it mists, or one that no mist can wet."""

    name = "world"

    def __init__(self, relay: WorldRelay, fate: random.Random) -> None:
        self._relay, self._fate = relay, fate
        self._rh_pct = fate.uniform(52.0, 58.0)
        self._wettest_pct = fate.choice((72.0, 72.0, 63.0))

    def read(self) -> Reading:
        towards = self._wettest_pct if self._relay.on else 52.0
        self._rh_pct += (towards - self._rh_pct) * 0.02 + self._fate.uniform(-0.05, 0.05)
        if self._fate.random() < 0.003:
            return Reading(failure="silent")
        return Reading(self._rh_pct, 23.0 + 0.2 * math.sin(self._rh_pct))


class Death:
    """Kills this process for good, at one step after the first request was taken."""

    def __init__(self, at: str) -> None:
        self._at = at
        self._awaited = False

    def reached(self, step: str) -> None:
        self._awaited = self._awaited or step == "taken"
        if self._awaited and step == self._at:
            os.kill(os.getpid(), signal.SIGKILL)


class MortalSpool(Spool):
    """The program's own; the step between an answer's writing and the tidying is inside it."""

    death: Death

    def _done_with(self, name: str) -> None:
        self.death.reached("answered")
        super()._done_with(name)
        self.death.reached("tidied")


class MortalKeep(FileKeep):
    death: Death

    def save(self, state: State) -> None:
        super().save(state)
        self.death.reached("kept")


class WorldInbox:
    """The program's own spool, with what came and what was answered written down."""

    def __init__(self, spool: Spool, clock: WorldClock, log: Log, death: Death) -> None:
        self._spool, self._clock, self._log, self._death = spool, clock, log, death

    def poll(self, now: datetime) -> tuple[Request, ...]:
        found = self._spool.poll(now)
        if found:
            self._log.say(*(("took", self._clock.at_s, request.id, request.kind) for request in found))
            self._death.reached("taken")
        return found

    def answer(self, answers: Sequence[Answer]) -> None:
        self._death.reached("recorded")
        self._spool.answer(answers)
        self._log.say(
            *(
                ("answered", self._clock.at_s, answer.request.id, answer.done, "already" in answer.words)
                for answer in answers
                if self._spool.answer_to(answer.request.id) is not None  # else it is to be answered again
            )
        )


class LoggedHistory:
    """The program's own record, with each row written down that it was given."""

    def __init__(self, history: SqliteHistory, before: list[tuple[Any, ...]]) -> None:
        self._history, self._before = history, before

    def __getattr__(self, name: str) -> Any:
        return getattr(self._history, name)

    def sample(self, row: Sample) -> None:
        self._history.sample(row)
        self._before.append(("sample", row.at_s))

    def switched(self, at: Instant, on: bool, because: str) -> None:
        self._history.switched(at, on, because)
        self._before.append(("switched", at.wall.timestamp(), on))


class Teller:
    """Implements ``loop.Teller``: what the program believes."""

    def __init__(self, clock: WorldClock, log: Log, history: SqliteHistory) -> None:
        self._clock, self._log, self._history = clock, log, history

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        alarms = [alarm.code for alarm in decision.alarms]
        reasons = [reason.code for reason in decision.reasons]
        self._log.say(
            (
                "believes",
                self._clock.at_s,
                decision.used_s,
                decision.tank_l,
                decision.relay_on,
                alarms,
                reasons,
            )
        )


def live(life: Life) -> None:
    log, before = Log(life.log), list[tuple[Any, ...]]()
    rules = settings()
    clock = WorldClock(life, log, before)

    def stop(*_: object) -> None:
        clock.stopping = True

    signal.signal(signal.SIGTERM, stop)
    folder = Path(life.folder)
    relay = WorldRelay(clock, log)
    death = Death(life.dies)
    keep = MortalKeep(folder)
    keep.death = death
    kept = keep.load(rules.runtime.cap_s)
    spool = MortalSpool(folder / "requests", lambda words: log.say(("said", words)))
    spool.death = death
    spool.prepare()
    history = SqliteHistory.open(folder / "history.sqlite")
    log.say(("start", life.at_s, list(kept.remarks), history.set_aside))
    parts = Parts(
        Controller(rules, kept.state),
        (WorldProbe(relay, random.Random(life.seed)),),
        relay,
        clock,
        keep,
        WorldInbox(spool, clock, log, death),
        LoggedHistory(history, before),
        (StatusFile(folder / "status.json", "crash", TICK_S, RATE_L_PER_H), Teller(clock, log, history)),
    )
    Loop(parts, TICK_S).run()
    log.say(*before, ("ended", clock.at_s, history.rows_lost))


if __name__ == "__main__":
    live(Life(**json.loads(sys.argv[1])))
