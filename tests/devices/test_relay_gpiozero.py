"""The relay's line on gpiozero's mock pins, and every error that can come out of the libraries."""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero import Device, exc
from gpiozero.pins.mock import MockFactory

from controller.devices import relay_gpiozero
from controller.devices.relay_gpiozero import GpiozeroRelay, relay_reachable
from controller.devices.settings import RelaySettings
from controller.errors import RelayError

BOARD = RelaySettings(kind="gpiozero")
LOW_ON = RelaySettings(kind="gpiozero", active_high=False)


@pytest.fixture
def pins() -> Iterator[Any]:
    factory = MockFactory()
    yield factory
    factory.close()
    assert Device.pin_factory is None  # nothing went through the default


def levels(pins: Any, pin: int = 17) -> list[bool]:
    """Every level the pin ever had. Compared as a whole: the mock's own check stops at the shorter list."""
    return [bool(state.state) for state in pins.pin(pin).states]


def test_off_when_made_on_off_and_off_when_closed(pins: Any) -> None:
    relay = GpiozeroRelay(BOARD, factory=pins)
    assert pins.pin(17).function == "output"
    assert levels(pins) == [False]
    assert relay.seen_on() is False
    relay.switch(True)
    assert relay.seen_on() is True
    relay.switch(True)
    relay.switch(False)
    assert relay.seen_on() is False
    relay.switch(True)
    relay.close()
    assert levels(pins) == [False, True, False, True, False]
    assert pins.pin(17).function == "input"


def test_low_line_switches_on(pins: Any) -> None:
    relay = GpiozeroRelay(LOW_ON, factory=pins)
    assert pins.pin(17).state is True
    assert relay.seen_on() is False
    relay.switch(True)
    assert pins.pin(17).state is False
    assert relay.seen_on() is True
    relay.close()
    assert levels(pins) == [False, True, False, True]


def test_close_twice_is_fine_and_nothing_works_after(pins: Any) -> None:
    relay = GpiozeroRelay(BOARD, factory=pins)
    relay.close()
    relay.close()
    assert relay.seen_on() is None
    with pytest.raises(RelayError, match="closed already"):
        relay.switch(True)
    assert levels(pins) == [False]


def test_the_line_is_free_after_close(pins: Any) -> None:
    GpiozeroRelay(BOARD, factory=pins).close()
    GpiozeroRelay(BOARD, factory=pins).close()


def test_off_at_an_exit_that_forgot_to_close(pins: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    hooks: list[Any] = []
    monkeypatch.setattr(atexit, "register", hooks.append)
    monkeypatch.setattr(atexit, "unregister", hooks.remove)
    relay = GpiozeroRelay(BOARD, factory=pins)
    relay.switch(True)
    (hook,) = hooks
    hook()
    assert levels(pins) == [False, True, False]
    assert hooks == []


def test_a_line_in_use_is_said(pins: Any) -> None:
    relay = GpiozeroRelay(BOARD, factory=pins)
    with pytest.raises(RelayError, match=r"GPIO17 on gpiochip0 is in use.*stop the other program"):
        GpiozeroRelay(BOARD, factory=pins)
    relay.close()


class LgpioError(Exception):
    """lgpio's own error is a plain Exception that says its text in quotes."""

    def __str__(self) -> str:
        return repr(self.args[0])


TROUBLES = pytest.mark.parametrize(
    ("error", "words"),
    [
        (LgpioError("GPIO busy"), "in use .GPIO busy."),
        (LgpioError("bad GPIO write"), "cannot be driven: bad GPIO write"),
        (exc.PinUnknownPi("unknown revision"), "does not know this board"),
        (exc.BadPinFactory("none"), "does not know this board"),
        (exc.PinInvalidPin("99 is not a pin"), "no such pin"),
        (exc.PinSetInput("cannot set state of pin"), "cannot be driven"),
        (exc.GPIODeviceClosed("closed"), "closed already"),
        (ModuleNotFoundError("No module named 'lgpio'"), r"pip install 'hygrohold\[board\]'"),
        (AttributeError("module 'lgpio' has no attribute 'SET_BIAS_DISABLE'"), "pip install"),
        (OSError(5, "Input/output error"), "cannot be driven: .*Input/output error"),
        (RuntimeError(), "cannot be driven: RuntimeError"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)


def failing(error: Exception) -> Any:
    def fail(*args: object, **named: object) -> None:
        raise error

    return fail


@TROUBLES
def test_any_error_at_the_start_is_a_relay_error(
    pins: Any, monkeypatch: pytest.MonkeyPatch, error: Exception, words: str
) -> None:
    monkeypatch.setattr(pins, "pin", failing(error))
    with pytest.raises(RelayError, match=words):
        GpiozeroRelay(BOARD, factory=pins)


@TROUBLES
def test_any_error_while_driving_is_a_relay_error(
    pins: Any, monkeypatch: pytest.MonkeyPatch, error: Exception, words: str
) -> None:
    relay = GpiozeroRelay(BOARD, factory=pins)
    pin_class = type(pins.pin(17))
    with monkeypatch.context() as patch:
        patch.setattr(pin_class, "_set_state", failing(error))
        patch.setattr(pin_class, "_get_state", failing(error))
        for on in (True, False):
            with pytest.raises(RelayError, match=words):
                relay.switch(on)
        assert relay.seen_on() is None
        with pytest.raises(RelayError, match=words):
            relay.close()
    assert pins.pin(17).function == "input"  # let go of although off could not be driven
    relay.close()


def test_without_the_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero", None)  # makes the import fail
    with pytest.raises(RelayError, match=r"cannot be loaded.*pip install 'hygrohold\[board\]'"):
        GpiozeroRelay(BOARD)


def test_reachable_says_what_is_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(relay_gpiozero, "find_spec", lambda name: None)
    assert "gpiozero and lgpio not installed; install it with: pip" in relay_reachable(BOARD, tmp_path)
    monkeypatch.setattr(relay_gpiozero, "find_spec", lambda name: None if name == "lgpio" else object())
    assert ": lgpio not installed" in relay_reachable(BOARD, tmp_path)
    monkeypatch.setattr(relay_gpiozero, "find_spec", lambda name: object())
    assert f"there is no {tmp_path}/gpiochip0 (there: none)" in relay_reachable(BOARD, tmp_path)
    (tmp_path / "gpiochip4").touch()
    assert "(there: gpiochip4)" in relay_reachable(BOARD, tmp_path)
    (tmp_path / "gpiochip0").touch()
    assert relay_reachable(BOARD, tmp_path) == ""
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "group that owns it" in relay_reachable(BOARD, tmp_path)


def test_a_package_with_a_broken_entry_counts_as_missing(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(name: str) -> object:
        raise ValueError("__spec__ is None")

    monkeypatch.setattr(relay_gpiozero, "find_spec", broken)
    assert "not installed" in relay_reachable(BOARD, tmp_path)


def test_a_simulated_relay_needs_nothing(tmp_path: Path) -> None:
    assert relay_reachable(RelaySettings(), tmp_path / "none") == ""
    assert relay_gpiozero.caution(RelaySettings(active_high=False)) == ""


def test_cautions(pins: Any) -> None:
    def caution(**settings: Any) -> str:
        relay = GpiozeroRelay(RelaySettings(kind="gpiozero", **settings), factory=pins)
        relay.close()
        return relay.caution

    assert caution() == ""
    assert caution(pin=9) == ""
    assert "on-pulse at every start" in caution(active_high=False)
    # BCM2835 ARM Peripherals (Broadcom 2012), table 6-31: GPIO0-8 are pulled high at reset, 9-27 low.
    assert "pulled up from power-on" in caution(pin=8)
