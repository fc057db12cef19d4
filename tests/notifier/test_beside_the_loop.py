"""The real loop beside a sender that hangs: it does not notice."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib import request

import pytest

from controller.loop import Loop
from controller.notifier import program, sender
from controller.notifier.by_command import command_way
from controller.notifier.by_web import heartbeat, webhook_way
from controller.notifier.sender import Notifier
from controller.notifier.settings import NotifySettings
from controller.notifier.ways import Way
from tests.loop.helpers import Bench, FakeProbe
from tests.notifier.conftest import Web
from tests.notifier.helpers import FakeWay

pytestmark = pytest.mark.process


class NeverAnswers:
    """A name server that never answers: whoever asks waits until the test is over."""

    def __init__(self) -> None:
        self.asked, self.let_go = threading.Event(), threading.Event()

    def open(self, fullurl: request.Request, data: None = None, timeout: float | None = None) -> None:
        self.asked.set()
        self.let_go.wait(120.0)
        raise TimeoutError


@pytest.fixture
def names() -> Iterator[NeverAnswers]:
    made = NeverAnswers()
    yield made
    made.let_go.set()


def eventually(true: Callable[[], object], within_s: float = 20.0) -> bool:
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if true():
            return True
        time.sleep(0.01)
    return bool(true())


def run_hours(notifier: Notifier, before: Callable[[], object]) -> Bench:
    """Six hours at ten seconds a tick; in each second one the probe is lost."""
    bench = Bench(for_s=6 * 3600.0)
    probe = FakeProbe()
    bench.probe = probe

    def fail(since_s: float) -> None:
        probe.failure = "no answer" if int(since_s // 3600) % 2 else ""

    bench.clock.hooks.append(fail)
    bench.clock.hooks.append(lambda since_s: before() if since_s == 3600.0 + 700.0 else None)
    parts = bench.parts(tellers=(bench.watch, notifier), more_troubles=notifier.troubles)
    Loop(parts, 10.0).run()
    return bench


def made(ways: list[Way], folder: Path, beat: object = None) -> Notifier:
    settings = NotifySettings(command=("x",))
    return Notifier(settings, "larch", 10.0, folder, print, ways={1: ways, 2: []}.__getitem__, beat=beat)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["command", "webhook", "names", "heartbeat", "all"])
def test_a_sender_that_hangs_does_not_hold_the_loop_up(
    kind: str, tmp_path: Path, web: Web, names: NeverAnswers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is let go of before the loop is at its end: had it to wait for any of it, it would not be."""
    monkeypatch.setattr(sender, "LOOK_S", 0.01)
    web.silent = True
    started = tmp_path / "started"
    ways = {
        "command": command_way(("sh", "-c", f"touch {started}; sleep 100"), timeout_s=100.0),
        "webhook": webhook_way(f"http://{web.host}/x"),
        "names": webhook_way("http://h.example.org/x", names),
    }
    hanging = {
        "command": started.exists, "webhook": lambda: web.asked, "names": names.asked.is_set,
        "heartbeat": names.asked.is_set, "all": started.exists,
    }  # fmt: skip
    used = list(ways.values()) if kind == "all" else [ways[kind]] if kind in ways else []
    notifier = made(
        used, tmp_path, heartbeat("http://h.example.org/", names) if kind == "heartbeat" else None
    )
    notifier.start()
    try:
        bench = run_hours(notifier, lambda: eventually(hanging[kind]))
        assert hanging[kind]()
        assert len(bench.watch.decisions) == 2161  # six hours of ticks, none left out
        lost = [codes for codes in bench.watch.alarm_codes() if "probe_lost" in codes]
        assert len(lost) > 500
        if kind == "command":
            assert notifier._thread is not None
            assert notifier._thread.is_alive()  # still in its try
    finally:
        began = time.monotonic()
        notifier.close()
        assert time.monotonic() - began < sender.END_WITHIN_S + 5.0
        web.let_go.set()
    assert eventually(lambda: not program._running)  # a command that hangs is not left behind


def test_a_thread_that_hangs_for_good_is_a_trouble_the_loop_raises_as_an_alarm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = [0.0]
    notifier = Notifier(
        NotifySettings(command=("x",)), "larch", 10.0, tmp_path, print, ways=lambda contact: [],
        now_s=lambda: at[0],
    )  # fmt: skip
    notifier._round_s = 0.0
    at[0] = sender.HUNG_S + 1.0
    bench = run_hours(notifier, lambda: None)
    assert all("notifier_failed" in codes for codes in bench.watch.alarm_codes()[1:])


def test_a_real_thread_sends_and_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sender, "LOOK_S", 0.01)
    way = FakeWay()
    notifier = made([way.way], tmp_path)
    notifier.start()
    notifier.close()  # before any cycle
    notifier.close()
    notifier = made([way.way], tmp_path)
    notifier.start()
    run_hours(notifier, lambda: eventually(lambda: way.letters))
    assert eventually(lambda: way.letters)
    assert way.said[0] == ("alarm", "probe_lost")
    notifier.close()
    assert notifier._thread is not None
    assert not notifier._thread.is_alive()


def test_an_end_that_was_asked_for_stops_between_two_ways(tmp_path: Path) -> None:
    first, second = FakeWay("one"), FakeWay("two")
    notifier = made([first.way, second.way], tmp_path)
    run_hours(notifier, lambda: None)
    notifier._ending.set()
    notifier.work()
    assert first.letters == second.letters == []
