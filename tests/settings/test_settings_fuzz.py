"""Whatever stands in a file or a variable: settings, or a SettingsError in words."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import SettingsError
from controller.settings.file import load_settings

SOUND = """\
settings_version = 1
active = true
[target]
day_rh_pct = 55.5
night_rh_pct = 70
day_from = "07:30"
night_from = 20:00:00
run_s_max = 600
lag_s = 1e1
[[probe]]
kind = "hwmon"
bus = '1-0044'
[[probe]]
kind = "iio"
[keys]
pin = 17
[loop]
tick_s = 10
"""
PIECES = (
    "[", "]", "[[probe]]", "[target]", "[loop.x]", "=", ".", '"', "'''", "{", "}", ",", "#", "\\", "\n", "\r",
    "\0", "nan", "-inf", "1e999", "true", "0x" + "f" * 400, "9" * 5000, "07:30", "12:00:00", "1-1-1",
    "1979-05-27T07:32:00Z",
    '"07:30Z"', "'50'", "tick_s = 1", "é", "\u2028", "\ufeff", "x" * 100, "[]", "{}", "{a.b=1}",
    "settings_version", "7",
)  # fmt: skip


VALUES = (
    "0",
    "20",
    "99.5",
    "-1",
    '"08:15"',
    "21:00:00",
    "false",
    '"iio"',
    "nan",
    "1e999",
    "[1]",
    "{kind='iio'}",
    "730",
)


def mutated(seed: int) -> str:
    """Half of them with other values, as a keeper may write; half with damage anywhere."""
    chance = random.Random(seed)
    if chance.random() < 0.5:
        lines = SOUND.split("\n")
        for _ in range(chance.randint(1, 2)):
            at = chance.choice([number for number, line in enumerate(lines) if "=" in line])
            value = chance.choice(VALUES if chance.random() < 0.8 else PIECES)
            lines[at] = f"{lines[at].partition('=')[0]}= {value}"
        return "\n".join(lines)
    text = SOUND
    for _ in range(chance.randint(1, 3)):
        at, until = (chance.randrange(len(text) + 1) for _ in range(2))
        piece = chance.choice((*PIECES, text[min(at, until) : max(at, until)]))
        text = text[:at] + piece + text[at + chance.randint(0, 12) :]
    return text


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz") / "room.toml"


def answer(model: Any, path: Path, content: bytes, environ: dict[str, str]) -> None:
    path.write_bytes(content)
    words = "accepted"
    try:
        load_settings(model, path, environ)
    except SettingsError as error:
        words = str(error)
    assert all(line.strip() for line in words.split("\n"))
    assert "pydantic" not in words


def test_the_sound_text_is_sound(toy, room):
    room.write_text(SOUND)
    assert load_settings(toy, room, {}).target.day_rh_pct == 55.5


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_mutated_files(toy, room, seed):
    answer(toy, room, mutated(seed).encode("utf-8", "surrogatepass"), {})


@settings(max_examples=40, deadline=None)
@given(
    content=st.one_of(
        st.binary(max_size=200), st.text(max_size=200).map(lambda t: t.encode("utf-8", "replace"))
    )
)
def test_any_bytes(toy, room, content):
    answer(toy, room, content, {})
    answer(toy, room, b"settings_version = 1\n" + content, {})


NAMES = st.sampled_from(
    ["ACTIVE", "TARGET", "PROBE", "KEYS__LABEL", "KEYS__PIN", "TARGET__DAY_FROM", "TARGET__LAG_S",
     "LOOP__TICK_S", "TARGET__CEILING_RH_PCT", "SETTINGS", "PROBE__0", "_", "loop"]
)  # fmt: skip
JSONS = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.sampled_from(["hwmon", "07:30Z", "x", ""])
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["kind", "bus", "day_from", "lag_s", "x"]), inner, max_size=3),
    ),
    max_leaves=6,
).map(json.dumps)


@settings(max_examples=40, deadline=None)
@given(
    environ=st.dictionaries(
        NAMES.map("HYGROHOLD_{}".format), st.one_of(JSONS, st.text(max_size=20)), max_size=4
    )
)
def test_any_environment(toy, room, environ):
    answer(toy, room, SOUND.encode(), environ)


@settings(max_examples=1500, deadline=None)
@given(seed=st.integers(0, 2**32))
@pytest.mark.slow
def test_many_mutated_files(toy, room, seed):
    answer(toy, room, mutated(seed).encode("utf-8", "surrogatepass"), {})
