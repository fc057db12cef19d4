"""The dead man's switch: off when no newer decision comes in time, and never on."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from controller.core.records import Decision
from controller.deadman import Deadman
from controller.errors import RelayError
from tests.core.helpers import Rig, quick
from tests.loop.helpers import FakeRelay


class Timer:
    """Stands for threading.Timer: goes off only when a test says so."""

    made: list[Timer]

    def __init__(self, after_s: float, act: Callable[[], None]) -> None:
        self.after_s, self.act, self.running = after_s, act, False
        Timer.made.append(self)

    def start(self) -> None:
        self.running = True

    def cancel(self) -> None:
        self.running = False


def decision_on() -> Decision:
    rig = Rig(quick())
    rig.until(lambda decision: decision.relay_on, most_s=600)
    decision = rig.step()
    assert decision.relay_on
    return decision


@pytest.fixture
def timers(monkeypatch: pytest.MonkeyPatch) -> list[Timer]:
    Timer.made = []
    monkeypatch.setattr(threading, "Timer", Timer)
    return Timer.made


def test_a_loop_that_stops_looking_gets_an_off(timers: list[Timer]) -> None:
    said: list[str] = []
    relay = FakeRelay()
    deadman = Deadman(relay, 10.0, said.append)
    on = decision_on()
    relay.switch(True)
    deadman.arm(on)
    assert [timer.running for timer in timers] == [True]
    assert timers[-1].after_s == 60.0  # three ticks, a minute at least
    timers[-1].act()
    assert relay.on is False
    assert "stopped looking" in said[0]


def test_each_decision_takes_the_last_ones_place(timers: list[Timer]) -> None:
    deadman = Deadman(FakeRelay(), 100.0, print)
    on = decision_on()
    deadman.arm(on)
    deadman.arm(on._replace(valid_for_s=25.0))
    assert [(timer.running, timer.after_s) for timer in timers] == [(False, 300.0), (True, 25.0)]
    deadman.arm(on._replace(relay_on=False))
    assert [timer.running for timer in timers] == [False, False]
    deadman.close()


def test_a_line_that_is_gone_is_no_traceback(timers: list[Timer]) -> None:
    said: list[str] = []
    relay = FakeRelay()

    def gone(on: bool) -> None:
        raise RelayError("the line is gone")

    relay.switch = gone  # type: ignore[method-assign]
    deadman = Deadman(relay, 10.0, said.append)
    deadman.arm(decision_on())
    timers[-1].act()
    assert "could not be switched off: the line is gone" in said[0]
