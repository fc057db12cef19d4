"""What the loop needs of the world, as protocols. Each has a real and a simulated side.

The loop sees only these, so a rehearsal runs the same loop as the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple, Protocol

from controller.core.records import Answer, Decision, Instant, Message, Reading, Request, SurfaceHour

if TYPE_CHECKING:
    from controller.core.state import State


class Probe(Protocol):
    """One room probe."""

    name: str

    def read(self) -> Reading:
        """Reads once. Never raises: a failure is a Reading with ``failure`` set."""
        ...


class Relay(Protocol):
    """The line that switches the humidifier's outlet. Off when made, off when closed."""

    def switch(self, on: bool) -> None:
        """Drives the line. Raises RelayError if it cannot."""
        ...

    def seen_on(self) -> bool | None:
        """What the relay really did since the last call; None where that cannot be seen."""
        ...

    def close(self) -> None:
        """Drives off and lets go. May be called twice."""
        ...


class Clock(Protocol):
    def now(self) -> Instant: ...

    def wait_until(self, mono_s: float) -> bool:
        """Waits; False when the wait was ended by a wish to stop."""
        ...


class Keep(Protocol):
    """Where the protective state survives a power cut."""

    def save(self, state: State) -> None:
        """Writes durably. Raises KeptStateError if it cannot."""
        ...


class Inbox(Protocol):
    """Requests left by people."""

    def poll(self, now: datetime) -> tuple[Request, ...]: ...

    def answer(self, answers: Sequence[Answer]) -> None: ...


class Sample(NamedTuple):
    """One minute of the record. RH in %, temperature in °C; None = not known."""

    at_s: float  # UTC, seconds since 1970, the minute's end
    clock_trusted: bool
    rh_pct: float | None  # mean of the believed, corrected readings in the minute
    temp_c: float | None
    raw_rh_1_pct: float | None  # the last raw reading of each probe
    raw_temp_1_c: float | None
    raw_rh_2_pct: float | None
    raw_temp_2_c: float | None
    target_rh_pct: float
    is_day: bool
    on_s: float  # relay on-time within the minute
    tank_l: float | None
    outdoor_c: float | None
    reason: str  # code of the strictest reason at the minute's end; "" while on


class History(Protocol):
    """The record. No method raises: trouble is counted and said by ``trouble``."""

    def sample(self, row: Sample) -> None: ...

    def together(self) -> AbstractContextManager[None]:
        """What is recorded inside goes to the disk at once, but together."""
        ...

    def switched(self, at: Instant, on: bool, because: str) -> None: ...

    def reasons(self, decision: Decision) -> None:
        """The reasons changed."""
        ...

    def message(self, at: Instant, kind: str, message: Message, raised: bool) -> None:
        """An alarm or notice was raised or cleared."""
        ...

    def note(self, at: Instant, answer: Answer) -> None:
        """A request was answered."""
        ...

    def surface(self, at: Instant, hour: SurfaceHour) -> None:
        """Another hour of the coldest surface is over."""
        ...

    def event(self, at: Instant, kind: str, words: str) -> None:
        """Something about the program itself: start, stop, settings, state lost."""
        ...

    def trouble(self) -> str:
        """What is wrong with the record, in words; "" when nothing is."""
        ...

    def close(self) -> None: ...
