"""What a setting may be, and what was found instead, in a keeper's words.

In:    a field's type with its bounds, or a value out of a settings file.
Out:   short phrases: "a number from 0 to 100", "one of hwmon, iio", "the text "5O"".
Never: names a Python type, or shows more of a found text than fits a line.
"""

from __future__ import annotations

import json
import math
import types
from collections.abc import Collection, Iterable, Iterator
from datetime import date, datetime, time, timedelta
from enum import Enum
from pathlib import PurePath
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo

from controller.core.units import WithUnit

MOST_SHOWN = 60

_UNITS = {
    "pct": "%", "c": "°C", "k": "K", "s": "seconds", "min": "minutes", "minutes": "minutes", "h": "hours",
    "hours": "hours", "days": "days", "l": "litres", "ml": "millilitres", "m": "metres",
    "m2": "square metres", "m3": "cubic metres", "kg": "kilograms", "g": "grams", "w": "watts",
    "kj": "kilojoules", "hpa": "hPa", "mb": "megabytes",
}  # fmt: skip
_PER = {"h": "hour", "s": "second", "min": "minute", "day": "day", "k": "K", "m2": "m²", "m3": "m³"}


class Kind(NamedTuple):
    """One thing that a setting may be: a plain type and the bounds on it."""

    type: Any
    bounds: tuple[Any, ...] = ()


def kinds_of(annotation: Any, bounds: Iterable[Any] = ()) -> tuple[Kind, ...]:
    """The alternatives within a type, without None; bounds inside Annotated travel along."""
    return tuple(_kinds(annotation, tuple(_flat(bounds))))


def _kinds(annotation: Any, bounds: tuple[Any, ...]) -> Iterator[Kind]:
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *extra = get_args(annotation)
        yield from _kinds(inner, bounds + tuple(_flat(extra)))
    elif origin is Union or origin is types.UnionType:
        for member in get_args(annotation):
            yield from _kinds(member, bounds)
    elif annotation is not type(None) and annotation is not None:
        yield Kind(annotation, bounds)


def _flat(bounds: Iterable[Any]) -> Iterator[Any]:
    for bound in bounds:
        if isinstance(bound, FieldInfo):
            yield from bound.metadata
        else:
            yield bound


def field_kinds(field: FieldInfo) -> tuple[Kind, ...]:
    return kinds_of(field.annotation, field.metadata)


def is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def item_type(annotation: Any) -> Any:
    """What one entry of a list is, or None where the type is no list."""
    for kind in kinds_of(annotation):
        if get_origin(kind.type) in (list, tuple, set, frozenset):
            return get_args(kind.type)[0]
    return None


def models_in(annotation: Any) -> tuple[type[BaseModel], ...]:
    return tuple(kind.type for kind in kinds_of(annotation) if is_model(kind.type))


def is_secret(kinds: Iterable[Kind]) -> bool:
    """Whether a value of these kinds, or an entry of it, must not be shown."""
    return any(kind.type is SecretStr or is_secret(kinds_of(item_type(kind.type))) for kind in kinds)


def unit_examples(kinds: Iterable[Kind]) -> tuple[str, ...]:
    """How a setting that may be written with its unit can look; empty where it may not."""
    return tuple(bound.example for kind in kinds for bound in kind.bounds if isinstance(bound, WithUnit))


def choices_in(kinds: Iterable[Kind]) -> tuple[Any, ...]:
    """The values a setting is limited to; empty where it is not."""
    found: list[Any] = []
    for kind in kinds:
        if get_origin(kind.type) is Literal:
            found += get_args(kind.type)
        elif isinstance(kind.type, type) and issubclass(kind.type, Enum):
            found += [member.value for member in kind.type]
    return tuple(found)


def allowed(kinds: Collection[Kind], name: str) -> str:
    """All that a setting of this name may be."""
    choices = choices_in(kinds)
    phrases = (
        [f"one of {', '.join(map(str, choices))}" if len(choices) > 1 else f"only {choices[0]}"]
        if choices
        else []
    )
    for kind in kinds:
        if not choices_in([kind]):
            phrases.append(_phrase(kind, name))
    return ", or ".join(dict.fromkeys(phrases))


def _phrase(kind: Kind, name: str) -> str:
    plain = kind.type
    if plain in (int, float):
        number = "a whole number" if plain is int else "a number"
        unit = unit_of(name)
        examples = unit_examples([kind])
        written = "".join(f', or with its unit in quotes, like "{example}"' for example in examples)
        return number + _range(kind.bounds) + (f" ({unit.strip()})" if unit else "") + written
    if get_origin(plain) in (list, tuple, set, frozenset):
        return _list_phrase(kind, name)
    if get_origin(plain) is dict or plain is dict:
        return "a table"
    if is_model(plain):
        return f"a table of settings ({', '.join(plain.model_fields)})"
    return _simple_phrase(plain) + _length(kind.bounds)


def _simple_phrase(plain: Any) -> str:
    if not isinstance(plain, type):
        return "a value as described"
    phrases: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (bool, "true or false"),
        (PurePath, "the path of a file or folder, in quotes"),
        (datetime, "a date and time like 2024-03-01T07:30:00"),
        (date, "a date like 2024-03-01"),
        (time, 'a time of day like "07:30"'),
        (timedelta, 'a span of time like "PT30M"'),
        ((str, SecretStr), "text in quotes"),
    )
    return next((words for base, words in phrases if issubclass(plain, base)), "a value as described")


def _list_phrase(kind: Kind, name: str) -> str:
    item = get_args(kind.type)[0]
    span = _span(_bound(kind.bounds, "min_length"), _bound(kind.bounds, "max_length"))
    if models_in(item):
        return f"{span}tables, each under its own [[{name}]]".strip()
    return f"a list of {span}entries, each {allowed(kinds_of(item), name)}"


def _span(low: Any, high: Any) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f"at most {high} " if low is None else f"at least {low} "
    return f"{low} " if low == high else f"{low} to {high} "


def _bound(bounds: Iterable[Any], name: str) -> Any:
    found = [getattr(bound, name) for bound in bounds if getattr(bound, name, None) is not None]
    return found[-1] if found else None


def _range(bounds: tuple[Any, ...]) -> str:
    low, high = _bound(bounds, "ge"), _bound(bounds, "le")
    above, below = _bound(bounds, "gt"), _bound(bounds, "lt")
    if low is not None and high is not None:
        return f" from {figure(low)} to {figure(high)}"
    parts = (("at least", low), ("above", above), ("at most", high), ("below", below))
    said = [f"{words} {figure(limit)}" for words, limit in parts if limit is not None]
    return " " + " and ".join(said) if said else ""


def _length(bounds: tuple[Any, ...]) -> str:
    span = _span(_bound(bounds, "min_length"), _bound(bounds, "max_length"))
    form = ", in the form described" if _bound(bounds, "pattern") else ""
    return (f", {span}characters" if span else "") + form


def unit_of(name: str) -> str:
    """The unit that a name carries: "run_s_max" is in seconds."""
    parts = name.split("_")
    if "rh" in parts and "pct" in parts:
        return "% relative humidity" + _rate(parts)
    counted = parts[: parts.index("per")] if "per" in parts else parts
    named = [_UNITS[part] for part in counted if part in _UNITS]
    return (named[-1] if named else "") + _rate(parts)


def _rate(parts: list[str]) -> str:
    after = parts[parts.index("per") + 1 :] if "per" in parts else []
    return f" per {_PER[after[0]]}" if after and after[0] in _PER else ""


def figure(value: Any) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def found(value: Any) -> str:
    """A value as a person would write it, short enough for a line."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an empty list" if not value else f"a list of {len(value)}"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and math.isinf(value):
        return f"{value} (no end, or too large for a number)"
    if value is None:
        return "nothing"
    words = (
        figure(value) if not isinstance(value, int) or abs(value) < 10**MOST_SHOWN else "a very long number"
    )
    return words


def quoted(text: str) -> str:
    short = text if len(text) <= MOST_SHOWN else text[:MOST_SHOWN] + "..."
    return json.dumps(short, ensure_ascii=not short.isprintable())
