"""What is wrong with the pins at the shelf, in words that say what to do.

In:    an error of gpiozero, lgpio, libgpiod or the kernel, and the settings.
Out:   a sentence that names the pin, where the kernel's book of lines tells which.
Never: claims a line.
"""

from __future__ import annotations

import errno

from controller import force_off
from controller.devices.settings import RelaySettings
from controller.devices.settings_shelf import ShelfSettings


def in_words(error: Exception, relay: RelaySettings, shelf: ShelfSettings) -> str:
    """To be called when none of the lines is held any more by this program."""
    for key, pin in shelf.pins.items():
        try:
            used, name = force_off.line_info(relay.device, pin)
        except OSError as trouble:
            if trouble.errno == errno.EINVAL:  # gpio.h: the answer to an offset that the chip does not have
                return f"{relay.device} has no line {pin}: shelf.{key} needs another"
            continue
        if used:
            by = f' by "{name}"' if name else ""
            return f"pin {pin} (shelf.{key}) is in use{by}: stop what holds it, or choose another pin"
    said = str(error).strip("'\"").rstrip(".") or type(error).__name__
    pins = ", ".join(f"{key} {pin}" for key, pin in shelf.pins.items())
    return f"{said} ({type(error).__name__}); pins, on {relay.device}: {pins}"
