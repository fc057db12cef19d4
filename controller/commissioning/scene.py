"""SCENE: what the walk needs of a room, real or simulated, and what it writes down on the way.

In:    a keeper to talk to, a room.
Out:   the steps as they were seen and answered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from controller.commissioned import LAST_STEP, NOT_SET, Record, Step
from controller.commissioning.hand import Hand
from controller.commissioning.talk import Talk
from controller.core.records import Instant
from controller.loop import Teller
from controller.ports import Inbox, Probe
from controller.settings import Settings


class Failed(Exception):
    """A step did not pass. ``unsafe``: an earlier record must not hold any longer."""

    def __init__(self, words: str, unsafe: bool) -> None:
        super().__init__(words)
        self.unsafe = unsafe


class Refused(Exception):
    """Nothing is wrong, but it cannot be tried now; the text says why."""


class Site(Protocol):
    """One room as the walk touches it."""

    def now(self) -> Instant: ...

    def found(self) -> list[str]:
        """The boards and probes of this machine, a line each, and which of them the settings name."""
        ...

    def probes(self) -> Sequence[Probe]:
        """Raises ProbeError."""
        ...

    def hand(self) -> Hand:
        """The relay, off, in a process that can be killed. Raises RelayError."""
        ...

    def force_off(self) -> tuple[bool, str]:
        """What the service does when the program is dead. (Did it?, what it said.)"""
        ...

    def forget_line(self) -> None:
        """The off level that was left for the off step is wrong: it would drive on. Never raises."""
        ...

    def hold(self, inbox: Inbox, teller: Teller, over: Callable[[], bool]) -> None:
        """The real loop over this room until ``over``, or a wish to stop; then the relay is off.

        Raises what the loop raises.
        """
        ...

    def hint(self, what: str) -> str:
        """In a rehearsal: what a person would see, or does, at "outlet" or "breath"; else ""."""
        ...


class Notebook:
    """What was asked and seen, step by step."""

    def __init__(self) -> None:
        self._steps: list[Step] = []
        self.kill = ""
        """How the outlet behaved when the program was killed, once all but the mist has passed."""
        self.maybe_on = ""
        """Why the relay could not be driven off on the way out, in words; "" where it is off."""
        self.claimed = False
        """Whether the line has been driven at all."""

    def begin(self, step: str, at: str = "", by: str = "") -> None:
        self._steps.append(Step(step, "not finished", (), at, by))

    def take_up(self, record: Record) -> None:
        """What an earlier walk has seen; its last step, the mist, is what is missing."""
        self._steps, self.kill = list(record.steps[:-1]), record.kill

    def see(self, what: str, words: str) -> None:
        last = self._steps[-1]
        self._steps[-1] = last._replace(seen=(*last.seen, (what, words)))

    def find(self, words: str) -> None:
        self._steps[-1] = self._steps[-1]._replace(found=words)

    @property
    def mist_begun(self) -> bool:
        return bool(self._steps) and self._steps[-1].step == LAST_STEP

    @property
    def steps(self) -> tuple[Step, ...]:
        return tuple(self._steps)


class Scene(NamedTuple):
    """What every step is given."""

    settings: Settings
    site: Site
    talk: Talk
    notes: Notebook
    by: str

    def begin(self, step: str) -> None:
        now = self.site.now()
        at = now.wall.isoformat(timespec="seconds") + ("" if now.wall_trusted else NOT_SET)
        self.notes.begin(step, at, self.by)

    def ask(self, question: str, hint: str = "", within_s: float | None = None) -> bool | None:
        """Asks, and writes question and answer down."""
        words = self.site.hint(hint) if hint else ""
        if words:
            self.talk.say(f"    {words}")
        answer = self.talk.ask(question, within_s)
        self.notes.see(question, {True: "yes", False: "no", None: "nobody answered"}[answer])
        return answer

    def force_off(self) -> None:
        """On the way out, whatever the reason for it; what goes wrong is said at the end."""
        done, words = self.site.force_off()
        self.notes.maybe_on = "" if done else words

    def yes(self, question: str, hint: str = "") -> bool:
        return bool(self.ask(question, hint))
