"""UNITS: figures that are written with a unit, and sentences in the units a keeper thinks in.

In:    "61 °F", "1 gal", "13 fl oz/h" in a setting or after an option; a sentence that has SI units.
Out:   °C, K, litres and litres an hour, which all else here reckons in; the sentence in US units.
Never: guesses: a text without a unit is left for the caller to judge, and an unknown unit is refused.

Factors: NIST Special Publication 811, appendix B.8: 1 US gallon = 231 cubic inches exactly, 128 US fluid
ounces to the gallon, t/°C = (t/°F - 32)/1.8, a difference of 1 °F = 1/1.8 K.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Literal, NamedTuple

INCH_M = 0.0254
GALLON_L = 231 * INCH_M**3 * 1000.0
FLUID_OUNCE_L = GALLON_L / 128
SMALLEST_GALLONS = 0.25
"""Less water than this is said in fluid ounces."""

Into = Callable[[float, str], float | None]
"""What turns a figure and its unit (small letters) into the unit reckoned in; None: no unit of that kind."""
UnitSystem = Literal["si", "us"]

LITRES = {
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), 1.0),
    **dict.fromkeys(("ml", "cc"), 0.001),
    **dict.fromkeys(("gal", "gallon", "gallons", "us gal"), GALLON_L),
    **dict.fromkeys(("fl oz", "floz", "oz", "fluid ounce", "fluid ounces"), FLUID_OUNCE_L),
}
LITRES_AN_HOUR = {f"{unit}/{of}": size for unit, size in LITRES.items() for of in ("h", "hr", "hour")}
_CELSIUS, _FAHRENHEIT = ("c", "celsius"), ("f", "fahrenheit")
_QUANTITY = re.compile(r"([-+]?\d*\.?\d+)\s*([^\d\s.].*)")


class WithUnit(NamedTuple):
    """Marks a setting that may be written as a text with its unit."""

    example: str


def _parts(text: str) -> tuple[float, str] | None:
    """The figure and its unit in small letters; None where there is no unit, or no figure."""
    found = _QUANTITY.fullmatch(text.strip().casefold().replace("°", " ").replace(" per ", "/"))
    if not found:
        return None
    return float(found[1]), " ".join(found[2].split()).replace(" /", "/").replace("/ ", "/")


def has_unit(text: str) -> bool:
    return _parts(text) is not None


def litres(value: float, unit: str) -> float | None:
    """Litres of ``value`` of a unit; None where it is no unit of volume."""
    size = LITRES.get(unit)
    return None if size is None else value * size


def litres_an_hour(value: float, unit: str) -> float | None:
    size = LITRES_AN_HOUR.get(unit)
    return None if size is None else value * size


def celsius(value: float, unit: str) -> float | None:
    if unit in _FAHRENHEIT:
        return (value - 32.0) / 1.8
    return value if unit in _CELSIUS else None


def kelvin(value: float, unit: str) -> float | None:
    """A difference of temperature: 1.8 °F are 1 K."""
    if unit in _FAHRENHEIT:
        return value / 1.8
    return value if unit in ("k", *_CELSIUS) else None


def read(text: str, into: Into) -> float | None:
    """What a text with a unit comes to; None where it has none, or not one of the kind wanted."""
    parts = _parts(text)
    return None if parts is None else into(*parts)


# A figure must not be the tail of a word or of a longer figure, nor its unit the head of a word.
_FIGURE = r"(?<![\w.,-])(-?\d+(?:\.\d+)?)"
_SPAN = _FIGURE + r"( to | and )(-?\d+(?:\.\d+)?)"
_TEMP = re.compile(_FIGURE + r" °C(?!\w)")
_TEMP_SPAN = re.compile(_SPAN + r" °C(?!\w)")
_STEP = re.compile(_FIGURE + r" K(?!\w|/)")
_WATER = re.compile(_FIGURE + r" L(?!\w|/h| an? )")
_WATER_RATE = re.compile(_FIGURE + r" L( an? hour| a day|/h)(?!\w)")


def said(text: str, units: UnitSystem) -> str:
    """A text for a person in the units chosen. °C, K, L, L/h, "L an hour" and "L a day" are known.

    Every sentence of this program has those forms, so that one place owns the choice; what is stored, and
    what another program reads (CSV, JSON), stays in the units of its names.
    """
    if units == "si":
        return text
    text = _TEMP_SPAN.sub(lambda m: f"{_fahrenheit(m[1])}{m[2]}{_fahrenheit(m[3])} °F", text)
    text = _TEMP.sub(lambda m: f"{_fahrenheit(m[1])} °F", text)
    text = _STEP.sub(lambda m: f"{_as_exact(float(m[1]) * 1.8, m[1])} °F", text)
    text = _WATER_RATE.sub(lambda m: f"{_water(m[1])}{m[2]}", text)
    return _WATER.sub(lambda m: _water(m[1]), text)


def _fahrenheit(figure: str) -> str:
    return _as_exact(float(figure) * 1.8 + 32.0, figure)


def _as_exact(value: float, as_written: str) -> str:
    """As many decimals as the figure that it stands for had: a degree is nearly half as big."""
    decimals = len(as_written.partition(".")[2])
    return f"{round(value, decimals) + 0.0:.{decimals}f}"  # + 0.0: no "-0"


def _water(figure: str) -> str:
    gallons = float(figure) / GALLON_L
    if abs(gallons) < SMALLEST_GALLONS:
        return f"{gallons * 128:.2g} fl oz" if abs(gallons * 128) < 10 else f"{gallons * 128:.0f} fl oz"
    return f"{gallons:.2f} gal"
