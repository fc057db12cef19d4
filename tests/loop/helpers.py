"""A driven clock, ports that write down what is done to them, and a small tree of probe files.

Nothing here knows how the loop or the core decide; the ledgers are the tests' own.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.core.controller import Controller
from controller.core.records import Answer, Decision, Inputs, Instant, Message, Reading, Request, SurfaceHour
from controller.core.state import State
from controller.loop import Parts
from controller.ports import Probe, Sample
from controller.settings import Settings

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
HOUR_S = 3600.0
DAY_S = 86400.0

Journal = list[tuple[str, Any]]


def flat(**groups: Any) -> Settings:
    """Real settings with one setpoint all day and nothing but the matter at hand to end a run."""
    base: dict[str, Any] = {
        "target": {"day_rh_pct": 65.0, "night_rh_pct": 65.0},
        "guards": {"longest_run_minutes": 1440, "rest_minutes": 0},
        "runtime": {"cap_hours_in_any_24": 24},
    }
    for name, values in groups.items():
        base[name] = {**base.get(name, {}), **values}
    return Settings(**base)


class FakeClock:
    """Implements ``ports.Clock``: waiting moves time on, and whatever hangs on it."""

    def __init__(
        self,
        for_s: float,
        mono_s: float = 1000.0,
        wall: datetime = NOON,
        trusted: bool = True,
        boot: str = "boot-1",
    ) -> None:
        self.mono_s, self.wall, self.trusted, self.boot = mono_s, wall, trusted, boot
        self.end_s = mono_s + for_s
        self.began_s = mono_s
        self.hooks: list[Callable[[float], None]] = []  # called with the seconds since the beginning
        self.late: Callable[[], float] = lambda: 0.0
        self.waited_for: list[float] = []

    @property
    def since_s(self) -> float:
        return self.mono_s - self.began_s

    def now(self) -> Instant:
        return Instant(self.mono_s, self.wall, self.trusted, self.boot)

    def pass_s(self, seconds: float) -> None:
        self.mono_s += seconds
        self.wall += timedelta(seconds=seconds)

    def wait_until(self, mono_s: float) -> bool:
        self.waited_for.append(mono_s)
        if mono_s > self.end_s:
            return False
        self.pass_s(max(0.0, mono_s - self.mono_s) + self.late())
        for hook in self.hooks:
            hook(self.since_s)
        return True


class FakeRelay:
    """Implements ``ports.Relay``; ``at`` is told of each command, before it is obeyed."""

    def __init__(self, journal: Journal | None = None) -> None:
        self.journal: Journal = [] if journal is None else journal
        self.on = False
        self.closed = False
        self.at: Callable[[bool], None] = lambda on: None

    def switch(self, on: bool) -> None:
        self.journal.append(("switch", on))
        self.at(on)
        self.on = on

    def seen_on(self) -> bool | None:
        return self.on

    def close(self) -> None:
        self.journal.append(("close", None))
        self.on, self.closed = False, True


class FakeProbe:
    """Implements ``ports.Probe``: a dry room unless told otherwise, moving by a hair as a real one does."""

    def __init__(self, rh_pct: float = 50.0, temp_c: float = 24.0) -> None:
        self.name = "fake"
        self.rh_pct, self.temp_c = rh_pct, temp_c
        self.failure = ""
        self._reads = 0

    def read(self) -> Reading:
        self._reads += 1
        if self.failure:
            return Reading(failure=self.failure)
        return Reading(self.rh_pct + 0.01 * (self._reads % 7), self.temp_c)


class FakeKeep:
    """Implements ``ports.Keep``: writes down when, and whether the state says on."""

    def __init__(self, journal: Journal | None = None) -> None:
        self.journal: Journal = [] if journal is None else journal
        self.states: list[State] = []
        self.at: Callable[[State], None] = lambda state: None

    def save(self, state: State) -> None:
        self.journal.append(("save", state.relay.on))
        self.at(state)
        self.states.append(state)


class FakeInbox:
    """Implements ``ports.Inbox``."""

    def __init__(self) -> None:
        self.asked: list[Request] = []
        self.answers: list[Answer] = []

    def poll(self, now: datetime) -> tuple[Request, ...]:
        asked, self.asked = tuple(self.asked), []
        return asked

    def answer(self, answers: Sequence[Answer]) -> None:
        self.answers += answers


class FakeHistory:
    """Implements ``ports.History`` in lists."""

    def __init__(self, journal: Journal | None = None) -> None:
        self.journal: Journal = [] if journal is None else journal
        self.samples: list[Sample] = []
        self.switchings: list[tuple[Instant, bool, str]] = []
        self.reasons_told: list[Decision] = []
        self.messages: list[tuple[Instant, str, Message, bool]] = []
        self.notes: list[Answer] = []
        self.events: list[tuple[str, str]] = []
        self.surfaces: list[SurfaceHour] = []
        self.said = ""
        self.closed = False

    def together(self) -> AbstractContextManager[None]:
        return nullcontext()

    def sample(self, row: Sample) -> None:
        self.samples.append(row)

    def switched(self, at: Instant, on: bool, because: str) -> None:
        self.switchings.append((at, on, because))

    def reasons(self, decision: Decision) -> None:
        self.reasons_told.append(decision)

    def message(self, at: Instant, kind: str, message: Message, raised: bool) -> None:
        self.messages.append((at, kind, message, raised))

    def note(self, at: Instant, answer: Answer) -> None:
        self.notes.append(answer)

    def surface(self, at: Instant, hour: SurfaceHour) -> None:
        self.surfaces.append(hour)

    def event(self, at: Instant, kind: str, words: str) -> None:
        self.journal.append(("event", kind))
        self.events.append((kind, words))

    def trouble(self) -> str:
        return self.said

    def close(self) -> None:
        self.closed = True


class Watch:
    """Implements ``loop.Teller``: keeps each decision."""

    def __init__(self) -> None:
        self.decisions: list[Decision] = []
        self.changed: list[bool] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        self.decisions.append(decision)
        self.changed.append(changed)

    def alarm_codes(self) -> list[set[str]]:
        return [{alarm.code for alarm in decision.alarms} for decision in self.decisions]


class Bench:
    """A loop's parts, all fake unless replaced, over one journal."""

    def __init__(
        self, settings: Settings | None = None, for_s: float = HOUR_S, state: State | None = None
    ) -> None:
        self.settings = flat() if settings is None else settings
        self.journal: Journal = []
        self.clock = FakeClock(for_s)
        self.relay = FakeRelay(self.journal)
        self.keep = FakeKeep(self.journal)
        self.probe: Probe = FakeProbe()
        self.inbox = FakeInbox()
        self.history = FakeHistory(self.journal)
        self.watch = Watch()
        self.controller = Controller(self.settings, state)

    def parts(self, **other: Any) -> Parts:
        made: dict[str, Any] = {
            "controller": self.controller,
            "probes": (self.probe,),
            "relay": self.relay,
            "clock": self.clock,
            "keep": self.keep,
            "inbox": self.inbox,
            "history": self.history,
            "tellers": (self.watch,),
        }
        return Parts(**{**made, **other})


class ProbeFiles:
    """One hwmon chip on an I2C bus, as sysfs shows it: a class folder of links, a folder by address."""

    def __init__(self, root: Path, address: str = "1-0044", number: int = 0) -> None:
        self.root, self.address = root, address
        self.folder = Path()
        self.plug(number)

    def plug(self, number: int) -> None:
        device = self.root / "bus/i2c/devices" / self.address
        self.folder = device / "hwmon" / f"hwmon{number}"
        self.folder.mkdir(parents=True)
        (self.folder / "name").write_text("sht4x\n")
        (self.folder / "device").symlink_to(device)
        link = self.root / "class/hwmon" / self.folder.name
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(self.folder)
        self.write(50.0, 24.0)

    def unplug(self) -> None:
        (self.root / "class/hwmon" / self.folder.name).unlink()
        shutil.rmtree(self.folder)

    @property
    def plugged(self) -> bool:
        return self.folder.exists()

    def write(self, rh_pct: float, temp_c: float) -> None:
        self.say(f"{rh_pct * 1000:.0f}\n".encode(), f"{temp_c * 1000:.0f}\n".encode())

    def say(self, humidity: bytes, temperature: bytes = b"24000\n") -> None:
        (self.folder / "humidity1_input").write_bytes(humidity)
        (self.folder / "temp1_input").write_bytes(temperature)


def moving(rh_pct: float, since_s: float) -> float:
    """A figure that moves by a few tenths, as a probe's does, and never looks frozen."""
    return rh_pct + 0.3 * math.sin(since_s / 97.0)
