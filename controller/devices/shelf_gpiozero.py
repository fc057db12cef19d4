"""Button, lamps and hand contact through gpiozero and lgpio, on the boards that gpiozero knows.

In:    the relay's settings (kind and chip) and the shelf's.
Out:   pins: lamps claimed once at their off level, inputs with the chip's own pull.
Never: touches the relay's line or the handle that holds it; asks gpiozero to debounce or to call back.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from controller.devices.settings import RelaySettings
from controller.devices.settings_shelf import ShelfSettings


class GpiozeroShelf:
    """Implements ``shelf.ShelfPins``."""

    doorbell: int | None = (
        None  # lgpio tells of edges in threads of its own; looking is one thing less to hang
    )

    def __init__(self, factory: Any) -> None:
        self.factory = factory
        self.lamps: dict[str, Any] = {}
        self.button: Any = None
        self.contact: Any = None

    def pressed(self) -> bool:
        return self.button is not None and bool(self.button.value)

    def at_hand(self) -> bool:
        return self.contact is not None and bool(self.contact.value)

    def light(self, lamp: str, lit: bool) -> None:
        self.lamps[lamp].value = lit

    def hear(self) -> None:
        """Nothing rings here."""

    def close(self) -> None:
        """Each device by itself: a lamp that fails keeps no other lit."""
        for lamp in self.lamps.values():
            with suppress(Exception):
                lamp.off()
        for device in (*self.lamps.values(), self.button, self.contact):
            if device is not None:
                with suppress(Exception):
                    device.close()
        self.factory.release()


def open_shelf(relay: RelaySettings, settings: ShelfSettings) -> GpiozeroShelf:
    """Raises whatever gpiozero and lgpio raise.

    The chip is opened a second time: letting go of the relay's own handle would let go of the relay. The
    relay comes first in a program, so lgpio has been given its folder already.
    """
    from gpiozero import InputDevice, OutputDevice
    from gpiozero.pins.lgpio import LGPIOPin

    from controller.devices.relay_pins import StayingFactory

    pins = GpiozeroShelf(StayingFactory(relay.chip))
    try:
        for name, pin in settings.lamps.items():
            pins.lamps[name] = OutputDevice(
                pin, active_high=settings.lamps_active_high, initial_value=False, pin_factory=pins.factory
            )
        pins.factory.pin_class = LGPIOPin  # what comes now is an input
        if settings.button_pin is not None:
            pins.button = InputDevice(
                settings.button_pin, pull_up=settings.button_pull == "up", pin_factory=pins.factory
            )
        if settings.hand_pin is not None:
            pins.contact = InputDevice(settings.hand_pin, pull_up=True, pin_factory=pins.factory)
    except BaseException:
        pins.close()
        raise
    return pins
