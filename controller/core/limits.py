"""The base of every settings model: frozen, nothing unknown, nothing infinite, no true as 1.

Each stage declares its own limits beside the code that obeys them, derived from
``Limits``; ``settings.py`` only puts them together.
"""

from __future__ import annotations

from datetime import time
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

Rh = Annotated[float, Field(ge=0.0, le=100.0)]
"""Relative humidity in %, 0 to 100."""
TempC = Annotated[float, Field(ge=-60.0, le=80.0)]
"""A temperature in degrees Celsius."""


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
