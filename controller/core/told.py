"""TOLD: the form in which an alarm or a notice is worded."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.core.records import Message


class Told(NamedTuple):
    """``seen`` may hold figures; the rest never changes. An empty part has nothing to say."""

    seen: Callable[[Message], str]
    does: str
    check: str
    clears: str


def f(value: float | None, places: int = 1) -> str:
    return "?" if value is None else f"{value:.{places}f}"
