"""NOTIFY: tells the service manager that the room is looked after.

In:    each completed cycle of the loop (probes asked, decided, relay written, recorded).
Out:   READY, WATCHDOG, STATUS and STOPPING as datagrams, as sd_notify(3) has them.
Never: speaks from a thread or a timer: a loop that hangs must fall silent. Without a manager, nothing.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress

from controller.core.records import Decision, Inputs
from controller.core.words import sentence

SHORTEST_S = 60.0
TICKS = 3
MARGIN_S = 15.0
"""The watchdog waits 60 s, or three ticks and this where that is longer: the dead man's switch acts first."""


def sd_notify(text: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Sends ``text`` to the service manager; False when there is none, or it does not listen."""
    address = environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    with suppress(OSError, ValueError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.setblocking(False)  # a manager that does not read must not hold the loop up
        sender.sendto(text.encode(), "\0" + address[1:] if address.startswith("@") else address)
        return True
    return False


def patience_s(tick_s: float) -> float:
    """How long the loop may be silent before the service manager ends it. Seconds."""
    return max(SHORTEST_S, TICKS * tick_s + MARGIN_S)


class ServiceTeller:
    """Implements ``loop.Teller``; to be the last of a loop's tellers, so that a cycle told is complete."""

    def __init__(self, tick_s: float, environ: Mapping[str, str] = os.environ) -> None:
        self._environ = environ
        self._tick_s = tick_s
        self._ready = False
        self._said = ""

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        if not self._environ.get("NOTIFY_SOCKET"):
            return
        lines = ["WATCHDOG=1"]
        if not self._ready:
            lines = [f"WATCHDOG_USEC={patience_s(self._tick_s) * 1e6:.0f}", "READY=1", *lines]
        if changed or not self._ready:
            said = " ".join(sentence(decision).split())
            if said != self._said:
                lines.append(f"STATUS={said}")
                self._said = said
        # READY is told again until it has gone out: nothing else ends the start.
        self._ready = sd_notify("\n".join(lines), self._environ) or self._ready

    def stopping(self) -> None:
        """At the end, whatever its cause."""
        sd_notify("STOPPING=1\nSTATUS=Stopping: the relay goes off.", self._environ)
