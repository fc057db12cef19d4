"""Says what is wrong with the settings: where, what was found, what is allowed.

In:    the mistakes that the models found, the tables they were found in, the lines of the file.
Out:   one paragraph for each mistake, in the order of the lines, as one SettingsError.
Never: shows the words or the links of the validation library, or blames the file for a
       value that came from the environment.
"""

from __future__ import annotations

import difflib
import math
import sys
from collections.abc import Iterable, Mapping
from datetime import time
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel
from pydantic_core.core_schema import ErrorType

from controller.errors import SettingsError
from controller.settings.env import VERSION_KEY, Environment
from controller.settings.lines import Lines, Place
from controller.settings.places import MISSING, Spot, has_offset, known_places, spot_at, step
from controller.settings.words import (
    allowed,
    choices_in,
    field_kinds,
    found,
    is_model,
    is_secret,
    item_type,
    models_in,
)

# Kinds of mistake that name a wrong value; what is allowed is said in our own words.
_STOCK = {*get_args(ErrorType), "bool_as_value", "wrong_make", "unit"} - {"value_error", "assertion_error"}
_NO_LINE = sys.maxsize


class Mistake(NamedTuple):
    """One paragraph; the line sorts it, what came from the environment goes last."""

    line: int
    text: str

    @classmethod
    def without_line(cls, text: str) -> Mistake:
        return cls(_NO_LINE, text)


class Origin(NamedTuple):
    """Where the settings that were refused came from."""

    model: type[BaseModel]
    data: Mapping[str, Any]  # file and environment, merged
    file: str  # "" = no file
    lines: Lines
    environment: Environment


def refusal(mistakes: Iterable[Mistake], note: str = "") -> SettingsError:
    """The error to raise. Two complaints about one value, such as of two branches of its type, are one."""
    texts = dict.fromkeys(mistake.text for mistake in sorted(mistakes))
    return SettingsError("\n".join([*texts, note] if note else texts))


def in_words(errors: Iterable[Mapping[str, Any]], origin: Origin) -> list[Mistake]:
    """Turns entries of ``ValidationError.errors()`` into paragraphs."""
    errors = list(errors)
    return [_one(error, origin) for error in errors if not _echo(error, errors)]


def _echo(error: Mapping[str, Any], errors: Iterable[Mapping[str, Any]]) -> bool:
    """True for a mistake that is only the consequence of another one within the same table or list.

    A list is called too short because its refused entries were not counted; a check of two
    values met one that had been converted from something its keeper never meant.
    """
    place = tuple(error["loc"])
    within = [o for o in errors if len(o["loc"]) > len(place) and tuple(o["loc"])[: len(place)] == place]
    if error["type"] == "too_short":
        return bool(within)
    return error["type"] not in _STOCK and any(other["type"] == "wrong_make" for other in within)


def _one(error: Mapping[str, Any], origin: Origin) -> Mistake:
    spot = spot_at(origin.model, origin.data, error["loc"])
    kind = error["type"]
    if kind == "extra_forbidden":
        return _blamed(spot.place, origin, _unknown_key(spot, origin))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _fixed_key(spot, error, origin)
    if kind in _STOCK:
        value = error["input"] if spot.value is MISSING and kind != "missing" else spot.value
        return _blamed(spot.place, origin, _not_allowed(spot, value, _bare(spot.place, value, origin)))
    return _own_check(spot, error, origin)


def _blamed(place: Place, origin: Origin, text: str, line: int = 0) -> Mistake:
    """Puts the source in front: the variable that set the value, else the line (given, or looked up)."""
    variable = origin.environment.blame(place) if place else None
    said = f"{named(place)}: {text}" if place else text
    if variable is not None and not line:
        return Mistake.without_line(f"{variable.name} (environment): {said}")
    if not origin.file:
        return Mistake.without_line(f"settings: {said}")
    line = line or origin.lines.of(place)
    return Mistake(line, f"{origin.file}:{line}: {said}")


def named(place: Place) -> str:
    """A place as a keeper would name it; entries of a list are counted from 1."""
    words = ""
    for part in place:
        words += f" #{part + 1}" if isinstance(part, int) else f".{part}" if words else part
    return words if words.isprintable() else ascii(words)[1:-1]


def _described(spot: Spot) -> str:
    text = (spot.field.description or "").strip() if spot.field is not None else ""
    return f" {text[0].upper()}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}" if text else ""


def _bare(place: Place, value: Any, origin: Origin) -> bool:
    """True for a number in a variable of its own: it is text there, but nobody wrote quotes."""
    variable = origin.environment.blame(place) if place else None
    return variable is not None and variable.value == value and isinstance(value, str) and _is_number(value)


def _seen(spot: Spot, value: Any, bare: bool = False) -> str:
    if is_secret(spot.kinds) and isinstance(value, str):
        return "a text that is not shown here"
    return value.strip() if bare else found(value)


def _not_allowed(spot: Spot, value: Any, bare: bool) -> str:
    seen = "missing" if value is MISSING else f"found {_seen(spot, value, bare)}"
    hint = "" if bare else _hint(spot, value)
    return f"{seen}; allowed: {allowed(spot.kinds, spot.name)}.{hint}{_described(spot)}"


def _hint(spot: Spot, value: Any) -> str:
    """How to write it, where what was meant can be guessed."""
    kinds = {kind.type for kind in spot.kinds}
    if isinstance(value, dict) and models_in(item_type(spot.annotation)):
        return " Write its heading in double brackets: [[...]], as often as there are such."
    if isinstance(value, list) and any(is_model(kind) for kind in kinds):
        return f" Begin it with [{spot.name}], in single brackets."
    if isinstance(value, str):
        return _text_hint(spot, value, kinds)
    if time in kinds and has_offset(value):
        return " Leave the time zone out: the room's own clock is meant."
    if time in kinds and isinstance(value, int | float):
        return ' A time needs quotes and a colon: "07:30".'
    return ""


def _text_hint(spot: Spot, value: str, kinds: set[Any]) -> str:
    near = difflib.get_close_matches(value, [c for c in choices_in(spot.kinds) if isinstance(c, str)], 1)
    if near:
        return f" Did you mean {near[0]}?"
    if time in kinds:
        zone = has_offset(value)
        return " Leave the time zone out: the room's own clock is meant." if zone else ""
    if bool in kinds and value in ("true", "false"):
        return " Write it without the quotes."
    if kinds & {int, float} and _is_number(value):
        return " Write it without the quotes."
    if kinds & {int, float} and _is_number(value.replace(",", ".")):
        return " The decimal sign is a point."
    return ""


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _unknown_key(spot: Spot, origin: Origin) -> str:
    key = spot.name
    known = list(spot.owner.model_fields) if spot.owner is not None else []
    elsewhere = list(known_places(origin.model, key))
    if key == VERSION_KEY:
        elsewhere = [(key,)]
    if len(elsewhere) == 1 and not isinstance(spot.value, dict):
        return f"no such setting here; {_belongs(elsewhere[0])}"
    near = difflib.get_close_matches(key.lower().replace("-", "_"), known, 1)
    if near:
        return f"no such setting; did you mean {near[0]}?"
    return f"no such setting; known here: {', '.join(known)}."


def _belongs(place: Place) -> str:
    if len(place) == 1:
        return f"{place[0]} belongs at the top of the file, above the first [table]."
    return f"{place[-1]} belongs in [{named(place[:-1])}]."


def _fixed_key(spot: Spot, error: Mapping[str, Any], origin: Origin) -> Mistake:
    """The key that tells which of several tables is meant is missing, or has an unknown value."""
    key = str(error.get("ctx", {}).get("discriminator", "")).strip("'")
    fields = [model.model_fields[key] for model in models_in(spot.annotation) if key in model.model_fields]
    choices = [choice for field in fields for choice in choices_in(field_kinds(field))]
    inside = step(spot, key)
    value = inside.value if inside is not None else MISSING
    seen = "missing" if value is MISSING else f"found {found(value)}"
    near = difflib.get_close_matches(str(value), [str(choice) for choice in choices], 1)
    text = f"{seen}; allowed: one of {', '.join(map(str, choices))}." + (
        f" Did you mean {near[0]}?" if near else ""
    )
    return _blamed((*spot.place, key), origin, text)


def _own_check(spot: Spot, error: Mapping[str, Any], origin: Origin) -> Mistake:
    """A check written beside the models: its own words say what is wrong."""
    context = error.get("ctx") or {}
    raised = context.get("error") if error["type"] in ("value_error", "assertion_error") else None
    text = " ".join(str(error["msg"] if raised is None else raised).split()).rstrip(".") + "."
    if not (is_model(spot.annotation) or models_in(spot.annotation)):
        value = error["input"] if spot.value is MISSING else spot.value
        return _blamed(spot.place, origin, f"found {_seen(spot, value)}; {text}{_described(spot)}")
    places = [_meant(str(key), spot, origin) for key in context.get("keys", ())]
    if places:
        text += f" See {', '.join(_whereabouts(place, origin) for place in places)}."
    else:
        text += "".join(f" {v.name} is set in the environment." for v in origin.environment.under(spot.place))
    written = [line for line in map(origin.lines.exact, [spot.place] if spot.place else places) if line]
    return _blamed(spot.place, origin, text, min(written, default=0))


def _meant(key: str, spot: Spot, origin: Origin) -> Place:
    """A key that a check names, counted from its own table or from the top."""
    parts: Place = tuple(int(part) if part.isdigit() else part for part in key.split("."))
    inner: Spot | None = spot
    for part in parts:
        inner = step(inner, part) if inner is not None else None
    return (*spot.place, *parts) if inner is not None else parts


def _whereabouts(place: Place, origin: Origin) -> str:
    spot = spot_at(origin.model, origin.data, place)
    variable = origin.environment.blame(place)
    if spot.place != place or spot.value is MISSING:
        field = spot.field if spot.place == place else None
        default = (
            f" = {found(_plain(field.default))}" if field is not None and not field.is_required() else ""
        )
        return f"{named(place)}{default} (not set)"
    set_by = variable.name if variable is not None else f"line {origin.lines.of(place)}"
    if isinstance(spot.value, dict):
        return f"{named(place)} ({set_by})"
    return f"{named(place)} = {_seen(spot, spot.value, _bare(place, spot.value, origin))} ({set_by})"


def _plain(value: Any) -> Any:
    return value if isinstance(value, bool | int | float | str | time) else str(value)
