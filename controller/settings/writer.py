"""Writes a settings file: what was answered, and all the rest as comments at its default.

In:    settings, the places a person answered, words about some of them.
Out:   the text of a TOML file that loads to exactly these settings; with every ``# key = value`` line
       uncommented it still does, where no two keys say the same thing twice.
Never: drops a value that differs from its default, answered or not.

Comments are the fields' own descriptions. TOML has no "nothing": a key without a value, a table or list
that is not there, is told of in a line that cannot be uncommented; a key without a value that has an example
stands there with it, indented (``#   key = value``): it is no default.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Collection, Iterator, Mapping
from datetime import date, datetime, time
from typing import Any

from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo

from controller.settings.env import VERSION_KEY
from controller.settings.lines import Place
from controller.settings.words import allowed, field_kinds, item_type, models_in

WIDTH = 100
COMMENT_FROM = 32
EXACT_BELOW = 2.0**53
"""Whole numbers below this are exact as floating point, and shown without a point."""


def settings_text(
    settings: BaseModel,
    answered: Collection[Place],
    notes: Mapping[Place, str] | None = None,
    head: str = "",
    first: Collection[str] = (),
) -> str:
    """The file. ``notes`` are comments in place of a description; ``first`` names what comes first."""
    lines = [*_comment(head)]
    written = _Writer(frozenset(answered), notes or {})
    names = list(type(settings).model_fields)
    lines += written.table(settings, (), [*first, *(name for name in names if name not in first)])
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:
    """One value as TOML. Raises TypeError for what TOML cannot hold."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        whole = value.is_integer() and abs(value) < EXACT_BELOW
        return str(int(value)) if whole else repr(value)
    if isinstance(value, SecretStr):  # a settings file is where it lives
        value = value.get_secret_value()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, time):
        text = value.isoformat()
        return f'"{text.removesuffix(":00") if len(text) > 5 else text}"'
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    raise TypeError(f"{type(value).__name__} cannot be written as TOML")


class _Writer:
    def __init__(self, answered: frozenset[Place], notes: Mapping[Place, str]) -> None:
        self._answered = answered
        self._notes = notes

    def table(self, model: BaseModel, place: Place, names: Collection[str]) -> Iterator[str]:
        """Its keys, answered ones first; then the tables within it, as TOML wants it."""
        fields = {name: type(model).model_fields[name] for name in names}
        plain = {name: field for name, field in fields.items() if not _holds_tables(field)}
        used = [name for name in plain if self._is_used(model, (*place, name), plain[name])]
        for name in used:
            yield from self._line("", (*place, name), getattr(model, name), plain[name])
        for name, field in plain.items():
            if name not in used:
                yield from self._unused((*place, name), field)
        for name, field in fields.items():
            if _holds_tables(field):
                yield from self._inner((*place, name), getattr(model, name), field)

    def _is_used(self, model: BaseModel, place: Place, field: FieldInfo) -> bool:
        value = getattr(model, str(place[-1]))
        if value is None:
            return False
        needed = field.is_required() or place == (VERSION_KEY,)
        return needed or place in self._answered or value != field.get_default()

    def _inner(self, place: Place, value: Any, field: FieldInfo) -> Iterator[str]:
        if isinstance(value, BaseModel):
            yield from self._headed("[{}]", place, value, field)
            return
        if not value:
            yield ""
            yield from _comment(_absent(place, field), "#   ")
        for number, entry in enumerate(value or ()):
            yield from self._headed("[[{}]]", (*place, number), entry, field)

    def _headed(self, form: str, place: Place, model: BaseModel, field: FieldInfo) -> Iterator[str]:
        yield ""
        yield from _comment(_capital(self._notes.get(place) or _about(field, type(model))))
        yield form.format(".".join(part for part in place if isinstance(part, str)))
        yield from self.table(model, place, list(type(model).model_fields))

    def _line(self, mark: str, place: Place, value: Any, field: FieldInfo, about: str = "") -> Iterator[str]:
        statement = f"{mark}{place[-1]} = {toml_value(value)}"
        words = about or self._notes.get(place) or field.description or ""
        beside = f"{statement:<{COMMENT_FROM - 2}}  # {words}"
        if not words:
            yield statement
        elif len(beside) <= WIDTH:
            yield beside
        else:
            yield from _comment(words, "#   ")
            yield statement

    def _unused(self, place: Place, field: FieldInfo) -> Iterator[str]:
        default = field.get_default()
        if default is not None:
            yield from self._line("# ", place, default, field)
            return
        name = str(place[-1])
        may = f"not set; {allowed(field_kinds(field), name)}"
        if field.examples:  # what it takes to be set: the # away, and a figure of one's own
            about = f"{field.description or ''} ({may}; this is an example)"
            yield from self._line("#   ", place, field.examples[0], field, about)
            return
        yield from _comment(f"{name}: {field.description or ''} ({may})", "#   ")


def _holds_tables(field: FieldInfo) -> bool:
    return bool(models_in(field.annotation) or models_in(item_type(field.annotation)))


def _about(field: FieldInfo, model: type[BaseModel]) -> str:
    return field.description or (model.__doc__ or "").strip().split("\n")[0]


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _absent(place: Place, field: FieldInfo) -> str:
    """A table, or a list of tables, that is not there."""
    is_list = item_type(field.annotation) is not None
    model = (models_in(item_type(field.annotation)) if is_list else models_in(field.annotation))[0]
    name = ".".join(part for part in place if isinstance(part, str))
    heading = f"[[{name}]]" if is_list else f"[{name}]"
    return f"{heading}: none. {_capital(_about(field, model))} ({', '.join(model.model_fields)})"


def _comment(words: str, mark: str = "# ") -> Iterator[str]:
    """As many lines as it takes. Lines of ``words`` are kept; long ones are broken."""
    for line in words.splitlines():
        for part in textwrap.wrap(line, WIDTH - len(mark)) or [""]:
            yield f"{mark}{part}".rstrip()
