"""Which environment variables set which settings.

In:    a settings class, the environment, the prefix of our names and what joins table and key.
Out:   the variables that can be used, and one sentence for each that cannot.
Never: passes over a variable with our prefix in silence. pydantic-settings does so with an
       unknown name at the top level, which is how one "_" for "__" loses a setting.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from controller.settings.lines import Place
from controller.settings.words import field_kinds, is_model, item_type, models_in

VERSION_KEY = "settings_version"
NOT_SETTINGS = frozenset({"SETTINGS"})
"""Names with our prefix that are no settings: the path of the settings file."""


class Variable(NamedTuple):
    """One environment variable that sets a value or, as JSON, a whole table or list."""

    name: str
    place: Place
    text: str
    value: Any


class Environment(NamedTuple):
    """The variables in use, shallow ones first, and what is wrong with the others."""

    variables: tuple[Variable, ...]
    mistakes: tuple[str, ...]

    def blame(self, place: Place) -> Variable | None:
        """The variable that set this place, if one did."""
        for variable in self.variables[::-1]:
            size = len(variable.place)
            if place[:size] == variable.place and _reaches(variable.value, place[size:]):
                return variable
        return None

    def under(self, place: Place) -> tuple[Variable, ...]:
        """The variables that set something within this place."""
        return tuple(v for v in self.variables if v.place[: len(place)] == place)


def _reaches(value: Any, rest: Place) -> bool:
    """A table from the environment is merged with the file's; a list replaces the file's."""
    for part in rest:
        if not isinstance(value, dict):
            return True
        if part not in value:
            return False
        value = value[part]
    return True


def known_names(
    model: type[BaseModel], prefix: str, delimiter: str, place: Place = (), around: tuple[type, ...] = ()
) -> Iterator[tuple[str, Place, FieldInfo]]:
    """Every name that sets something, in upper case."""
    for key, field in model.model_fields.items():
        inner = (*place, key)
        yield (prefix + delimiter.join(map(str, inner))).upper(), inner, field
        for table in models_in(field.annotation):
            if table not in around:
                yield from known_names(table, prefix, delimiter, inner, (*around, table))


def read_environment(
    model: type[BaseModel], environ: Mapping[str, str], prefix: str, delimiter: str
) -> Environment:
    known = {name: (place, field) for name, place, field in known_names(model, prefix, delimiter)}
    variables: list[Variable] = []
    mistakes: list[str] = []
    seen: dict[str, str] = {}
    for name in sorted(n for n in environ if n.upper().startswith(prefix.upper())):
        upper = name.upper()
        if upper in {(prefix + other).upper() for other in NOT_SETTINGS}:
            continue
        trouble = _name_trouble(name, known, seen, prefix)
        if not trouble:
            place, field = known[upper]
            value, trouble = _value(environ[name], field)
            variables += [] if trouble else [Variable(name, place, environ[name], value)]
        mistakes += [f"{name} (environment): {trouble}"] if trouble else []
        seen[upper] = name
    return Environment(tuple(sorted(variables, key=lambda v: len(v.place))), tuple(mistakes))


def _name_trouble(
    name: str, known: Mapping[str, tuple[Place, FieldInfo]], seen: Mapping[str, str], prefix: str
) -> str:
    upper = name.upper()
    if upper in seen:
        return f"is the same setting as {seen[upper]}; keep one of them."
    if upper == (prefix + VERSION_KEY).upper():
        return "the version belongs in the settings file, not in the environment."
    return "" if upper in known else f"no setting has this name; {_nearest(upper, known, prefix)}"


def _nearest(upper: str, known: Mapping[str, tuple[Place, FieldInfo]], prefix: str) -> str:
    squeezed = {re.sub("_+", "_", name): name for name in known}
    near = squeezed.get(re.sub("_+", "_", upper))
    if near:
        return f"did you mean {near}?"
    for name, (_, field) in known.items():
        if upper.startswith(name + "_") and models_in(item_type(field.annotation)):
            return f"{name} takes the whole list at once, as JSON."
    bare = {name[len(prefix) :]: name for name in known}
    close = difflib.get_close_matches(upper[len(prefix) :], bare, 1)
    if close:
        return f"did you mean {bare[close[0]]}?"
    example = next((name for name, (place, _) in known.items() if len(place) > 1), next(iter(known), prefix))
    return f"names look like {example}. Unset it or correct it."


def _value(text: str, field: FieldInfo) -> tuple[Any, str]:
    """The value of a variable as far as JSON goes, or what is wrong with it."""
    if not text.strip():
        return None, "is empty; give it a value, or unset it."
    shapes = {_json_shape(kind.type) for kind in field_kinds(field)}
    if shapes == {""}:
        return text, ""
    try:
        value = json.loads(text, object_pairs_hook=_once)
    except _KeyTwiceError as twice:
        return None, f"sets the key {twice} twice."
    except (ValueError, RecursionError):
        return (text, "") if "" in shapes else (None, f"is not readable as JSON; {_example(field, shapes)}")
    shape = "{" if isinstance(value, dict) else "[" if isinstance(value, list) else ""
    if shape not in shapes:
        return None, f"does not hold what it should; {_example(field, shapes)}"
    return value, ""


class _KeyTwiceError(Exception):
    pass


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for key, value in pairs:
        if key in table:
            raise _KeyTwiceError(key)
        table[key] = value
    return table


def _json_shape(kind: Any) -> str:
    """How a value of this type begins when written as JSON; "" where plain text is expected."""
    if is_model(kind) or kind is dict or get_origin(kind) is dict:
        return "{"
    return "[" if kind in (list, tuple) or get_origin(kind) in (list, tuple, set, frozenset) else ""


def _example(field: FieldInfo, shapes: set[str]) -> str:
    tables = models_in(item_type(field.annotation)) or models_in(field.annotation)
    key = next(iter(tables[0].model_fields), "key") if tables else ""
    table = f'{{"{key}": ...}}' if key else "..."
    if "[" in shapes:
        return f"write the whole list as [{table}] or [{table}, {table}]."
    return f"write the table as {table or '{...}'}."
