"""What is wrong, or unwise, about the relay's line, in words that say what to do.

In:    the relay's settings, an error of gpiozero, lgpio, libgpiod or the kernel.
Out:   sentences.
Never: claims a line or imports a library of the line; kinds of error are told by their names.
"""

from __future__ import annotations

import errno
import os
from importlib.util import find_spec
from pathlib import Path

from controller import force_off
from controller.devices.settings import RelaySettings

DEV = Path("/dev")
_PACKAGES = {"gpiozero": ("gpiozero", "lgpio"), "libgpiod": ("gpiod",)}
_INSTALL = {
    "gpiozero": "install it with: pip install '.[board]' in the program's folder (from Python 3.13 on: "
    "apt install python3-lgpio, and a venv made with --system-site-packages)",
    "libgpiod": "install it with: pip install '.[libgpiod]' in the program's folder (the package gpiod, from "
    "version 2.1 on)",
}
_PULLED_UP_TO_PIN = 8  # BCM2835 ARM Peripherals, alternate function table: GPIO0-8 reset to pull-up


def line_words(settings: RelaySettings) -> str:
    pin = f"GPIO{settings.pin}" if settings.kind == "gpiozero" else str(settings.pin)
    return f"the relay's line {pin} on gpiochip{settings.chip}"


def caution(settings: RelaySettings) -> str:
    """The wiring and pin choices that can switch the humidifier on without being told to; "" when none."""
    if settings.kind == "simulated":
        return ""
    if not settings.active_high:
        return (
            f"{line_words(settings)} switches on when low: the humidifier can be on while no program drives "
            "the line, from power-on until the start and after a crash. Better: a relay board that switches "
            "on at a high line, with a pull-down resistor, and active_high = true."
        )
    if settings.kind == "gpiozero" and settings.pin <= _PULLED_UP_TO_PIN:
        return (
            f"{line_words(settings)} is pulled up from power-on until this program starts, which can switch "
            "the humidifier on. Better: a pin from 9 to 27, with a pull-down resistor."
        )
    return ""


def relay_reachable(settings: RelaySettings) -> str:
    """What is missing, in words, without claiming the line; "" when nothing is seen to be."""
    if settings.kind == "simulated":
        return ""
    missing = [package for package in _PACKAGES[settings.kind] if not _installed(package)]
    if missing:
        return f"{line_words(settings)}: {' and '.join(missing)} not installed; {_INSTALL[settings.kind]}"
    return _chip_trouble(settings) or _line_trouble(settings)


def in_words(error: Exception, settings: RelaySettings) -> str:
    """What a library's error means, and what to do."""
    line = line_words(settings)
    kinds = {kind.__name__ for kind in type(error).__mro__}
    said = str(error).strip("'\"") or type(error).__name__
    number = error.errno if isinstance(error, OSError) else None
    if kinds & {"BadPinFactory", "PinUnknownPi"}:
        return (
            f"{line}: gpiozero does not know this board ({said}); it knows the Raspberry Pi family only. "
            'Any other: kind = "libgpiod", with chip and pin as the kernel numbers them'
        )
    if "ImportError" in kinds or ("AttributeError" in kinds and "no attribute" in said):
        packages = " and ".join(_PACKAGES.get(settings.kind, ()))
        return f"{line}: {packages} cannot be loaded ({said}); {_INSTALL.get(settings.kind, '')}"
    if number == errno.EBUSY or "GPIOPinInUse" in kinds or "busy" in said.lower():
        return _busy(settings, said)
    if "PinInvalidPin" in kinds or "line offset" in said or said == "bad GPIO number":
        return f"{line}: this board has no such pin ({said}); {_which_number(settings)}"
    if kinds & {"DeviceClosed", "RequestReleasedError", "ChipClosedError"}:
        return f"{line}: it is closed already"
    if "open gpiochip" in said or number in (errno.ENOENT, errno.EACCES, errno.EPERM):
        return _chip_trouble(settings) or f"{line}: {said}; does another program or a sandbox keep it away?"
    if number == errno.ENODEV or not _node(settings).exists():
        return (
            f"{line} has gone away while it was in use ({said}): its chip is no longer there. Unplug the "
            "humidifier, and look at the board's log (dmesg) and at an expander's cable"
        )
    return _line_trouble(settings) or (
        f"{line} cannot be driven: {said} ({type(error).__name__}); look at the relay's wiring and settings"
    )


def _busy(settings: RelaySettings, said: str) -> str:
    """The kernel tells the name that a program gave itself when it took the line: lgpio's is "lg"."""
    try:
        used, name = force_off.line_info(str(_node(settings)), settings.pin)
    except OSError:
        used, name = False, ""
    by = f' by "{name}"' if used and name else ""
    return (
        f"{line_words(settings)} is in use{by} ({said}); stop the other program that holds it, "
        "or choose another pin"
    )


def _node(settings: RelaySettings) -> Path:
    return DEV / f"gpiochip{settings.chip}"


def _which_number(settings: RelaySettings) -> str:
    if settings.kind == "gpiozero":
        return "set pin to the GPIO number, not its place"
    return "set pin to the kernel's number of the line on that chip, not its place on the header"


def _installed(package: str) -> bool:
    try:
        return find_spec(package) is not None
    except (ImportError, ValueError):
        return False


def _chip_trouble(settings: RelaySettings) -> str:
    node = _node(settings)
    if not node.exists():
        there = ", ".join(sorted(path.name for path in DEV.glob("gpiochip*"))) or "none"
        return f"{line_words(settings)}: there is no {node} (there: {there}); set chip to the pin's own chip"
    if not os.access(node, os.R_OK | os.W_OK):
        return (
            f"{line_words(settings)}: this user may not use {node}; add it to the group that owns it "
            "(group gpio on Raspberry Pi OS: sudo usermod -aG gpio USER, then log in again)"
        )
    return ""


def _line_trouble(settings: RelaySettings) -> str:
    """Does the chip have the line? Anything else the kernel answers is nobody's trouble here."""
    try:
        force_off.line_info(str(_node(settings)), settings.pin)
    except OSError as error:
        if error.errno == errno.EINVAL:  # gpio.h: the answer to an offset that the chip does not have
            return f"{line_words(settings)}: the chip has no such line; {_which_number(settings)}"
    return ""
