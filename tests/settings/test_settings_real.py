"""The loader on the settings class that hygrohold really has."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from controller.errors import SettingsError
from controller.settings import SETTINGS_VERSION, Settings
from controller.settings.env import known_names
from controller.settings.file import load_settings
from controller.settings.toml import MIGRATIONS, newest
from controller.settings.words import allowed, field_kinds, item_type, models_in

SHIPPED = Path(__file__).parents[2] / "config" / "room.toml"
VERSION = f"settings_version = {SETTINGS_VERSION}\n"


def load(tmp_path: Path, text: str, **environ: str) -> Settings:
    path = tmp_path / "room.toml"
    path.write_text(VERSION + text)
    return Settings.load(path, environ)


def refused(tmp_path: Path, text: str, **environ: str) -> str:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text, **environ)
    return str(caught.value).replace(f"{tmp_path}/", "")


def test_the_shipped_file_says_the_defaults():
    if not SHIPPED.exists():
        pytest.skip("config/room.toml is not there yet")
    assert Settings.load(SHIPPED, {}) == Settings()


def test_nothing_given_is_the_default(tmp_path):
    assert Settings.load(None, {}) == Settings()
    assert load(tmp_path, "") == Settings()


def test_the_version_is_the_one_the_migrations_lead_to():
    assert newest(MIGRATIONS) == SETTINGS_VERSION


def test_an_empty_table_changes_nothing(tmp_path):
    # A default that differs from its own class's defaults would be lost with the first key set beside it.
    for name, field in Settings.model_fields.items():
        if models_in(field.annotation):
            assert load(tmp_path, f"[{name}]\n") == Settings(), name


def test_every_setting_is_reachable_and_described_in_plain_words():
    names = list(known_names(Settings, "HYGROHOLD_", "__"))
    assert len({name for name, _, _ in names}) == len(names)
    for name, place, field in names:
        words = allowed(field_kinds(field), str(place[-1]))
        assert words, name
        assert "as described" not in words, name


def models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for inner in models_in(field.annotation) + models_in(item_type(field.annotation)):
            yield from models(inner)


def test_every_model_forbids_unknown_keys():
    for model in models(Settings):
        assert model.model_config.get("extra") == "forbid", model
        assert model.model_config.get("frozen"), model


def test_own_checks_are_shown_with_their_lines(tmp_path):
    words = refused(tmp_path, "[loop]\ntick_s = 299\n\n[trust]\nbridge_s = 30\n")
    assert "See loop.tick_s = 299 (line 3), " in words
    assert "trust.bridge_s = 30 (line 6)" in words
    assert "room.toml:3: a tick of 299 s is longer than" in words


def test_an_unnamed_probe_stands_at_its_own_table(tmp_path):
    words = refused(tmp_path, '[[probe]]\n[[probe]]\nkind = "iio"\n')
    assert words.startswith('room.toml:3: probe #2: kind = "iio" needs at')


def test_environment_over_file(tmp_path):
    text = '[room]\nname = "a"\ntimezone = "Europe/Oslo"\n'
    made = load(tmp_path, text, HYGROHOLD_ROOM__NAME="b", HYGROHOLD_PROBE="[{}]")
    assert (made.room.name, made.room.timezone, len(made.probe)) == ("b", "Europe/Oslo", 1)


TABLES = [name for name, field in Settings.model_fields.items() if models_in(field.annotation)]
VALUES = [
    "nan",
    "1e999",
    "true",
    '"50"',
    "0",
    "-1",
    "1e9",
    "[]",
    "{}",
    '"07:30Z"',
    "730",
    "06:00:00",
    '"x"',
    "[[1]]",
]


def some_text(seed: int) -> str:
    chance = random.Random(seed)
    lines = []
    for table in chance.sample(TABLES, min(3, len(TABLES))):
        lines.append(f"[{table}]")
        model: Any = models_in(Settings.model_fields[table].annotation)[0]
        keys = list(model.model_fields)
        lines += [f"{key} = {chance.choice(VALUES)}" for key in chance.sample(keys, min(3, len(keys)))]
    return "\n".join(lines)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("real")


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_odd_values_are_answered_in_words(folder, seed):
    path = folder / "room.toml"
    path.write_text(VERSION + some_text(seed))
    words = "accepted"
    try:
        load_settings(Settings, path, {})
    except SettingsError as error:
        words = str(error)
    assert "pydantic" not in words
    assert "as described" not in words
