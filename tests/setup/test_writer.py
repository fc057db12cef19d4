"""The written file says what it was made of, whatever that is."""

from __future__ import annotations

import re
import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, Field, SecretStr

from controller.settings import RoomProbe, Settings
from controller.settings.lines import Place
from controller.settings.writer import WIDTH, settings_text, toml_value
from tests.setup.any_settings import LEAVES, any_settings

KEY = re.compile(r"^# (?=[a-z_0-9]+ = )", re.MULTILINE)


def uncommented(text: str) -> str:
    """As a keeper would who takes the # away from every key."""
    return KEY.sub("", text)


def loaded(text: str, folder: Path) -> Settings:
    path = folder / "written.toml"
    path.write_text(text, encoding="utf-8", newline="\n")
    return Settings.load(path, {})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("written")


@given(any_settings())
def test_what_is_read_is_what_was_written(folder: Path, made: tuple[Settings, frozenset[Place]]) -> None:
    settings, answered = made
    text = settings_text(settings, answered, first=("settings_version", "room"))
    assert loaded(text, folder) == settings


@given(any_settings())
def test_with_every_key_uncommented_it_is_still_the_same(
    folder: Path, made: tuple[Settings, frozenset[Place]]
) -> None:
    settings, answered = made
    if settings.tank.output_l_per_h is None:  # else full_tank_lasts_h would say the same thing twice
        assert loaded(uncommented(settings_text(settings, answered)), folder) == settings


def test_an_example_is_usable_by_taking_the_mark_away(folder: Path) -> None:
    text = settings_text(Settings(), ())
    assert "\n#   frsi = 0.7\n" in text
    assert loaded(text.replace("#   frsi", "frsi"), folder).surface.frsi == 0.7


def test_nothing_answered_is_the_default(folder: Path) -> None:
    text = settings_text(Settings(), ())
    assert [line for line in text.splitlines() if line and line[0] not in "#["] == [
        "settings_version = 1            # of this file"
    ]
    assert loaded(text, folder) == loaded(uncommented(text), folder) == Settings()


def test_every_key_stands_in_its_table() -> None:
    text = settings_text(Settings(), ())
    tables = dict(re.findall(r"^\[\[?([a-z_.]+)\]\]?\n(.*?)(?=^\[|\Z)", text, re.MULTILINE | re.DOTALL))
    for place, _ in LEAVES:
        table = tables[".".join(map(str, place[:-1]))] if len(place) > 1 else text
        assert re.search(rf"^#? *{place[-1]}(?: =|:)", table, re.MULTILINE), place
    for key in RoomProbe.model_fields:
        assert re.search(rf"^#? *{key}(?: =|:)", tables["probe"], re.MULTILINE), key


def test_an_answer_at_its_default_stands_plain_and_first(folder: Path) -> None:
    text = settings_text(Settings(), {("target", "ramp_minutes")}, {("target", "ramp_minutes"): "as said"})
    table = text.split("[target]\n")[1]
    assert table.startswith("ramp_minutes = 45               # as said\n# day_rh_pct = 65 ")


def test_what_differs_stands_plain_though_nobody_answered_it() -> None:
    text = settings_text(Settings(loop={"tick_s": 7}), ())
    assert "\ntick_s = 7 " in text


def test_head_and_long_words_are_comments_that_nobody_uncomments_by_mistake(folder: Path) -> None:
    words = "long " * 40
    text = settings_text(Settings(), {("room", "name")}, {("room", "name"): words}, head="a = 1\n\n" + words)
    assert text.startswith("# a = 1\n#\n# long long")
    assert all(len(line) <= WIDTH for line in text.splitlines() if "long" in line)
    assert "#   long long" in text
    assert loaded(text, folder) == Settings()


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (3, "3"),
        (3.0, "3"),
        (0.1, "0.1"),
        (-0.5, "-0.5"),
        (1e-7, "1e-07"),
        (1e300, "1e+300"),
        ("a", '"a"'),
        ('"\\\n\x7f\x00é', '"\\"\\\\\\n\\u007f\\u0000é"'),
        (SecretStr("b"), '"b"'),
        (time(7, 30), '"07:30"'),
        (time(7, 30, 5), '"07:30:05"'),
        (date(2026, 1, 14), "2026-01-14"),
        (datetime(2026, 1, 14, 7, 0), "2026-01-14T07:00:00"),  # noqa: DTZ001  local, as in a file
        ((time(7, 0), time(21, 0)), '["07:00", "21:00"]'),
        ([], "[]"),
    ],
)
def test_each_kind_of_value(value: Any, text: str) -> None:
    assert toml_value(value) == text
    tomllib.loads(f"x = {text}")


@given(
    st.text(st.characters(codec="utf-8")) | st.floats(allow_nan=False, allow_infinity=False) | st.integers()
)
def test_texts_and_figures_are_toml(value: Any) -> None:
    """Check: tomllib, the standard library's reader of TOML 1.0."""
    assert tomllib.loads(f"x = {toml_value(value)}") == {"x": value}


def test_what_toml_cannot_hold_is_refused() -> None:
    with pytest.raises(TypeError, match="complex cannot be written"):
        toml_value(1j)


class Inner(BaseModel):
    """An inner table."""

    size: int = 1


class Outer(BaseModel):
    must: str
    bare: int = 2
    inner: Inner | None = None
    many: tuple[Inner, ...] = Field((), description="several of them")


def test_any_model_can_be_written() -> None:
    model = Outer(must="be", many=(Inner(), Inner(size=2)))
    text = settings_text(model, ())
    assert Outer(**tomllib.loads(text)) == model
    assert text == (
        'must = "be"\n'
        "# bare = 2\n"
        "\n#   [inner]: none. An inner table. (size)\n"
        "\n# Several of them\n[[many]]\n# size = 1\n"
        "\n# Several of them\n[[many]]\nsize = 2\n"
    )
