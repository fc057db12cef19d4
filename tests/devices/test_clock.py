"""The board's clock, with its sources and its wait in the test's hands."""

from __future__ import annotations

import ctypes
import signal
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.devices import clock as clock_module
from controller.devices.clock import BoardClock, boot_id, kernel_says_synchronised, wall_is_trusted


class World:
    """A monotonic clock that only waiting moves, and what the board would say of its wall clock."""

    def __init__(self) -> None:
        self.mono_s = 100.0
        self.utc = datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC)
        self.trusted = True
        self.asked = 0
        self.waits: list[float] = []
        self.clock: BoardClock

    def wait(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.mono_s += seconds

    def ask(self) -> bool:
        self.asked += 1
        return self.trusted


@pytest.fixture
def world() -> Iterator[World]:
    world = World()
    world.clock = made(world, UTC)
    yield world
    world.clock.close()


def made(world: World, timezone: tzinfo | None, **other: Any) -> BoardClock:
    return BoardClock(
        timezone,
        monotonic=lambda: world.mono_s,
        utc_now=lambda: world.utc,
        trusted=world.ask,
        **{"waiter": world.wait, "boot": "b1", **other},
    )


def test_now_in_the_room_s_zone(world: World) -> None:
    # Spring change of Central Europe, Directive 2000/84/EC: 01:00 UTC on the last Sunday of March.
    berlin = made(world, ZoneInfo("Europe/Berlin"))
    first = berlin.now()
    assert (first.mono_s, first.boot) == (100.0, "b1")
    assert (first.wall.hour, first.wall.minute, first.wall.utcoffset()) == (1, 59, timedelta(hours=1))
    world.utc += timedelta(seconds=1)
    then = berlin.now().wall
    assert (then.hour, then.minute, then.utcoffset()) == (3, 0, timedelta(hours=2))
    berlin.close()


def test_now_in_the_system_s_zone(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "XXX-05:45")  # POSIX: 5 h 45 min east of Greenwich
    time.tzset()
    try:
        local = made(world, None)
        wall = local.now().wall
        local.close()
    finally:
        monkeypatch.undo()
        time.tzset()
    assert (wall.hour, wall.minute, wall.utcoffset()) == (6, 44, timedelta(hours=5, minutes=45))


def test_trust_is_asked_once_a_minute(world: World) -> None:
    assert world.clock.now().wall_trusted
    world.trusted = False
    world.mono_s += 59.0
    assert world.clock.now().wall_trusted
    assert world.asked == 1
    world.mono_s += 1.0
    assert not world.clock.now().wall_trusted
    assert world.asked == 2


class Library:
    """Stands for libc: answers adjtimex(2) with one state."""

    def __init__(self, state: int) -> None:
        self.state = state

    def adjtimex(self, timex: Any) -> int:
        assert timex.raw[:4] == b"\0\0\0\0"  # modes = 0: nothing is adjusted
        assert len(timex.raw) >= 208  # sizeof(struct timex) on 64-bit Linux
        return self.state


@pytest.mark.parametrize(
    ("state", "trusted"),
    [(0, True), (1, True), (2, True), (3, True), (4, True), (5, False), (-1, False)],
)  # adjtimex(2): TIME_OK 0 .. TIME_WAIT 4 are synchronised, TIME_ERROR 5 is not, -1 failed
def test_the_kernel_s_word(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, state: int, trusted: bool
) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda name: Library(state))
    monkeypatch.setattr(clock_module, "_SYNCHRONISED", tmp_path / "synchronized")
    assert kernel_says_synchronised() is trusted
    assert wall_is_trusted() is trusted
    (tmp_path / "synchronized").touch()
    assert wall_is_trusted()


@pytest.mark.parametrize("answer", [OSError("no libc"), AttributeError("no adjtimex")])
def test_a_system_that_cannot_be_asked_is_not_trusted(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answer: Exception
) -> None:
    def fail(name: object) -> object:
        raise answer

    monkeypatch.setattr(ctypes, "CDLL", fail)
    monkeypatch.setattr(clock_module, "_SYNCHRONISED", tmp_path / "synchronized")
    assert wall_is_trusted() is False


def test_a_mark_that_cannot_be_looked_at_is_no_trust(monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(path: Path) -> bool:
        raise PermissionError("denied")

    monkeypatch.setattr(ctypes, "CDLL", lambda name: Library(5))
    monkeypatch.setattr(Path, "exists", denied)
    assert wall_is_trusted() is False


def test_the_real_kernel_answers() -> None:
    """Agrees with the state in ``struct timex`` as the kernel's uapi header lays it out."""

    class Timex(ctypes.Structure):
        _fields_ = (
            ("modes", ctypes.c_uint), ("offset", ctypes.c_long), ("freq", ctypes.c_long),
            ("maxerror", ctypes.c_long), ("esterror", ctypes.c_long), ("status", ctypes.c_int),
            ("rest", ctypes.c_char * 400),
        )  # fmt: skip

    timex = Timex()
    if ctypes.CDLL(None).adjtimex(ctypes.byref(timex)) < 0:
        pytest.skip("adjtimex is not allowed here")
    sta_unsync, sta_clockerr = 0x0040, 0x1000  # include/uapi/linux/timex.h
    assert kernel_says_synchronised() is not bool(timex.status & (sta_unsync | sta_clockerr))


def test_boot_id(tmp_path: Path) -> None:
    file = tmp_path / "boot_id"
    assert boot_id(file) == ""
    file.write_text("0b0e8e5c-7d1c-4a64-9d53-6b6d9c5ad0a1\n")
    assert boot_id(file) == "0b0e8e5c-7d1c-4a64-9d53-6b6d9c5ad0a1"
    file.write_bytes(b"\xff")
    assert boot_id(file) == ""


def test_waits_to_the_end(world: World) -> None:
    assert world.clock.wait_until(130.0) is True
    assert world.waits == [30.0]


def test_a_time_gone_by_is_not_waited_for(world: World) -> None:
    assert world.clock.wait_until(100.0) is True
    assert world.clock.wait_until(-5.0) is True
    assert world.waits == []


def test_an_early_wake_without_a_wish_to_stop_goes_on_waiting(world: World) -> None:
    early = made(world, UTC, waiter=lambda seconds: world.wait(min(seconds, 10.0)))
    assert early.wait_until(125.0) is True
    assert world.waits == [10.0, 10.0, 5.0]
    early.close()


def test_long_waits_go_in_turns(world: World) -> None:
    assert world.clock.wait_until(100.0 + 9000.0) is True
    assert world.waits == [3600.0, 3600.0, 1800.0]


def test_stop_ends_this_wait_and_all_later_ones(world: World) -> None:
    def stopped_meanwhile(seconds: float) -> None:
        world.waits.append(seconds)
        clock.stop()
        clock.stop()

    clock = made(world, UTC, waiter=stopped_meanwhile)
    assert clock.wait_until(1000.0) is False
    assert clock.wait_until(50.0) is False
    assert world.waits == [900.0]
    clock.close()


def test_a_signal_ends_the_real_wait_at_once() -> None:
    # The signal arrives inside the wait, before the pipe is listened to; the wait is an hour long.
    def wait(seconds: float) -> None:
        signal.raise_signal(signal.SIGUSR1)
        clock.wait_for_wake(seconds)

    clock = BoardClock(UTC, waiter=wait)
    before = signal.signal(signal.SIGUSR1, lambda number, frame: clock.stop())
    try:
        began_s = time.monotonic()
        assert clock.wait_until(began_s + 3000.0) is False
        assert time.monotonic() - began_s < 60.0
    finally:
        signal.signal(signal.SIGUSR1, before)
        clock.close()


def test_closed_twice_and_stopped_after(world: World) -> None:
    world.clock.close()
    world.clock.close()
    world.clock.stop()
    assert world.clock.wait_until(1000.0) is False
    assert world.clock.now().mono_s == 100.0


def test_the_real_sources() -> None:
    clock = BoardClock()
    first, second = clock.now(), clock.now()
    clock.close()
    assert second.mono_s >= first.mono_s
    assert first.wall.utcoffset() is not None
    assert abs((first.wall - datetime.now(UTC)).total_seconds()) < 60.0
    assert first.boot == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
