"""MEASURES: figures with units, as people write them.

In:    text such as "1 gal", "3,8 l", "10 x 12 ft", "77 F", "9 pm".
Out:   litres, metres, square and cubic metres, °C, hours, % and times of day.
Never: guesses: "1,200" may be either of two figures, and is asked for again.

Units of length: NIST Special Publication 811, appendix B.8: 1 ft = 0.3048 m; others: ``core.units``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import time

from controller.core import units
from controller.core.units import INCH_M
from controller.first_setup.person import Nonsense

FOOT_M = 12 * INCH_M

_METRES = {"m": 1.0, "cm": 0.01, "ft": FOOT_M, "feet": FOOT_M, "foot": FOOT_M, "'": FOOT_M}
_SQUARE = {
    **dict.fromkeys(("m2", "m²", "sqm", "sq m"), 1.0),
    **dict.fromkeys(("ft2", "ft²", "sqft", "sq ft", "square feet"), FOOT_M**2),
}
_CUBIC = {
    **dict.fromkeys(("m3", "m³", "cu m", "cbm"), 1.0),
    **dict.fromkeys(("ft3", "ft³", "cuft", "cu ft", "cubic feet"), FOOT_M**3),
}
_HOURS = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 1.0),
    **dict.fromkeys(("min", "minutes"), 1 / 60),
}
_PERCENT = dict.fromkeys(("%", "%rh", "% rh", "rh", "percent"), 1.0)

_NUMBER = r"([-+]?\d*[.,]?\d+)"
_WITH_UNIT = re.compile(_NUMBER + r"\s*(.*)")
_SIDES = re.compile(_NUMBER + r"\s*(m|ft|')?\s*[x×*]\s*" + _NUMBER + r"\s*(m|ft|')?")
_TIME = re.compile(r"(\d{1,2})(?:[:.](\d{2}))?\s*(am|pm)?")


def number(text: str, example: str) -> float:
    """What ``_NUMBER`` finds. The decimal sign may be a comma, but not one that could part thousands."""
    if re.search(r",\d{3}$", text):
        raise Nonsense(f'"{text}" could be two figures. Write it like {example}.')
    return float(text.replace(",", "."))


def _quantity(text: str, known: Mapping[str, float], example: str, bare: float | None = 1.0) -> float:
    """A figure and its unit. ``bare``: what a figure without one counts; None = it needs one."""
    found = _WITH_UNIT.fullmatch(text.casefold())
    if not found:
        raise Nonsense(f'"{text}" is not understood. Write it like {example}.')
    unit = " ".join(found[2].split())
    size = known.get(unit) if unit else bare
    if size is None:
        raise Nonsense(f'"{text}" is not understood. Write it like {example}.')
    return number(found[1], example) * size


def _between(value: float, low: float, high: float, words: str, places: int = 2) -> float:
    if not low <= value <= high:
        raise Nonsense(f"{value:g} {words} is not between {low:g} and {high:g}.")
    return round(value, places)


def litres(text: str) -> float:
    return _between(_quantity(text, units.LITRES, "4, 3.8 l or 1 gal"), 0.1, 500, "L")


def metres(text: str) -> float:
    return _between(_quantity(text, _METRES, "2.5, 250 cm or 8 ft"), 1.5, 10, "m of height")


def floor_or_volume(text: str) -> tuple[float, bool]:
    """(square metres, False) or (cubic metres, True)."""
    example = "12, 3 x 4 m, 130 sq ft, or as a volume 30 m3"
    sides = _SIDES.fullmatch(text.casefold())
    if sides:
        unit = sides[4] or sides[2] or "m"
        each = [number(sides[at], example) * _METRES[sides[at + 1] or unit] for at in (1, 3)]
        return _between(each[0] * each[1], 1, 500, "m² of floor"), False
    found = _WITH_UNIT.fullmatch(text.casefold())
    if found and " ".join(found[2].split()) in _CUBIC:
        return _between(_quantity(text, _CUBIC, example), 1, 2000, "m³"), True
    return _between(_quantity(text, _SQUARE, example), 1, 500, "m² of floor"), False


def celsius(text: str) -> float:
    example = "25, or 77 F"
    plain = text.casefold().replace("°", " ")
    found = _WITH_UNIT.fullmatch(plain)
    value = units.celsius(number(found[1], example), found[2] or "c") if found else None
    if not found or value is None:
        raise Nonsense(f'"{text}" is not understood. Write it like {example}.')
    if found[2] == "" and 45 < value <= 113:
        raise Nonsense(f"{value:g} °C is too hot for a room. If Fahrenheit is meant, write {value:g} F.")
    return _between(value, 5, 45, "°C", 1)


def rh_pct(text: str, low: float, high: float) -> float:
    value = _quantity(text, _PERCENT, "65")
    if 0.0 < value < 1.0:
        raise Nonsense(f"{value:g} % is next to nothing. Write {100 * value:g}, if that is meant.")
    return _between(value, low, high, "%", 1)


def hours(text: str, low: float, high: float) -> float:
    return _between(_quantity(text, _HOURS, "10, 10 h or 45 min"), low, high, "hours")


def output_l_per_h(text: str) -> float | None:
    """Litres an hour, from "300 ml/h"; None where the text gives no output."""
    if "/" not in text and " per " not in text.casefold():
        return None
    plain = text.casefold().replace(" per ", "/").replace(" / ", "/")
    return _between(_quantity(plain, units.LITRES_AN_HOUR, "10 h, or 300 ml/h", None), 0.005, 50, "L/h", 3)


def time_of_day(text: str) -> time:
    found = _TIME.fullmatch(text.casefold().replace("a.m.", "am").replace("p.m.", "pm"))
    if found:
        hour, minute = int(found[1]), int(found[2] or 0)
        if found[3] and 1 <= hour <= 12:
            hour = hour % 12 + (12 if found[3] == "pm" else 0)
        elif found[3]:
            hour = 24
        if hour < 24 and minute < 60:
            return time(hour, minute)
    raise Nonsense(f'"{text}" is no time of day. Write it like 07:30 or 9 pm.')


def times_of_day(text: str) -> tuple[time, ...]:
    """One to six of them, in order."""
    plain = re.sub(r"\s+(am|pm)\b", r"\1", text.casefold())
    found = sorted({time_of_day(part) for part in re.split(r"[\s,;]+|\band\b", plain) if part})
    if not 1 <= len(found) <= 6:
        raise Nonsense("Write one to six times of day, like 08:00 19:00.")
    return tuple(found)
