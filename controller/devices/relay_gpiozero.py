"""The relay's line through gpiozero and lgpio, on the boards that gpiozero knows.

In:    the relay's settings.
Out:   one line, claimed once, as an output that starts at its off level.
Never: lets gpiozero choose a back end. Its fallback chain ends in one that pokes registers,
       owns no line and excludes nobody; here it is lgpio on the named chip, or a RelayError.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from controller.devices.relay_line import LineRelay
from controller.devices.settings import RelaySettings


class GpiozeroRelay(LineRelay):
    """``LineRelay`` on a pin of gpiozero's. Raises RelayError."""

    def __init__(self, settings: RelaySettings, before_claim: Callable[[], None] = lambda: None) -> None:
        super().__init__(settings, open_line, before_claim)


class _GpiozeroLine:
    """Electrical levels: the device is told that high is active whatever the relay board wants."""

    def __init__(self, device: Any, factory: Any) -> None:
        self._device = device
        self._factory = factory

    def rest_at(self, level: int) -> None:
        self._device.pin.output_with_state(level)

    def drive(self, level: int) -> None:
        self._device.value = level

    def level(self) -> int:
        return int(self._device.value)

    def release(self) -> None:
        try:
            with suppress(Exception):
                self._device.close()
        finally:
            self._factory.release()


def open_line(settings: RelaySettings, before_claim: Callable[[], None]) -> _GpiozeroLine:
    """Raises whatever gpiozero and lgpio raise."""
    _give_lgpio_a_folder()
    from gpiozero import OutputDevice

    from controller.devices.relay_pins import StayingFactory

    factory = StayingFactory(settings.chip)
    try:
        factory.board_info  # noqa: B018 - read now, because an unknown board must not cost the early off
        before_claim()
        device = OutputDevice(settings.pin, initial_value=bool(settings.off_level), pin_factory=factory)
    except BaseException:
        factory.release()
        raise
    return _GpiozeroLine(device, factory)


def _give_lgpio_a_folder() -> None:
    """At import lgpio makes a FIFO in the working directory, and fails where it may not."""
    if "LG_WD" not in os.environ and not os.access(".", os.W_OK):
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or tempfile.gettempdir()
