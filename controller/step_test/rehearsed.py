"""REHEARSED: the real loop over the bench's simulated room, moved on as fast as it is asked to.

In:    settings with their simulated room.
Out:   a ``Site`` whose requests, guards and record are those of the real program.
Never: touches a line, a probe, a file or the spool of a real room.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from controller.core import units
from controller.core.controller import Controller
from controller.core.records import Answer, Decision, Inputs, Request
from controller.core.words import sentence
from controller.errors import RequestError
from controller.history.store import SqliteHistory
from controller.keep import MemoryKeep
from controller.loop import Loop, Parts
from controller.ports import Sample
from controller.settings import Settings
from controller.simulator.faulty import make_world
from controller.step_test.walk import Look
from controller.wiring import make_weather_of

BEFORE_S = 4.0 * 3600.0
"""Lived through before the test begins, so that the room is held; from noon, so that no heating begins."""
NOON_S = 12.0 * 3600.0
FAULTS = ("probe-", "relay-", "humidifier-")
_KEPT_DAYS = 2.0


class RehearsedSite:
    """Implements ``walk.Site``. Raises DataFileError or SettingsError for the bench's weather."""

    def __init__(self, settings: Settings, before_s: float = BEFORE_S) -> None:
        bench = settings.bench.model_copy(
            update={
                "days": _KEPT_DAYS,
                "fault": tuple(fault for fault in settings.bench.fault if fault.kind.startswith(FAULTS)),
                "starts": settings.bench.starts.replace(hour=12, minute=0, second=0, microsecond=0),
                "second_probe": settings.bench.second_probe
                or (settings.bench.probe if len(settings.probe) > 1 else None),
            }
        )
        settings = settings.model_copy(update={"bench": bench})
        weather = make_weather_of(settings, bench.seed)
        self.world = make_world(bench, settings.tank, weather, ZoneInfo(settings.room.timezone or "UTC"))
        self._history = SqliteHistory.in_memory()
        self._said: list[Answer] = []
        self._decision: Decision | None = None
        self._tick_s = settings.loop.tick_s
        self._shown = settings.room.units
        self._asked = 0
        self._until_s = self.world.mono_s
        parts = Parts(
            Controller(settings), self.world.probes, self.world.relay, self.world, MemoryKeep(), self,
            self._history, (self,), lambda: self.world.outdoor.temp_c,
            self.world.surface_c if settings.surface.probe.kind != "none" else lambda: None,
        )  # fmt: skip
        self._loop = Loop(parts, self._tick_s)
        self._tick()
        self.pass_time(before_s)

    def _tick(self) -> None:
        self._loop.tick(self.world.now())

    def pass_time(self, seconds: float) -> None:
        """In whole ticks; what is left of one is passed with the next call."""
        self._until_s += seconds
        while self.world.mono_s + self._tick_s <= self._until_s + 1e-6:
            if not self.world.wait_until(self.world.mono_s + self._tick_s):
                raise RequestError("the rehearsal has no more days")
            self._tick()

    # as the loop's inbox and one of its tellers

    def poll(self, now: datetime) -> tuple[Request, ...]:
        return self.world.keeper.poll(now)

    def answer(self, answers: Sequence[Answer]) -> None:
        self._said += answers

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        self._decision = decision

    # as the walk's site

    def now(self) -> datetime:
        return self.world.wall()

    def ask(self, request: Request) -> tuple[bool, str]:
        self._asked += 1
        identity = f"rehearsed-{self._asked}"
        self.world.keeper.ask(request._replace(id=identity))
        self.pass_time(self._tick_s)
        for answer in reversed(self._said):
            if answer.request.id == identity:
                return answer.done, units.said(answer.words, self._shown)
        raise RequestError("the rehearsed program did not answer")

    def look(self) -> Look:
        decision = self._decision
        assert decision is not None
        codes = tuple(reason.code for reason in decision.reasons)
        words = units.said(sentence(decision), self._shown)
        return Look(decision.rh_pct, decision.temp_c, decision.relay_on, words, codes)

    def minutes(self, from_s: float, to_s: float) -> list[Sample]:
        return list(self._history.reader().minutes(from_s, to_s))

    def close(self) -> None:
        self.world.relay.close()
        self._history.close()
