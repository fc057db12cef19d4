"""The line that switches the humidifier's outlet, through gpiozero and lgpio. The only file that knows them.

In:    the relay's settings, then on or off.
Out:   a level on one line, and what the line really is.
Never: lets gpiozero choose a back end. Its fallback chain ends in one that pokes registers,
       owns no line and excludes nobody; here it is lgpio on the named chip, or a RelayError.

What this file does not promise:

- **A board that switches on at a low line** (``active_high = false``) gets a short ON pulse at
  the start: the stock pin class claims the line low and raises it afterwards (gpiozero pull
  request 1177, not merged). It is not yet cured here; ``caution`` says so, show it.
- After ``close`` the line is an input without pull, it floats. SIGKILL, a frozen program and the
  time before the start are out of reach as well. What counts there is wiring: a board that
  switches on at a high line, with a pull-down resistor on the line.
"""

from __future__ import annotations

import atexit
import os
import tempfile
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from controller.devices.settings import RelaySettings
from controller.errors import RelayError

_INSTALL = (
    "install it with: pip install 'hygrohold[board]' (from Python 3.13 on: apt install python3-lgpio, "
    "and a venv made with --system-site-packages)"
)
_PULLED_UP_TO_PIN = 8  # BCM2835 ARM Peripherals, alternate function table: GPIO0-8 reset to pull-up


class GpiozeroRelay:
    """Off when made, off when closed, and off at an ordinary end of the program that forgot to close."""

    def __init__(self, settings: RelaySettings, *, factory: Any = None) -> None:
        """``factory`` is a gpiozero pin factory for tests; it stays the caller's to close."""
        self._settings = settings
        self._device: Any = None
        self._own_factory: Any = None
        try:
            from gpiozero import OutputDevice

            if factory is None:
                factory = self._own_factory = _lgpio_factory(settings.chip)
            self._device = OutputDevice(
                settings.pin, active_high=settings.active_high, initial_value=False, pin_factory=factory
            )
        except Exception as error:  # lgpio.error is a plain Exception, the rest is many unrelated kinds
            _quietly_close(self._own_factory)
            raise RelayError(_in_words(error, settings)) from error
        # gpiozero's own hook closes only devices of its default factory, and does not switch off first.
        atexit.register(self._at_exit)

    @property
    def caution(self) -> str:
        """What to warn the keeper of at the start; "" when nothing."""
        return caution(self._settings)

    def switch(self, on: bool) -> None:
        if self._device is None:
            raise RelayError(f"{_line(self._settings)}: it is closed already")
        try:
            if on:
                self._device.on()
            else:
                self._device.off()
        except Exception as error:
            raise RelayError(_in_words(error, self._settings)) from error

    def seen_on(self) -> bool | None:
        """The level of the line itself. Whether the contact follows cannot be seen from here."""
        try:
            return None if self._device is None else bool(self._device.value)
        except Exception:
            return None

    def close(self) -> None:
        """Off, then lets go. Raises RelayError, once everything is let go of, if off could not be driven."""
        device, self._device = self._device, None
        factory, self._own_factory = self._own_factory, None
        if device is None:
            return
        atexit.unregister(self._at_exit)
        try:
            device.off()
        except Exception as error:
            raise RelayError(_in_words(error, self._settings)) from error
        finally:
            _quietly_close(device)
            _quietly_close(factory)

    def _at_exit(self) -> None:
        with suppress(RelayError):
            self.close()


def caution(settings: RelaySettings) -> str:
    """The wiring and pin choices that can switch the humidifier on without being told to."""
    if settings.kind != "gpiozero":
        return ""
    if not settings.active_high:
        return (
            f"{_line(settings)} switches on when low: the humidifier gets a short on-pulse at every start, "
            "and stays on if the line is low while no program runs. Better: a relay board that switches on "
            "at a high line, with a pull-down resistor, and active_high = true."
        )
    if settings.pin <= _PULLED_UP_TO_PIN:
        return (
            f"{_line(settings)} is pulled up from power-on until this program starts, which can switch the "
            "humidifier on. Better: a pin from 9 to 27, with a pull-down resistor."
        )
    return ""


def relay_reachable(settings: RelaySettings, dev: Path = Path("/dev")) -> str:
    """What is missing, in words, without claiming the line; "" when nothing is seen to be."""
    if settings.kind != "gpiozero":
        return ""
    missing = [package for package in ("gpiozero", "lgpio") if not _installed(package)]
    if missing:
        return f"{_line(settings)}: {' and '.join(missing)} not installed; {_INSTALL}"
    return _chip_trouble(settings, dev)


def _installed(package: str) -> bool:
    try:
        return find_spec(package) is not None
    except (ImportError, ValueError):
        return False


def _chip_trouble(settings: RelaySettings, dev: Path) -> str:
    node = dev / f"gpiochip{settings.chip}"
    if not node.exists():
        there = ", ".join(sorted(path.name for path in dev.glob("gpiochip*"))) or "none"
        return f"{_line(settings)}: there is no {node} (there: {there}); set chip to the pin header's number"
    if not os.access(node, os.R_OK | os.W_OK):
        return (
            f"{_line(settings)}: this user may not use {node}; add it to the group that owns it "
            "(group gpio on Raspberry Pi OS: sudo usermod -aG gpio USER, then log in again)"
        )
    return ""


def _lgpio_factory(chip: int) -> Any:
    # At import lgpio makes a FIFO in the working directory, and fails where it may not.
    if "LG_WD" not in os.environ and not os.access(".", os.W_OK):
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or tempfile.gettempdir()
    from gpiozero.pins.lgpio import LGPIOFactory

    return LGPIOFactory(chip=chip)


def _line(settings: RelaySettings) -> str:
    return f"the relay's line GPIO{settings.pin} on gpiochip{settings.chip}"


def _quietly_close(thing: Any) -> None:
    """Lets go of what may be half broken already; whoever calls has an error of its own to tell."""
    if thing is not None:
        with suppress(Exception):
            thing.close()


def _in_words(error: Exception, settings: RelaySettings, dev: Path = Path("/dev")) -> str:
    """What a library's error means, and what to do. Kinds by name: the libraries may be absent."""
    line = _line(settings)
    kinds = {kind.__name__ for kind in type(error).__mro__}
    said = str(error).strip("'\"") or type(error).__name__
    if kinds & {"BadPinFactory", "PinUnknownPi"}:
        return f"{line}: gpiozero does not know this board ({said}); it knows the Raspberry Pi family only"
    if "ImportError" in kinds or ("AttributeError" in kinds and "no attribute" in said and "lgpio" in said):
        return f"{line}: gpiozero and lgpio cannot be loaded ({said}); {_INSTALL}"
    if "GPIOPinInUse" in kinds or "busy" in said.lower() or "already in use" in said.lower():
        return f"{line} is in use ({said}); stop the other program that holds it, or choose another pin"
    if "PinInvalidPin" in kinds:
        return f"{line}: this board has no such pin ({said}); set pin to the GPIO number, not its place"
    if "PermissionError" in kinds or "open gpiochip" in said:
        return (
            _chip_trouble(settings, dev) or f"{line}: {said}; does another program or a sandbox keep it away?"
        )
    if "DeviceClosed" in kinds:
        return f"{line}: it is closed already"
    return (
        f"{line} cannot be driven: {said} ({type(error).__name__}); look at the relay's wiring and settings"
    )
