"""The settings of one probe and of the relay's line, as a keeper writes them.

In:    values from the settings file or the environment.
Out:   frozen, checked models.
Never: looks at the hardware; a setting is judged by itself alone.
"""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from controller.core.limits import Limits

# One component of a /sys path: a bus address or a driver's name never holds a slash or a blank.
ONE_WORD = r"^[^/\s]*$"

HIGHEST_PI_PIN = 27
"""BCM number of the last line on the 40-pin header of a Raspberry Pi."""


class ProbeSettings(Limits):
    """Where the figures of one probe come from."""

    kind: Literal["hwmon", "iio", "replay", "simulated"] = Field(
        "simulated",
        description="hwmon or iio: a sensor with a kernel driver; replay: a CSV file; simulated: no sensor",
    )
    at: str = Field(
        "", max_length=64, pattern=ONE_WORD, description='the sensor\'s bus address, such as "1-0044"'
    )
    chip: str = Field(
        "",
        max_length=64,
        pattern=ONE_WORD,
        description='the driver\'s name, such as "sht4x"; used where no address is given',
    )
    file: str = Field("", max_length=4096, description="the CSV file to replay, columns time,rh_pct,temp_c")

    @model_validator(mode="after")
    def _a_probe_can_be_found(self) -> Self:
        if self.kind in ("hwmon", "iio") and not (self.at or self.chip):
            raise PydanticCustomError(
                "probe_unnamed",
                'kind = "{kind}" needs at (a bus address such as "1-0044") or chip (the driver\'s name)',
                {"kind": self.kind},
            )
        if self.kind == "replay" and not self.file.strip():
            raise PydanticCustomError(
                "replay_without_file", 'kind = "replay" needs file, the CSV file to replay'
            )
        return self


class RelaySettings(Limits):
    """The line that switches the humidifier's outlet."""

    kind: Literal["gpiozero", "libgpiod", "simulated"] = Field(
        "simulated",
        description="gpiozero: a pin of a Raspberry Pi; libgpiod: a line of any board; simulated: no pin",
    )
    pin: int = Field(
        17,
        ge=0,
        le=511,
        description="gpiozero: GPIO number (BCM), 0 to 27, not the header position; libgpiod: line of chip",
    )
    active_high: bool = Field(True, description="true: a high line switches on; false: a low line does")
    chip: int = Field(0, ge=0, le=63, description="number of the line's device: 0 for /dev/gpiochip0")
    rated_operations: int | None = Field(
        None, ge=1, le=10**9, description="of the contact at its load, by the relay's data sheet"
    )

    @model_validator(mode="after")
    def _the_pin_is_on_the_header(self) -> Self:
        if self.kind == "gpiozero" and self.pin > HIGHEST_PI_PIN:
            raise PydanticCustomError(
                "pin_not_on_header",
                'kind = "gpiozero" knows pin 0 to {highest}, not {pin}; other boards: kind = "libgpiod"',
                {"highest": HIGHEST_PI_PIN, "pin": self.pin},
            )
        return self

    @property
    def device(self) -> str:
        """The chip's device node."""
        return f"/dev/gpiochip{self.chip}"

    @property
    def off_level(self) -> int:
        """The electrical level, 0 or 1, at which the relay is off."""
        return 0 if self.active_high else 1
