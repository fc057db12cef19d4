"""The relay's line through libgpiod's own Python bindings, on any board with a GPIO character device.

In:    the relay's settings.
Out:   one line, requested once, as an output that starts at its off level.
Never: asks the board what it is; ``chip`` and ``pin`` are the kernel's own numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.devices.relay_line import LineRelay
from controller.devices.settings import RelaySettings

CONSUMER = "hygrohold"
"""What the kernel tells others who find the line in use."""


class LibgpiodRelay(LineRelay):
    """``LineRelay`` on a line of a GPIO chip. Raises RelayError."""

    def __init__(self, settings: RelaySettings, before_claim: Callable[[], None] = lambda: None) -> None:
        super().__init__(settings, open_line, before_claim)


class _LibgpiodLine:
    """Electrical levels: the request leaves active_low alone, so that active is high."""

    def __init__(self, request: Any, line: int, value: Any) -> None:
        self._request = request
        self._line = line
        self._value = value  # the library's enumeration; the library may be absent when this file is read

    def rest_at(self, level: int) -> None:
        self.drive(level)  # the library never closes a request by itself while it is referred to

    def drive(self, level: int) -> None:
        self._request.set_value(self._line, self._value(level))

    def level(self) -> int:
        return 1 if self._request.get_value(self._line) == self._value.ACTIVE else 0

    def release(self) -> None:
        self._request.release()


def open_line(settings: RelaySettings, before_claim: Callable[[], None]) -> _LibgpiodLine:
    """Raises whatever the bindings raise: OSError, ValueError, ImportError."""
    import gpiod
    from gpiod.line import Direction, Value

    chip = gpiod.Chip(settings.device)
    try:
        off = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value(settings.off_level))
        chip.line_offset_from_id(settings.pin)  # a line that is not there must not cost the early off
        before_claim()
        request = chip.request_lines({settings.pin: off}, consumer=CONSUMER)
    finally:
        chip.close()  # the request holds the line by a descriptor of its own
    return _LibgpiodLine(request, settings.pin, Value)
