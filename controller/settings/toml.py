"""Reads a settings file as far as its form goes: text, TOML, version.

In:    the path of a file, and the ways from each older version to the next.
Out:   its tables, as the newest version has them, and its text.
Never: looks at a setting, or goes on with half a file.
"""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from controller.core import units
from controller.errors import SettingsError
from controller.settings.env import VERSION_KEY
from controller.settings.errors import Mistake, named
from controller.settings.lines import Lines
from controller.settings.words import found, unit_of

MOST_BYTES = 1024 * 1024

Migration = Callable[[dict[str, Any]], dict[str, Any]]
"""Turns the tables of version n into those of version n + 1."""
MIGRATIONS: dict[int, Migration] = {}
"""By the version they start from. Empty: version 1 is the first."""


class SettingsText(NamedTuple):
    """A file that is TOML of a known version. ``mistakes``: what else is wrong with its form."""

    tables: dict[str, Any]
    text: str
    mistakes: tuple[Mistake, ...] = ()
    note: str = ""  # what a reader of further mistakes has to know


def read_text(path: Path) -> str:
    """The file as text. Raises SettingsError saying why it cannot be read."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise SettingsError(f"{path}: is a folder; name the settings file within it.")
        if not stat.S_ISREG(mode):
            raise SettingsError(f"{path}: is no ordinary file.")
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such settings file. Check the path.") from None
    except PermissionError:
        raise SettingsError(f"{path}: may not be read by this user. Check owner and mode.") from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or str(error)
        raise SettingsError(f"{path}: cannot be read: {words}.") from None
    if len(content) > MOST_BYTES:
        raise SettingsError(f"{path}: is larger than 1 MiB, so it is hardly a settings file.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SettingsError(f"{path}:{line}: is not UTF-8 text. Save the file as UTF-8.") from None


def read_tables(path: Path, migrations: Mapping[int, Migration]) -> SettingsText:
    text = read_text(path)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(_bad_toml(path, text, str(error))) from None
    except RecursionError:
        raise SettingsError(f"{path}: lists or tables within each other are nested too deeply.") from None
    except ValueError:  # the interpreter's own limit on the digits of a whole number
        many = re.search("[0-9_]{4300}", text)
        number = text.count("\n", 0, many.start()) + 1 if many else 1
        raise SettingsError(f"{path}:{number}: a number has too many digits.") from None
    if VERSION_KEY not in tables:
        to_add = f"{VERSION_KEY} = {newest(migrations)}"
        missing = Mistake(1, f"{path}:1: {VERSION_KEY} is missing. Add as the first line: {to_add}")
        return SettingsText(tables, text, (missing,))
    version, known = tables[VERSION_KEY], newest(migrations)
    tables = _brought_up(tables, path, text, migrations)
    note = f"({path} is written for version {version} and was read as version {known}.)"
    return SettingsText(tables, text, note=note if version != known else "")


def newest(migrations: Mapping[int, Migration]) -> int:
    return max(migrations, default=0) + 1


def _brought_up(
    tables: dict[str, Any], path: Path, text: str, migrations: Mapping[int, Migration]
) -> dict[str, Any]:
    known = newest(migrations)
    version = tables[VERSION_KEY]
    at = f"{path}:{Lines(text).of((VERSION_KEY,))}: {VERSION_KEY}: found {found(version)}"
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise SettingsError(f"{at}; allowed: {'only' if known == 1 else 'a whole number from 1 to'} {known}.")
    if version > known:
        raise SettingsError(
            f"{at}: written for a newer hygrohold; this one knows versions up to {known}: "
            f"upgrade hygrohold, or go back to a settings file of version {known}."
        )
    for step in range(version, known):
        if step not in migrations:
            raise SettingsError(f"{at}: there is no way from version {step} to version {step + 1}.")
        try:
            tables = migrations[step](tables)
        except Exception as error:  # a migration meets whatever a keeper wrote, unchecked
            raise SettingsError(
                f"{at}: cannot be brought to version {step + 1} ({error}). Write the file anew."
            ) from error
    return {**tables, VERSION_KEY: known}


_HINTS = (
    (r"=\s*\d{1,2}:\d{2}\s*(#.*)?$", 'a time of day needs quotes: "07:30"'),
    (r"=\s*[-+]?\d+,\d", "the decimal sign is a point: 0.5"),
    (r"=\s*(True|False|TRUE|FALSE|yes|no|on|off)\b", "write true or false, in small letters"),
    (r"=\s*[-+]?(\.\d|\d+\.(\D|$)|0\d)", "write numbers in full, without leading zeros: 0.5, 5.0"),
    (r"=\s*[A-Za-z/]", "text needs quotes"),
    (r"=\s*(#.*)?$", "there is no value after the ="),
    (r"=\s*[^\"'\[{]*[%°]", "write the number without its unit"),
    (r"^\s*[\w.-]+\s*:", "between key and value stands =, not a colon"),
)


_WITH_UNIT = re.compile(r"^\s*([\w-]+)\s*=\s*([-+]?\d+(?:\.\d+)?)\s*([A-Za-zµ°%][^#\"'=]*?)\s*(?:#.*)?$")
_CONVERTED = (units.litres, units.litres_an_hour, units.celsius, units.kelvin)


def _of_unit(line: str) -> str:
    """How to write a figure whose unit stands bare behind it; "" where there is none."""
    found = _WITH_UNIT.match(line)
    if not found:
        return ""
    key, figure, unit = found.groups()
    if any(units.read(f"{figure} {unit}", into) is not None for into in _CONVERTED):
        return f'put a figure with its unit in quotes: {key} = "{figure} {unit}"'
    return f"write the number without its unit: {key} = {figure}" + (
        f" is {figure} {named_unit}" if (named_unit := unit_of(key)) else ""
    )


def _bad_toml(path: Path, text: str, words: str) -> str:
    match = re.search(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", words, re.DOTALL)
    lines = text.replace("\r\n", "\n").split("\n")
    said = match[1] if match else words
    line, column = (int(match[2]), int(match[3])) if match and match[2] else (len(lines), len(lines[-1]) + 1)
    for twice in Lines(text).twice:
        if twice.line <= line and ("overwrite" in said or "twice" in said):
            return (
                f"{path}:{twice.line}: {named(twice.place)} is set twice; it stands on line "
                f"{twice.first_line} already. Keep one of them. (column {column})"
            )
    said = "this key or table is there already" if re.search("overwrite|twice|mutate", said) else said
    if "\\n" in said:
        said = "the text does not end on its line; its closing quote is missing"
    hint = _of_unit(lines[line - 1]) or next(
        (words for form, words in _HINTS if re.search(form, lines[line - 1])), ""
    )
    return f"{path}:{line}: not readable as TOML at column {column}: {said.rstrip('.')}." + (
        f" Perhaps: {hint}." if hint else ""
    )
