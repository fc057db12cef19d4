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
_ONE_WORD = r"^[^/\s]*$"


class ProbeSettings(Limits):
    """Where the figures of one probe come from."""

    kind: Literal["hwmon", "iio", "replay", "simulated"] = Field(
        "simulated",
        description="hwmon or iio: a sensor with a kernel driver; replay: a CSV file; simulated: no sensor",
    )
    at: str = Field(
        "", max_length=64, pattern=_ONE_WORD, description='the sensor\'s bus address, such as "1-0044"'
    )
    chip: str = Field(
        "",
        max_length=64,
        pattern=_ONE_WORD,
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

    kind: Literal["gpiozero", "simulated"] = Field(
        "simulated", description="gpiozero: a pin of the board; simulated: no pin is touched"
    )
    pin: int = Field(
        17,
        ge=0,
        le=27,
        description="GPIO number (BCM), not the header position; 9 to 27 are pulled down at power-on",
    )
    active_high: bool = Field(True, description="true: a high line switches on; false: a low line does")
    chip: int = Field(0, ge=0, le=63, description="number of the line's device: 0 for /dev/gpiochip0")
