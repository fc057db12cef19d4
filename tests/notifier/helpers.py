"""A clock that is moved by hand, ways that write down what they are given, decisions made of codes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Instant, Message
from controller.notifier.sender import Notifier
from controller.notifier.settings import NotifySettings
from controller.notifier.ways import SendError, Waiter, Way
from controller.notifier.words import Letter
from controller.settings import Settings

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
SECRET = "t0ken-nobody-may-see"


def at_once(name: str) -> Waiter:
    """Implements what makes a Waiter: in the caller's thread, however long it takes."""

    def wait(timeout_s: float, what: Callable[[], None]) -> None:
        what()

    return wait


class FakeWay:
    """Keeps the letters; ``broken`` says why it fails, "" when it works."""

    def __init__(self, name: str = "fake") -> None:
        self.letters: list[Letter] = []
        self.tries = 0
        self.broken = ""
        self.way = Way(name, 5.0, self.send)

    def send(self, letter: Letter) -> None:
        self.tries += 1
        if self.broken:
            raise SendError(self.broken)
        self.letters.append(letter)

    @property
    def said(self) -> list[tuple[str, str]]:
        return [(letter.kind, letter.code) for letter in self.letters]


def message(code: str, since: datetime = NOON, acked_by: str = "", **more: Any) -> Message:
    return Message(code, since, acked_by=acked_by, **more)


BLANK = Controller(Settings()).step(Inputs(), Instant(0.0, NOON))


class Scene:
    """A notifier under a hand-moved clock, worked once a tick as its thread would; two people to tell."""

    def __init__(self, folder: Path, beat: Any = None, **settings: Any) -> None:
        self.folder = folder
        self.settings = NotifySettings(command=("first",), second_command=("second",), **settings)
        self.since_s = 0.0
        self.mono_from_s = 1000.0
        self.first, self.second = FakeWay(), FakeWay()
        self.said: list[str] = []
        self.say: Callable[[str], None] = self.said.append
        self.beat = beat
        self.notifier = self.anew()

    def anew(self) -> Notifier:
        ways = {1: [self.first.way], 2: [self.second.way]}
        self.notifier = Notifier(
            self.settings, "larch", 10.0, self.folder, lambda words: self.say(words), ways=ways.__getitem__,
            beat=self.beat, waiter=at_once, now_s=lambda: self.mono_from_s + self.since_s,
        )  # fmt: skip
        return self.notifier

    def restart(self, away_s: float = 5.0) -> None:
        """A new program after a new boot: its monotonic clock begins anew."""
        self.since_s += away_s
        self.mono_from_s = 7.0 - self.since_s
        self.anew()

    @property
    def wall(self) -> datetime:
        return NOON + timedelta(seconds=self.since_s)

    def decision(self, *standing: Message) -> Decision:
        from controller.core.alarms import is_fault

        return BLANK._replace(
            at=Instant(self.mono_from_s + self.since_s, self.wall),
            alarms=tuple(each for each in standing if is_fault(each.code)),
            notices=tuple(each for each in standing if not is_fault(each.code)),
        )

    def tick(self, *standing: Message, for_s: float = 0.0, every_s: float = 10.0) -> None:
        """One tick, or as many as pass in ``for_s``; then the sender's thread has its turn."""
        until_s = self.since_s + for_s
        while True:
            self.notifier.ticked(Inputs(), self.decision(*standing), False)
            self.notifier.work()
            if self.since_s >= until_s:
                return
            self.since_s += min(every_s, until_s - self.since_s)

    def hour(self, *standing: Message, hours: float = 1.0) -> None:
        self.tick(*standing, for_s=hours * HOUR_S, every_s=60.0)
