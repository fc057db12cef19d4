"""The relay in a process of its own: real processes, a real SIGKILL, a line that is a file."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import get_args

import pytest

from controller.commissioning import hand as hands
from controller.commissioning import hand_child
from controller.commissioning.hand import DRIVERS, ProcessHand, Seen, run_force_off
from controller.devices.settings import RelaySettings
from controller.errors import RelayError
from controller.ports import Relay
from controller.simulator.world import SimulatedRelay
from tests.commission.file_relay import LINE, TROUBLE

DRIVER = "tests.commission.file_relay:FileRelay"
SETTINGS = RelaySettings(kind="libgpiod", pin=5)


def test_every_real_kind_has_a_driver() -> None:
    kinds = set(get_args(RelaySettings.model_fields["kind"].annotation)) - {"simulated"}
    assert set(DRIVERS) == kinds
    for driver in DRIVERS.values():
        module, _, name = driver.partition(":")
        __import__(module)
        assert callable(getattr(sys.modules[module], name))


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "line"
    monkeypatch.setenv(LINE, str(path))
    return path


@pytest.fixture
def make(line: Path) -> Iterator[Callable[..., ProcessHand]]:
    made: list[ProcessHand] = []

    def hand(active_high: bool = True, patience_s: float = 30.0) -> ProcessHand:
        settings = SETTINGS.model_copy(update={"active_high": active_high})
        made.append(ProcessHand(settings, DRIVER, patience_s))
        return made[-1]

    yield hand
    for one in made:
        one.kill()


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.process
@pytest.mark.parametrize("active_high", [True, False])
def test_off_on_off(make: Callable[..., ProcessHand], line: Path, active_high: bool) -> None:
    hand = make(active_high)
    off, on = ("0", "1") if active_high else ("1", "0")
    assert line.read_text() == off
    assert hand.switch(True) == Seen(True, True)
    assert line.read_text() == on
    assert hand.look() == Seen(True, True)
    assert hand.switch(False) == Seen(False, False)
    assert line.read_text() == off
    hand.close()
    hand.close()
    assert not alive(hand.pid)


@pytest.mark.process
def test_closing_it_while_on_drives_off(make: Callable[..., ProcessHand], line: Path) -> None:
    hand = make()
    hand.switch(True)
    hand.close()
    assert line.read_text() == "0"


@pytest.mark.process
def test_a_kill_leaves_the_line_as_it_was(make: Callable[..., ProcessHand], line: Path) -> None:
    """SIGKILL, so that nothing of its own end happens: what is left is the line's own affair."""
    hand = make()
    hand.switch(True)
    hand.kill()
    assert not alive(hand.pid)
    assert line.read_text() == "1"
    hand.close()  # nothing to do any more
    with pytest.raises(RelayError):
        hand.switch(True)


@pytest.mark.process
def test_it_hears_no_ctrl_c_of_ours(make: Callable[..., ProcessHand]) -> None:
    """Ctrl-C goes to a terminal's whole process group; this one is ours to close."""
    hand = make()
    assert os.getsid(hand.pid) == hand.pid
    hand.close()


@pytest.mark.process
def test_sigterm_drives_off(make: Callable[..., ProcessHand], line: Path) -> None:
    hand = make()
    hand.switch(True)
    os.kill(hand.pid, signal.SIGTERM)
    with pytest.raises(RelayError):
        hand.close()
    assert line.read_text() == "0"


@pytest.mark.process
def test_it_goes_off_when_whoever_asked_is_gone(line: Path, tmp_path: Path) -> None:
    """The command itself is killed: its end of the pipe closes."""
    import subprocess

    script = (
        "import sys, time\n"
        "from controller.commissioning.hand import ProcessHand\n"
        "from controller.devices.settings import RelaySettings\n"
        f"hand = ProcessHand(RelaySettings(kind='libgpiod'), '{DRIVER}')\n"
        "hand.switch(True)\n"
        "print(hand.pid, flush=True)\n"
        "time.sleep(600)\n"
    )
    root = str(Path(__file__).parents[2])
    parent = subprocess.Popen(
        [sys.executable, "-c", script],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": root},
    )
    assert parent.stdout is not None
    with parent.stdout:
        pid = int(parent.stdout.readline())
        assert line.read_text() == "1"
        parent.kill()
        parent.wait()
    until = time.monotonic() + 15
    while line.read_text() == "1" and time.monotonic() < until:
        time.sleep(0.05)
    assert line.read_text() == "0"
    while alive(pid) and time.monotonic() < until:
        time.sleep(0.05)
    assert not alive(pid)


@pytest.mark.process
@pytest.mark.parametrize(
    ("trouble", "words"),
    [("busy", "is in use"), ("dies", "without a word"), ("hangs", "not answered for 2 s")],
)
def test_a_relay_that_cannot_be_had(
    make: Callable[..., ProcessHand], monkeypatch: pytest.MonkeyPatch, trouble: str, words: str
) -> None:
    monkeypatch.setenv(TROUBLE, trouble)
    with pytest.raises(RelayError, match=words):
        make(patience_s=2.0 if trouble == "hangs" else 30.0)


@pytest.mark.process
@pytest.mark.parametrize(
    ("trouble", "words"),
    [("breaks", "no such level"), ("gone when on", "gone away"), ("dies when on", "without a word")],
)
def test_a_relay_that_fails_when_switched(
    make: Callable[..., ProcessHand], monkeypatch: pytest.MonkeyPatch, trouble: str, words: str
) -> None:
    monkeypatch.setenv(TROUBLE, trouble)
    hand = make()
    with pytest.raises(RelayError, match=words):
        hand.switch(True)
    with pytest.raises(RelayError):
        hand.look()
    with pytest.raises(RelayError):
        hand.close()


@pytest.mark.process
def test_a_process_that_does_not_end(
    make: Callable[..., ProcessHand], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TROUBLE, "stays")
    hand = make(patience_s=5.0)
    with pytest.raises(RelayError, match="did not end"):
        hand.close()
    assert not alive(hand.pid)


@pytest.mark.process
def test_a_mute_process_that_was_killed_has_driven_nothing_off(make: Callable[..., ProcessHand]) -> None:
    """Whoever closes it must hear that: only then the off step is run."""
    hand = make(patience_s=10.0)
    hand._patience_s = 0.5
    os.kill(hand.pid, signal.SIGSTOP)
    with pytest.raises(RelayError, match="has not answered"):
        hand.switch(True)
    assert not alive(hand.pid)
    with pytest.raises(RelayError, match="not known"):
        hand.close()


def test_a_python_that_cannot_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nonexistent/python")
    with pytest.raises(RelayError, match="could not be started"):
        ProcessHand(SETTINGS)
    done, words = run_force_off("/nonexistent")
    assert not done
    assert "could not be run" in words


@pytest.mark.process
def test_the_off_step_is_the_service_s_own(tmp_path: Path) -> None:
    done, words = run_force_off(str(tmp_path))
    assert not done, "where there is nothing to do, nothing was driven off"
    assert words.startswith("nothing to do: no line file")
    (tmp_path / hands.force_off.FILE).write_text('{"chip": "/dev/gpiochip99", "line": 5, "off_level": 0}')
    done, words = run_force_off(str(tmp_path))
    assert not done
    assert "NOT driven off" in words


class Wire:
    """The child's ends, in this process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.read_end, self.write_end = os.pipe()
        self._kept = os.dup(0)
        os.dup2(self.read_end, 0)

    def close(self) -> None:
        os.dup2(self._kept, 0)
        for end in (self._kept, self.read_end):
            os.close(end)


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Iterator[Wire]:
    made = Wire(monkeypatch)
    yield made
    made.close()


def test_the_child_obeys_to_the_end_of_its_input(
    wire: Wire, line: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.write(wire.write_end, b"on\nlook\nnonsense\noff\non\n")
    os.close(wire.write_end)
    before = signal.getsignal(signal.SIGTERM)
    assert hand_child.main([DRIVER, SETTINGS.model_dump_json()]) == 0
    signal.signal(signal.SIGTERM, before)
    said = capsys.readouterr().out.splitlines()
    assert [one.startswith('{"on": true') for one in said] == [False, True, True, True, False, True]
    assert line.read_text() == "0"


@pytest.mark.parametrize(
    ("trouble", "words"), [("busy", "is in use"), ("breaks", "ValueError: no such level")]
)
def test_the_child_tells_what_is_wrong(
    wire: Wire,
    line: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    trouble: str,
    words: str,
) -> None:
    monkeypatch.setenv(TROUBLE, trouble)
    os.write(wire.write_end, b"on\n")
    os.close(wire.write_end)
    before = signal.getsignal(signal.SIGTERM)
    assert hand_child.main([DRIVER, SETTINGS.model_dump_json()]) == 1
    signal.signal(signal.SIGTERM, before)
    assert words in capsys.readouterr().out.splitlines()[-1]


def test_the_child_does_not_stay_on_unasked(wire: Wire, capsys: pytest.CaptureFixture[str]) -> None:
    relay: Relay = SimulatedRelay()
    switched: list[bool] = []

    class Watched(SimulatedRelay):
        def switch(self, on: bool) -> None:
            switched.append(on)
            if switched == [True, False]:
                os.write(wire.write_end, b"look\n")
                os.close(wire.write_end)

    relay = Watched()
    os.write(wire.write_end, b"on\n")
    hand_child._obey(relay, 0.0)
    assert switched == [True, False]
    assert capsys.readouterr().out.splitlines()[-1].startswith('{"on": false')


def test_sigterm_is_an_ordinary_end() -> None:
    with pytest.raises(SystemExit):
        hand_child._end(15, None)
