"""Button, lamps and hand contact through libgpiod's Python bindings, on any board with a GPIO chip.

In:    the relay's settings (kind and chip) and the shelf's.
Out:   pins, all in one request: lamps at their off level, inputs with the chip's own pull where it has
       one. The kernel rings when the button's line moves, so that nobody need look while nothing does.
Never: touches the relay's line, which is a request of its own.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from controller.devices.relay_libgpiod import CONSUMER
from controller.devices.settings import RelaySettings
from controller.devices.settings_shelf import ShelfSettings


class LibgpiodShelf:
    """Implements ``shelf.ShelfPins``. Levels are logical: the request knows which are active low."""

    def __init__(self, request: Any, settings: ShelfSettings, value: Any, rings: bool) -> None:
        self._request = request
        self._settings = settings
        self._value = value  # the library's enumeration; the library may be absent when this file is read
        self.doorbell: int | None = request.fd if rings else None

    def pressed(self) -> bool:
        return self._active(self._settings.button_pin)

    def at_hand(self) -> bool:
        return self._active(self._settings.hand_pin)

    def light(self, lamp: str, lit: bool) -> None:
        level = self._value.ACTIVE if lit else self._value.INACTIVE
        self._request.set_value(self._settings.lamps[lamp], level)

    def hear(self) -> None:
        if self._request.wait_edge_events(0):
            self._request.read_edge_events()

    def close(self) -> None:
        for lamp in self._settings.lamps:
            with suppress(Exception):
                self.light(lamp, False)
        with suppress(Exception):
            self._request.release()

    def _active(self, pin: int | None) -> bool:
        return pin is not None and bool(self._request.get_value(pin) == self._value.ACTIVE)


def open_shelf(relay: RelaySettings, settings: ShelfSettings) -> LibgpiodShelf:
    """Raises whatever the bindings raise: OSError, ValueError, ImportError."""
    import gpiod
    from gpiod.line import Bias, Direction, Edge, Value

    up = settings.button_pull == "up"
    wanted: dict[Any, Any] = {
        pin: gpiod.LineSettings(
            direction=Direction.OUTPUT,
            active_low=not settings.lamps_active_high,
            output_value=Value.INACTIVE,
        )
        for pin in settings.lamps.values()
    }
    if settings.hand_pin is not None:
        wanted[settings.hand_pin] = gpiod.LineSettings(
            direction=Direction.INPUT, active_low=True, bias=Bias.PULL_UP
        )

    def with_button(edges: Any) -> Any:
        button: dict[Any, Any] = {}
        if settings.button_pin is not None:
            button[settings.button_pin] = gpiod.LineSettings(
                direction=Direction.INPUT,
                active_low=up,
                bias=Bias.PULL_UP if up else Bias.PULL_DOWN,
                edge_detection=edges,
            )
        return chip.request_lines({**wanted, **button}, consumer=CONSUMER)

    chip = gpiod.Chip(relay.device)
    try:
        if settings.button_pin is None:
            return LibgpiodShelf(with_button(Edge.NONE), settings, Value, rings=False)
        try:
            return LibgpiodShelf(with_button(Edge.BOTH), settings, Value, rings=True)
        except OSError:  # a chip without interrupts, such as many an expander; or the true error once more
            return LibgpiodShelf(with_button(Edge.NONE), settings, Value, rings=False)
    finally:
        chip.close()  # the request holds the lines by a descriptor of its own
