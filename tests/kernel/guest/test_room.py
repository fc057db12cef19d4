"""``hygrohold run`` whole, with a relay and a probe of the kernel's: on when dry, off at every end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.kernel.guest.children import PIN
from tests.kernel.guest.gpio_trace import Trace
from tests.kernel.guest.programs import ROOT, Program, Programs, force_off
from tests.kernel.guest.room import DAMP, DRY, PROBE, Room
from tests.kernel.guest.simulated_board import Board, KeepingChip, wait_until
from tests.kernel.guest.stub_bus import Sht21, StubBus

MARKS = Path(__file__).with_name("marks")


@pytest.fixture(scope="module")
def probe(bus: StubBus) -> Iterator[StubBus]:
    Sht21.show(bus, PROBE, DRY, 24.0)
    bus.create("sht21", PROBE)
    yield bus
    bus.delete(PROBE)


@pytest.fixture
def dry(probe: StubBus) -> StubBus:
    Sht21.show(probe, PROBE, DRY, 24.0)
    return probe


@pytest.fixture
def room(tmp_path: Path, board: Board, dry: StubBus, kind: str, active_high: bool) -> Room:
    board.pull(PIN, 0 if active_high else 1)  # the resistor that the hardware notes ask for
    return Room(tmp_path, board, dry, kind, active_high)


def misting(room: Room, rooms: Programs, board: Board, on: int) -> Program:
    program = room.start(rooms)
    _wait_for_mist(program, board, on)
    return program


def _wait_for_mist(program: Program, board: Board, on: int) -> None:
    program.says("Looking every")
    wait_until(lambda: board.level(PIN) == on, f"the relay to go on; said:\n{program.output}", 60.0)


def test_no_pulse_then_on_then_off_at_the_end(
    room: Room, rooms: Programs, board: Board, trace: Trace, active_high: bool
) -> None:
    off, on = (0, 1) if active_high else (1, 0)
    trace.clear()
    program = misting(room, rooms, board, on)
    levels = trace.driven()
    first_on = levels.index(on)
    assert first_on > 0, "it is driven off before it is ever driven on"
    said = json.loads((room.state / "relay-line.json").read_text())
    assert said == {"chip": board.device, "line": PIN, "off_level": off}
    assert json.loads((room.runtime / "relay-line.json").read_text()) == said

    program.send(signal.SIGTERM)
    assert program.end() == 0, program.output
    assert "the relay is off" in program.output
    assert trace.driven()[-1] == off
    assert not board.seen(PIN).used
    assert board.level(PIN) == off


def test_off_after_an_error_that_nothing_expects(
    room: Room, rooms: Programs, board: Board, trace: Trace, active_high: bool
) -> None:
    off, on = (0, 1) if active_high else (1, 0)
    program = rooms.start("run_and_break", "4", *room.words[1:], **room.environment)
    _wait_for_mist(program, board, on)
    assert program.end() == 1
    assert trace.driven()[-1] == off
    assert board.level(PIN) == off


SIGNALS = (signal.SIGINT, signal.SIGHUP)


@pytest.mark.parametrize("number", SIGNALS)
def test_off_at_the_other_signals(
    room: Room, rooms: Programs, board: Board, trace: Trace, active_high: bool, number: signal.Signals
) -> None:
    off, on = (0, 1) if active_high else (1, 0)
    program = misting(room, rooms, board, on)
    program.send(number)
    assert program.end() == 0, program.output
    assert trace.driven()[-1] == off
    assert board.level(PIN) == off


@pytest.mark.parametrize(("kind", "active_high"), [("gpiozero", True)])  # the room is what is tested here
def test_off_when_the_room_is_damp_and_when_the_probe_is_gone(
    room: Room, rooms: Programs, board: Board, dry: StubBus
) -> None:
    program = misting(room, rooms, board, 1)
    Sht21.show(dry, PROBE, DAMP, 24.0)
    wait_until(lambda: board.level(PIN) == 0, "off in damp air")
    Sht21.show(dry, PROBE, DRY, 24.0)
    wait_until(lambda: board.level(PIN) == 1, "on in dry air")
    driver = dry.unbind(PROBE)
    wait_until(lambda: board.level(PIN) == 0, "off without a probe")
    dry.bind(PROBE, driver)
    wait_until(lambda: board.level(PIN) == 1, "on when the probe is back")
    Sht21.set(dry, PROBE, 0xFFFF, 0xFFFF)
    wait_until(lambda: board.level(PIN) == 0, "off with a bus that is all ones")
    program.send(signal.SIGTERM)
    assert program.end() == 0, program.output


@pytest.mark.parametrize("active_high", [True])
def test_a_chip_that_vanishes_ends_the_program_with_words(
    tmp_path: Path, other_board: Board, dry: StubBus, rooms: Programs, kind: str, active_high: bool
) -> None:
    room = Room(tmp_path, other_board, dry, kind, active_high)
    program = misting(room, rooms, other_board, 1)
    other_board.vanish()
    assert program.end() == 1, program.output
    assert f"gpiochip{other_board.number} has gone away" in program.output
    assert "Unplug the humidifier" in program.output
    assert "Traceback" not in program.output


@pytest.fixture
def left_on(tmp_path: Path, keeping_chip: KeepingChip, dry: StubBus, rooms: Programs, kind: str) -> Room:
    """A room whose program was killed while it misted, on a chip that keeps: the relay is on.

    That was its first start, without a line file: ``offs_at_first_start`` is how often it drove off.
    """
    room = Room(tmp_path, keeping_chip, dry, kind, True)
    trace = Trace(keeping_chip.first_number() + PIN)
    program = room.start(rooms)
    wait_until(lambda: 1 in trace.driven(), "the relay to go on", 60.0)
    room.offs_at_first_start = trace.driven().index(1)
    program.kill()
    assert keeping_chip.level(PIN) == 1
    return room


def test_a_killed_program_s_line_file_serves_to_drive_off(left_on: Room, keeping_chip: KeepingChip) -> None:
    """What a service manager does after a kill, with the file that the program itself left."""
    code, said = force_off(**left_on.environment)
    assert code == 0, said
    assert keeping_chip.level(PIN) == 0


def test_the_next_start_drives_off_first_and_hands_the_line_over(
    left_on: Room, keeping_chip: KeepingChip, rooms: Programs
) -> None:
    trace = Trace(keeping_chip.first_number() + PIN)
    program = left_on.start(rooms)
    wait_until(lambda: 1 in trace.driven(), "the relay to go on again", 60.0)
    assert trace.driven().index(1) == left_on.offs_at_first_start + 1, "the early off comes on top"
    program.send(signal.SIGTERM)
    assert program.end() == 0, program.output
    assert keeping_chip.level(PIN) == 0


@pytest.mark.parametrize("kind", ["gpiozero"])  # the early off is the same for both
def test_a_cold_start_is_off_before_anything_big_is_loaded(
    tmp_path: Path, left_on: Room, keeping_chip: KeepingChip, fact: Callable[[str], None]
) -> None:
    """The real command from nothing, on a line that is on; ended as soon as it asks for a big library."""
    trace = Trace(keeping_chip.first_number() + PIN)
    cold = subprocess.Popen(
        [sys.executable, "-m", "controller", *left_on.words[1:]],
        env={**os.environ, **left_on.environment, "PYTHONPATH": f"{MARKS}:{ROOT}"},
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        wait_until(lambda: "import pydantic" in [event.detail for event in trace.events()], "it", 120.0)
    finally:
        cold.kill()
        said, _ = cold.communicate(timeout=60)
    events = [event for event in trace.events() if event.what in ("mark", "set")]
    order = [(event.what, event.detail) for event in events]
    began, off, loaded = (
        order.index(found) for found in (("mark", "python"), ("set", "0"), ("mark", "import pydantic"))
    )
    assert began < off < loaded, (order, said)
    assert keeping_chip.level(PIN) == 0
    early_s, late_s = (events[place].at_s - events[began].at_s for place in (off, loaded))
    fact(f"cold start: off {early_s * 1e3:.0f} ms after Python's start, pydantic at {late_s * 1e3:.0f} ms")


@pytest.mark.parametrize("kind", ["libgpiod"])
@pytest.mark.parametrize("active_high", [False])
def test_without_a_commissioning_record_it_does_not_start(room: Room, rooms: Programs, trace: Trace) -> None:
    (room.state / "commissioned.json").unlink()
    trace.clear()
    program = room.start(rooms)
    assert program.end() != 0
    assert "has not been commissioned" in program.output
    assert 0 not in trace.driven()
