"""WAYS: what every way of sending has in common: a name to show, an error in words, a bounded wait.

In:    a function that sends.
Out:   its end, or SendError, within the time it is given.
Never: shows more of an address than its host.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterable
from typing import NamedTuple, Protocol

from controller.notifier.words import Letter

LONGEST_WHY = 200
SHORTEST_SECRET = 4
_ADDRESS = re.compile(r"[a-zA-Z][\w+.-]*://\S+")


class SendError(Exception):
    """It was not sent; the text says why, in words that may be shown."""


class Way(NamedTuple):
    """One way to one person. ``name`` may be shown. ``send`` raises SendError."""

    name: str
    timeout_s: float
    send: Callable[[Letter], None]


class Waiter(Protocol):
    """Runs something for at most so many seconds; raises SendError when it is not done by then."""

    def __call__(self, timeout_s: float, what: Callable[[], None]) -> None: ...


class Patient:
    """A Waiter: each try in a thread of its own, left behind when its time is up.

    A name server that never answers cannot be broken off from outside. While a try that was left
    behind still hangs, no second one is begun: one way holds one thread at most.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._hung: threading.Thread | None = None

    def __call__(self, timeout_s: float, what: Callable[[], None]) -> None:
        if self._hung is not None and self._hung.is_alive():
            raise SendError("the last try still hangs")
        ended: list[Exception | None] = []

        def attempt() -> None:
            try:
                what()
            except Exception as error:
                ended.append(error)
            else:
                ended.append(None)

        self._hung = threading.Thread(target=attempt, name=f"send: {self._name}", daemon=True)
        self._hung.start()
        self._hung.join(timeout_s)
        if not ended:
            raise SendError(f"no answer within {timeout_s:.0f} s")
        if ended[0] is not None:
            raise ended[0]


def why(error: Exception) -> str:
    """An error in words. What is not ours is named by its kind only: its text may hold an address."""
    if isinstance(error, SendError):
        return str(error)
    if isinstance(error, OSError) and error.strerror and error.errno is not None:
        return error.strerror
    return type(error).__name__


def without_secrets(text: str, secrets: Iterable[str] = ()) -> str:
    """A foreign text on one line, without addresses and without any piece of a secret."""
    said = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    said = _ADDRESS.sub("(address)", said)
    pieces = {piece for secret in secrets for piece in re.split(r"[\s/:@?&=,;]+", secret)}
    for piece in sorted(pieces, key=len, reverse=True):
        if len(piece) >= SHORTEST_SECRET:
            said = said.replace(piece, "...")
    return said if len(said) <= LONGEST_WHY else said[: LONGEST_WHY - 3] + "..."
