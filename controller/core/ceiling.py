"""CEILING: never humidify past the keeper's upper limit, nor past what the coldest wall bears unsaid.

In:    the higher of the believed RH values; outdoor or surface temperature where known.
Out:   whether the ceiling holds the relay off, and what a cold surface makes of the room's air.
Never: lets a probe's own error carry the room above the ceiling: the limit obeyed is the
       keeper's figure less the probe's accuracy.

The surface estimate is ISO 13788's: fRsi = (surface - outdoors) / (indoors - outdoors), with
80 % RH at the surface as the criterion for mould. An estimate only warns; what a measured surface may hold
is in ``wall.py``.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal, NamedTuple

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from controller.core import air
from controller.core.limits import Kelvin, Limits, Rh, TempC
from controller.core.mould import MouldLimits

MONTHS = 12


class CeilingLimits(Limits):
    """The upper limit. No published figure carries it: set it with a veterinarian."""

    highest_rh_pct: Rh = Field(80.0, description="never humidify above this")
    probe_accuracy_rh_pct: float = Field(2.0, ge=0, le=10, description="from the probe's data sheet")
    clear_rh_pct: float = Field(2.0, ge=0.1, le=20, description="how far RH must fall before mist again")

    @cached_property
    def limit_rh_pct(self) -> float:
        """The figure obeyed: the keeper's ceiling less the probe's accuracy."""
        return self.highest_rh_pct - self.probe_accuracy_rh_pct

    @cached_property
    def release_rh_pct(self) -> float:
        return self.limit_rh_pct - self.clear_rh_pct


class SurfaceLimits(MouldLimits):
    """The coldest wall or window of the room."""

    frsi: float | None = Field(
        None, ge=0.1, le=1.0, description="temperature factor of ISO 13788", examples=[0.7]
    )
    outdoor_c: TempC | None = Field(None, description="a winter outdoor temperature, if nothing measures it")
    seasonal_outdoor_c: tuple[TempC, ...] = Field(
        (),
        max_length=12,
        description="usual outdoor temperatures, January to December, if nothing measures it",
    )
    policy: Literal["warn", "hold"] = Field(
        "warn", description="warn: say so; hold: a measured wall keeps target and mist down"
    )
    warn_surface_rh_pct: Rh = Field(80.0, description="RH at the surface from which mould can grow")
    dew_margin_c: Kelvin = Field(0.5, ge=0, le=10, description="a measured surface must be so far above dew")

    @field_validator("seasonal_outdoor_c")
    @classmethod
    def _a_year_has_twelve(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if value and len(value) != MONTHS:
            raise PydanticCustomError(
                "months", "twelve figures, from January to December; found {count}", {"count": len(value)}
            )
        return value

    def usual_outdoor_c(self, month: int) -> float | None:
        """Where nothing measures it: the month's figure (1 to 12), else the winter's."""
        return self.seasonal_outdoor_c[month - 1] if self.seasonal_outdoor_c else self.outdoor_c


class Surface(NamedTuple):
    """The coldest surface now. ``room_limit_rh_pct`` is the highest room RH that keeps it in bounds."""

    temp_c: float
    rh_pct: float
    room_limit_rh_pct: float
    measured: bool


def holds(held: bool, rh_high_pct: float, limits: CeilingLimits) -> bool:
    """Whether the ceiling refuses. ``held`` is the last answer: it clears lower than it trips."""
    if held:
        return not rh_high_pct <= limits.release_rh_pct
    return not rh_high_pct < limits.limit_rh_pct


def is_temperature(temp_c: float | None) -> bool:
    """Whether a figure can be a room's, a wall's or the weather's, °C; NaN cannot."""
    return temp_c is not None and -60.0 <= temp_c <= 80.0


def coldest_surface(
    temp_c: float,
    rh_pct: float,
    surface_c: float | None,
    outdoor_c: float | None,
    limits: SurfaceLimits,
    month: int = 1,
) -> Surface | None:
    """The state of the coldest surface; None when neither it nor the outdoors is known.

    A figure that is no room's, wall's or winter's (NaN, beyond -60 to 80 °C) counts as not known.
    """
    if surface_c is not None and is_temperature(surface_c):
        wall_c, measured = surface_c, True
    else:
        if outdoor_c is None:
            outdoor_c = limits.usual_outdoor_c(month)
        if limits.frsi is None or outdoor_c is None or not is_temperature(outdoor_c):
            return None
        wall_c, measured = outdoor_c + limits.frsi * (temp_c - outdoor_c), False
    ratio = air.surface_rh_pct(temp_c, 1.0, wall_c)
    return Surface(wall_c, rh_pct * ratio, limits.warn_surface_rh_pct / ratio, measured)
