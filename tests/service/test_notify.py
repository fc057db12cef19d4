"""Words to the service manager, over a real datagram socket; the protocol is that of sd_notify(3)."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Instant, Reading
from controller.deadman import SHORTEST_S as DEADMAN_S
from controller.deadman import TICKS
from controller.notify import ServiceTeller, patience_s, sd_notify
from controller.settings import Settings


class Manager:
    """The receiving end."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.settimeout(1.0)
        self.environ = {"NOTIFY_SOCKET": address}

    def heard(self) -> list[list[str]]:
        """Every datagram so far, as its lines."""
        self.socket.setblocking(False)
        found = []
        while True:
            try:
                found.append(self.socket.recv(65536).decode().split("\n"))
            except BlockingIOError:
                return found


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    address = str(tmp_path / "notify") if request.param == "path" else f"@hygrohold-test-{os.getpid()}"
    if len(address) > 100:
        address = f"@hygrohold-test-path-{os.getpid()}"  # unix(7): a path of at most 108 bytes
    manager = Manager(address)
    yield manager
    manager.socket.close()


def decisions() -> Iterator[Decision]:
    controller = Controller(Settings())
    for number in range(100):
        at = Instant(10.0 * number, datetime(2026, 1, 12, 12, 0, tzinfo=UTC))
        yield controller.step(Inputs((Reading(rh_pct=55.0, temp_c=24.0),)), at)


def test_the_first_cycle_is_ready_and_sets_the_watchdog(manager: Manager) -> None:
    teller = ServiceTeller(10.0, manager.environ)
    assert manager.heard() == []  # nothing before a cycle is complete
    first, second, *_ = decisions()
    teller.ticked(Inputs(), first, True)
    (lines,) = manager.heard()
    assert lines[:3] == ["WATCHDOG_USEC=60000000", "READY=1", "WATCHDOG=1"]
    assert lines[3].startswith("STATUS=Off: ")
    teller.ticked(Inputs(), second, False)
    assert manager.heard() == [["WATCHDOG=1"]]  # every cycle, and ready only once


def test_the_status_is_told_when_it_changed(manager: Manager) -> None:
    teller = ServiceTeller(10.0, manager.environ)
    told: list[str] = []
    for decision in decisions():
        teller.ticked(Inputs(), decision, True)
        (lines,) = manager.heard()
        assert "WATCHDOG=1" in lines
        told += [line for line in lines if line.startswith("STATUS=")]
    assert any(line.startswith("STATUS=On: ") for line in told)
    assert all(a != b for a, b in pairwise(told))
    teller.stopping()
    assert manager.heard()[0][0] == "STOPPING=1"


def test_ready_is_said_again_where_it_was_not_heard(manager: Manager) -> None:
    environ = {"NOTIFY_SOCKET": "/no/such/socket"}
    teller = ServiceTeller(10.0, environ)
    first, second, *_ = decisions()
    teller.ticked(Inputs(), first, True)
    environ |= manager.environ
    teller.ticked(Inputs(), second, False)
    assert "READY=1" in manager.heard()[0]


@pytest.mark.parametrize("tick_s", [1.0, 10.0, 20.0, 30.0, 300.0])
def test_the_dead_man_s_switch_comes_first(tick_s: float) -> None:
    """Switching off and going on is better than ending the program; neither fires within three ticks."""
    assert patience_s(tick_s) >= max(DEADMAN_S, TICKS * tick_s)
    assert patience_s(tick_s) >= 3 * tick_s
    assert patience_s(tick_s) >= 60.0


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}])
def test_without_a_manager_nothing_happens(environ: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: Any) -> None:
        raise AssertionError("a socket was made")

    monkeypatch.setattr(socket, "socket", never)
    teller = ServiceTeller(10.0, environ)
    teller.ticked(Inputs(), next(decisions()), True)
    teller.stopping()
    assert not sd_notify("READY=1", environ)


@pytest.mark.parametrize("address", ["/no/such/folder/socket", "@nobody-listens-here", "relative", "x" * 300])
def test_a_manager_that_is_not_there_is_no_reason_to_stop(address: str) -> None:
    assert not sd_notify("WATCHDOG=1", {"NOTIFY_SOCKET": address})


def test_a_manager_that_does_not_read_holds_nothing_up(tmp_path: Path) -> None:
    """unix(7): a full queue blocks the sender, unless it asked not to be blocked."""
    manager = Manager(f"@hygrohold-test-full-{os.getpid()}")
    answers = [sd_notify("WATCHDOG=1", manager.environ) for _ in range(5000)]
    assert answers[0] is True
    assert answers[-1] is False
    manager.socket.close()
