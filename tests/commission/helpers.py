"""A keeper who answers what really is, and settings for the walk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.commissioning.rehearsed import RehearsedSite
from controller.commissioning.relay import IS_OFF, IS_ON
from controller.commissioning.talk import Ended
from controller.settings import Settings


def settings_of(**groups: Any) -> Settings:
    """A real relay by name; the walk's site is simulated all the same."""
    base: dict[str, Any] = {
        "room": {"name": "attic"},
        "relay": {"kind": "libgpiod", "pin": 5, "chip": 1},
        "probe": ({"kind": "hwmon", "at": "1-0044"},),
    }
    return Settings(**{**base, **groups})


def bench(*faults: str, **more: Any) -> dict[str, Any]:
    return {"fault": tuple({"kind": kind, "starts_h": 0} for kind in faults), **more}


class Keeper:
    """Implements ``Talk``: looks at the outlet and tells the truth; ``otherwise`` answers some questions.

    ``ends_at_ask``, ``ends_at_wait``: has enough at that question or wait, counted from 1.
    """

    def __init__(
        self,
        site: RehearsedSite,
        otherwise: Callable[[str], bool | None] = lambda question: None,
        ends_at_ask: int = 0,
        ends_at_wait: int = 0,
        think_s: float = 3.0,
    ) -> None:
        self.lines: list[str] = []
        self.asked: list[str] = []
        self.waits = 0
        self.ending = False
        self.think_s = think_s
        self._site = site
        self._otherwise = otherwise
        self._ends_at_ask, self._ends_at_wait = ends_at_ask, ends_at_wait

    @property
    def said(self) -> str:
        return "\n".join(self.lines)

    def say(self, words: str) -> None:
        self.lines.append(words)

    def ask(self, question: str, within_s: float | None = None) -> bool | None:
        self.asked.append(question)
        if len(self.asked) == self._ends_at_ask:
            raise Ended("enough")
        if within_s is not None and self.think_s > within_s:
            self._site.pass_time(within_s)
            return None
        answer = self._otherwise(question)
        if answer is None:
            answer = not self._site.outlet_on if question.startswith("Is the outlet OFF") else True
            if question == IS_ON:
                answer = self._site.outlet_on
        self._site.pass_time(self.think_s)
        return answer

    def wait(self, seconds: float) -> None:
        self.waits += 1
        if self.waits == self._ends_at_wait:
            raise Ended("enough")
        self._site.pass_time(seconds)


__all__ = ["IS_OFF", "IS_ON", "Keeper", "bench", "settings_of"]
