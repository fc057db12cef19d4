"""Every error that can come out of the libraries, and what a keeper is told before the line is touched."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from gpiozero import exc

from controller.devices import relay_words
from controller.devices.relay_words import caution, in_words, relay_reachable
from controller.devices.settings import RelaySettings
from tests.devices.fake_lines import Kernel, LgpioError, RequestReleasedError

BOARD = RelaySettings(kind="gpiozero")
OTHER = RelaySettings(kind="libgpiod", pin=411)


@pytest.fixture
def dev(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    kernel = Kernel(tmp_path, lines=500)
    monkeypatch.setattr(relay_words, "DEV", tmp_path)
    monkeypatch.setattr(relay_words.force_off, "line_info", kernel.line_info)
    return tmp_path


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (LgpioError("GPIO busy"), "in use .GPIO busy."),
        (LgpioError("bad GPIO write"), "cannot be driven: bad GPIO write"),
        (LgpioError("bad GPIO number"), "no such pin"),
        (exc.GPIOPinInUse("pin GPIO17 is already in use"), "in use"),
        (exc.PinUnknownPi("unknown revision"), 'does not know this board.*kind = "libgpiod"'),
        (exc.BadPinFactory("none"), "does not know this board"),
        (exc.PinInvalidPin("99 is not a pin"), "no such pin"),
        (exc.PinSetInput("cannot set state of pin"), "cannot be driven"),
        (exc.GPIODeviceClosed("closed"), "closed already"),
        (ModuleNotFoundError("No module named 'lgpio'"), r"pip install '\.\[board\]'"),
        (AttributeError("module 'lgpio' has no attribute 'SET_BIAS_DISABLE'"), "pip install"),
        (OSError(errno.EIO, "Input/output error"), "cannot be driven: .*Input/output error"),
        (FileNotFoundError(errno.ENOENT, "No such file", ".lgd-nfy-3"), "lgd-nfy.*a sandbox"),
        (RuntimeError(), "cannot be driven: RuntimeError"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_gpiozero_and_lgpio(dev: Path, error: Exception, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(in_words(error, BOARD))


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.EBUSY, "Device or resource busy"), "line 411 on gpiochip0 is in use"),
        (OSError(errno.ENODEV, "No such device"), "gone away.*expander"),
        (ValueError("line offset of out range"), "no such pin.*kernel's number"),
        (RequestReleasedError("GPIO lines have been released"), "closed already"),
        (ModuleNotFoundError("No module named 'gpiod'"), r"pip install '\.\[libgpiod\]'"),
        # libgpiod 1 is one module, not a package
        (
            ModuleNotFoundError("No module named 'gpiod.line'; 'gpiod' is not a package"),
            "from version 2.1 on",
        ),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_libgpiod(dev: Path, error: Exception, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(in_words(error, OTHER))


def test_busy_where_the_kernel_does_not_tell(dev: Path) -> None:
    (dev / "gpiochip0").unlink()
    assert "is in use (GPIO busy)" in in_words(LgpioError("GPIO busy"), BOARD)


def test_reachable_says_what_is_missing(monkeypatch: pytest.MonkeyPatch, dev: Path) -> None:
    (dev / "gpiochip0").unlink()
    monkeypatch.setattr(relay_words, "find_spec", lambda name: None)
    assert "gpiozero and lgpio not installed; install it with: pip" in relay_reachable(BOARD)
    assert ": gpiod not installed" in relay_reachable(OTHER)
    monkeypatch.setattr(relay_words, "find_spec", lambda name: None if name == "lgpio" else object())
    assert ": lgpio not installed" in relay_reachable(BOARD)
    monkeypatch.setattr(relay_words, "find_spec", lambda name: object())
    assert f"there is no {dev}/gpiochip0 (there: none)" in relay_reachable(BOARD)
    (dev / "gpiochip4").touch()
    assert "(there: gpiochip4)" in relay_reachable(OTHER)
    (dev / "gpiochip0").touch()
    assert relay_reachable(BOARD) == relay_reachable(OTHER) == ""
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "group that owns it" in relay_reachable(BOARD)


def test_reachable_asks_the_kernel_for_the_line(monkeypatch: pytest.MonkeyPatch, dev: Path) -> None:
    monkeypatch.setattr(relay_words, "find_spec", lambda name: object())
    trouble = relay_reachable(RelaySettings(kind="libgpiod", pin=500))
    assert "line 500 on gpiochip0: the chip has no such line; set pin to the kernel's number" in trouble

    def refused(chip: str, line: int) -> tuple[bool, str]:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(relay_words.force_off, "line_info", refused)
    assert relay_reachable(BOARD) == ""  # that the kernel will not tell is no trouble with the line


def test_a_package_with_a_broken_entry_counts_as_missing(monkeypatch: pytest.MonkeyPatch, dev: Path) -> None:
    def broken(name: str) -> object:
        raise ValueError("__spec__ is None")

    monkeypatch.setattr(relay_words, "find_spec", broken)
    assert "not installed" in relay_reachable(BOARD)


def test_a_simulated_relay_needs_nothing() -> None:
    assert relay_reachable(RelaySettings()) == ""
    assert caution(RelaySettings(active_high=False)) == ""


def test_cautions() -> None:
    assert caution(BOARD) == ""
    assert caution(RelaySettings(kind="gpiozero", pin=9)) == ""
    assert caution(RelaySettings(kind="libgpiod", pin=3)) == ""  # pulls are the board's own there
    for kind in ("gpiozero", "libgpiod"):
        assert "can be on while no program" in caution(RelaySettings(kind=kind, active_high=False))
    # BCM2835 ARM Peripherals (Broadcom 2012), table 6-31: GPIO0-8 are pulled high at reset, 9-27 low.
    assert "pulled up from power-on" in caution(RelaySettings(kind="gpiozero", pin=8))
