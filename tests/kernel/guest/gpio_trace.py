"""GPIO TRACE: every level that the kernel was told to put on a line, in order.

In:    the kernel's trace events gpio_value and gpio_direction, and marks of our own.
Out:   ``Event``s; from them, the levels driven.
Never: misses a pulse for being short: the events are the kernel's calls, not samples.

Source: include/trace/events/gpio.h of the Linux kernel, for the text of both events;
Documentation/trace/ftrace.rst for the files, trace_marker among them.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import NamedTuple

FOLDER = Path("/sys/kernel/tracing")

_EVENT = re.compile(
    r"\s(?P<at>\d+\.\d+): (?:gpio_value: (?P<number>\d+) (?P<way>get|set) (?P<level>[01])"
    r"|gpio_direction: (?P<of>\d+)\s+(?P<direction>in|out) \((?P<error>-?\d+)\)"
    r"|(?:tracing_mark_write|0x0|\S+): MARK (?P<mark>.*))\s*$"
)


class Event(NamedTuple):
    """``what`` is "set", "get", "in", "out" or "mark"; ``detail`` the level, the error number or the text."""

    at_s: float
    number: int
    what: str
    detail: str


def parse(text: str) -> list[Event]:
    """The events in the text of the file ``trace``; other lines are passed over."""
    events = []
    for line in text.splitlines():
        found = None if line.startswith("#") else _EVENT.search(line)
        if found is None:
            continue
        at_s = float(found["at"])
        if found["mark"] is not None:
            events.append(Event(at_s, -1, "mark", found["mark"]))
        elif found["way"]:
            events.append(Event(at_s, int(found["number"]), found["way"], found["level"]))
        else:
            events.append(Event(at_s, int(found["of"]), found["direction"], found["error"]))
    return events


def driven(events: list[Event]) -> list[int]:
    """The levels told to the line, in order. One told while it was still an input counts as driven, too."""
    return [int(event.detail) for event in events if event.what == "set"]


class Trace:
    """The events of one line since the last ``clear``, and marks."""

    def __init__(self, number: int) -> None:
        """``number`` is the kernel's own of the line."""
        self._number = number
        if not (FOLDER / "events").exists():
            subprocess.run(["mount", "-t", "tracefs", "tracefs", str(FOLDER)], check=True)
        (FOLDER / "events/gpio/enable").write_text("1")
        self.clear()

    def clear(self) -> None:
        (FOLDER / "trace").write_text("")

    def events(self) -> list[Event]:
        found = parse((FOLDER / "trace").read_text())
        return [event for event in found if event.number == self._number or event.what == "mark"]

    def driven(self) -> list[int]:
        return driven(self.events())
