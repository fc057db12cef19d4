"""The base of every settings model: frozen, nothing unknown, nothing infinite, no true as 1.

Each stage declares its own limits beside the code that obeys them, derived from
``Limits``; ``settings.py`` only puts them together.
"""

from __future__ import annotations

from datetime import time
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from controller.core import units

Rh = Annotated[float, Field(ge=0.0, le=100.0)]
"""Relative humidity in %, 0 to 100."""
Foresight = Literal["off", "keep-hours", "keep-error"]
"""Whether the room is learned and acted ahead of, and what is kept where water or the cap is scarce."""


def _written(into: units.Into) -> BeforeValidator:
    """Reads a setting that is written as a text with its unit. Plain figures go through."""

    def reckoned(value: Any) -> Any:
        if not isinstance(value, str) or not units.has_unit(value):
            return value
        found = units.read(value, into)
        if found is None:
            raise PydanticCustomError("unit", "its unit is not one of those that are known here")
        return round(found, 6)  # 32 °F is 0, not 1e-15

    return BeforeValidator(reckoned)


Celsius = Annotated[float, _written(units.celsius), units.WithUnit("61 °F")]
"""A temperature in degrees Celsius, or as a text with its unit; its field says from where to where."""
TempC = Annotated[Celsius, Field(ge=-60.0, le=80.0)]
Kelvin = Annotated[float, _written(units.kelvin), units.WithUnit("0.9 °F")]
"""A difference of temperature in kelvin."""
Litres = Annotated[float, _written(units.litres), units.WithUnit("1 gal")]
LitresAnHour = Annotated[float, _written(units.litres_an_hour), units.WithUnit("13 fl oz/h")]


def seconds_of_day(at: time) -> int:
    """Seconds since local midnight, as the clock on the wall counts them."""
    return at.hour * 3600 + at.minute * 60 + at.second


class Limits(BaseModel):
    """A group of settings."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)

    @field_validator("*", mode="before")
    @classmethod
    def _a_truth_is_no_number(cls, value: Any, info: ValidationInfo) -> Any:
        truth = isinstance(value, bool) and info.field_name is not None
        if truth and "bool" not in str(cls.model_fields[info.field_name or ""].annotation):
            raise PydanticCustomError("bool_as_value", "true and false are not values here")
        return value


def contradiction(words: str, *keys: str) -> PydanticCustomError:
    """Two settings that cannot both hold; ``keys`` are their full paths, for the line numbers."""
    return PydanticCustomError("contradiction", "{words}", {"words": words, "keys": list(keys)})
