"""The settings of what hangs at the shelf: a push button, lamps, the contact of the hand/off/auto switch.

In:    values from the settings file or the environment.
Out:   a frozen, checked model; what is wrong between it and the relay's line.
Never: looks at the hardware. A pin that is not named is not fitted, and nothing is done with it.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from controller.core.limits import Limits
from controller.devices.settings import HIGHEST_PI_PIN, RelaySettings

Pin = Annotated[int, Field(ge=0, le=511)]
"""Counted like the relay's: gpiozero, 0 to 27; libgpiod, the line's number on the relay's chip."""


class ShelfSettings(Limits):
    """All low voltage, all optional, all on the relay's chip and by the relay's kind."""

    button_pin: Pin | None = Field(None, description="push button, normally open; left out = none")
    button_pull: Literal["up", "down"] = Field(
        "up", description="up: pressing connects the pin to ground; down: to the board's 3.3 V"
    )
    long_press_s: float = Field(2.0, ge=0.5, le=10, description="a press so long pauses, a shorter is a note")
    lamp_running_pin: Pin | None = Field(None, description="lamp: the humidifier is switched on")
    lamp_refill_pin: Pin | None = Field(None, description="lamp: refill soon; it blinks when empty")
    lamp_alarm_pin: Pin | None = Field(None, description="lamp: something is wrong")
    lamps_active_high: bool = Field(True, description="true: a high line lights a lamp; false: a low one")
    hand_pin: Pin | None = Field(
        None, description="contact to ground, closed while the hand/off/auto switch stands at hand"
    )

    @property
    def lamps(self) -> dict[str, int]:
        """The lamps that are fitted: running, refill, alarm."""
        named = {
            "running": self.lamp_running_pin,
            "refill": self.lamp_refill_pin,
            "alarm": self.lamp_alarm_pin,
        }
        return {name: pin for name, pin in named.items() if pin is not None}

    @property
    def pins(self) -> dict[str, int]:
        """Key -> pin of all that is fitted."""
        named = {"button_pin": self.button_pin, "hand_pin": self.hand_pin}
        inputs = {key: pin for key, pin in named.items() if pin is not None}
        return {**inputs, **{f"lamp_{name}_pin": pin for name, pin in self.lamps.items()}}

    @model_validator(mode="after")
    def _no_pin_is_used_twice(self) -> Self:
        seen: dict[int, str] = {}
        for key, pin in self.pins.items():
            if pin in seen:
                raise PydanticCustomError(
                    "pin_twice",
                    "{first} and {second} are both pin {pin}; each needs a pin of its own",
                    {"first": seen[pin], "second": key, "pin": pin},
                )
            seen[pin] = key
        return self


def clash(shelf: ShelfSettings, relay: RelaySettings) -> tuple[str, str]:
    """What of the shelf cannot be beside this relay: (words, key); ("", "") when all can."""
    for key, pin in shelf.pins.items():
        if relay.kind != "simulated" and pin == relay.pin:
            return f"pin {pin} is the relay's line: shelf.{key} needs a pin of its own", key
        if relay.kind == "gpiozero" and pin > HIGHEST_PI_PIN:
            return (
                f'relay.kind = "gpiozero" knows pin 0 to {HIGHEST_PI_PIN}, not {pin} (shelf.{key}); '
                'other boards: "libgpiod"'
            ), key
    return "", ""
