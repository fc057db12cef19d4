"""Loads settings: the environment over the file over the defaults; keeps the last good file.

In:    a settings class, the path of a TOML file or none, the environment.
Out:   settings that passed every check; or SettingsError naming every mistake at once.
Never: reads a .env file, passes over a mistake, or hands out settings checked in part.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from controller.errors import KeptStateError, SettingsError
from controller.files import write_whole
from controller.settings.env import VERSION_KEY, Environment, read_environment
from controller.settings.errors import Mistake, Origin, in_words, refusal
from controller.settings.lines import Lines
from controller.settings.places import spot_at, wrong_make
from controller.settings.toml import MIGRATIONS, Migration, SettingsText, read_tables, read_text

T = TypeVar("T", bound=BaseSettings)

PREFIX = "HYGROHOLD_"
DELIMITER = "__"
LAST_GOOD = "settings-last-good.toml"


def load_settings(
    model: type[T],
    path: Path | None,
    environ: Mapping[str, str] = os.environ,
    prefix: str = PREFIX,
    delimiter: str = DELIMITER,
    migrations: Mapping[int, Migration] = MIGRATIONS,
) -> T:
    """Reads and checks. ``path`` None: the defaults and the environment alone."""
    file = read_tables(path, migrations) if path is not None else SettingsText({}, "")
    environment = read_environment(model, environ, prefix, delimiter)
    own_keys = {VERSION_KEY} - set(model.model_fields)
    tables = {key: value for key, value in file.tables.items() if key not in own_keys}
    layered = _layered(model, tables, environment, prefix, delimiter)
    merged = _merged(tables, _from_environment(layered, environment, prefix, delimiter)())
    origin = Origin(model, merged, str(path or ""), Lines(file.text), environment)
    mistakes = [*file.mistakes, *(Mistake.without_line(text) for text in environment.mistakes)]
    errors: list[Mapping[str, Any]] = list(_wrongly_made(model, tables, environment))
    loaded = None
    try:
        loaded = layered()
    except ValidationError as error:
        errors += error.errors(include_url=False)
    except TypeError:
        # A check that compares two values may stumble over one of the wrong make, such as a
        # time of day with a time zone. That one is in the list already.
        if not errors:
            raise
    mistakes += in_words(errors, origin)
    if loaded is None or mistakes:
        raise refusal(mistakes, file.note)
    # As the class asked for, so that it equals one made without a file.
    values = {name: getattr(loaded, name) for name in model.model_fields}
    return cast("T", model.model_construct(loaded.model_fields_set, **values))


def load_or_last_good(
    model: type[T],
    path: Path | None,
    state_dir: Path,
    environ: Mapping[str, str] = os.environ,
    prefix: str = PREFIX,
    delimiter: str = DELIMITER,
    migrations: Mapping[int, Migration] = MIGRATIONS,
) -> tuple[T, str]:
    """The settings and "", or those of the last good copy and the words to raise an alarm with."""
    try:
        return load_settings(model, path, environ, prefix, delimiter, migrations), ""
    except SettingsError as refused:
        copy = state_dir / LAST_GOOD
        if path is None:
            raise
        try:
            settings = load_settings(model, copy, environ, prefix, delimiter, migrations)
        except SettingsError:
            raise refused from None
        return settings, f"{refused}\nIn use instead: the last good copy, {copy}."


def remember_good(path: Path, state_dir: Path) -> None:
    """Keeps a copy of an accepted file, whole or not at all. Raises KeptStateError if it cannot."""
    copy = state_dir / LAST_GOOD
    text = read_text(path)
    with contextlib.suppress(OSError):  # absent or unreadable: written anew below
        if copy.read_bytes() == text.encode():
            return  # a memory card is not written for nothing
    try:
        state_dir.mkdir(parents=True, exist_ok=True)
        write_whole(copy, text)
        copy.chmod(stat.S_IMODE(path.stat().st_mode) & 0o660 | 0o600)  # as private as the file itself
    except OSError as error:
        raise KeptStateError(f"{copy}: cannot be written: {error.strerror or error}.") from error


def _layered(
    model: type[T], tables: Mapping[str, Any], environment: Environment, prefix: str, delimiter: str
) -> type[T]:
    """The class with our two sources. The file comes in parsed: it is read once, and may be migrated."""

    class Layered(model):  # type: ignore[valid-type,misc]
        # Case matters in a file: otherwise one of [target] and [Target] would vanish unsaid.
        model_config = SettingsConfigDict(extra="forbid", case_sensitive=True)

        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], **_: PydanticBaseSettingsSource
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return (
                _from_environment(settings_cls, environment, prefix, delimiter),
                InitSettingsSource(settings_cls, dict(tables)),
            )

    return Layered


def _from_environment(
    model: type[BaseSettings], environment: Environment, prefix: str, delimiter: str
) -> EnvSettingsSource:
    source = EnvSettingsSource(
        model,
        case_sensitive=False,
        env_prefix=prefix.lower(),
        env_nested_delimiter=delimiter,
        env_ignore_empty=False,
    )
    # Only the variables that were looked through, shallow ones first: a whole table given as
    # JSON must not wipe out a single key of it.
    source.env_vars = {variable.name.lower(): variable.text for variable in environment.variables}
    return source


def _merged(file: Mapping[str, Any], environment: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(file)
    for key, value in environment.items():
        below = merged.get(key)
        merged[key] = _merged(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def _wrongly_made(
    model: type[BaseModel], tables: Mapping[str, Any], environment: Environment
) -> list[dict[str, Any]]:
    """Entries like the library's own, for values it would convert in silence."""
    places = [place for place in wrong_make(model, tables) if environment.blame(place) is None]
    for variable in environment.variables:
        field = spot_at(model, {}, variable.place)
        textual = isinstance(variable.value, str)
        made = wrong_make(field.annotation, variable.value, variable.place, textual=textual)
        places += [place for place in made if environment.blame(place) is variable]
    return [{"type": "wrong_make", "loc": place, "input": None} for place in places]
