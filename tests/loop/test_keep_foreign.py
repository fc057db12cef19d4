"""Kept state of a foreign make: set aside and said, whatever it holds."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.controller import Controller
from controller.core.records import Inputs, Instant, Reading
from controller.core.state import STATE_VERSION
from controller.errors import KeptStateError
from controller.keep import LARGEST_BYTES, NAMES, FileKeep
from tests.loop.helpers import NOON, flat
from tests.loop.test_keep import CAP_S, lived, spoilt_is_set_aside, two_kept


def wrapped(text: str, number: Any = 99, crc32: int | None = None) -> str:
    return json.dumps(
        {"number": number, "crc32": zlib.crc32(text.encode()) if crc32 is None else crc32, "state": text}
    )


def plain_with(**changes: Any) -> str:
    return json.dumps({**lived().to_plain(), **changes})


@pytest.mark.parametrize(
    "text",
    [
        plain_with(version=STATE_VERSION + 1),
        plain_with(version="1"),
        plain_with(version=None),
        plain_with(t="soon"),
        plain_with(runtime="empty"),
        plain_with(probes=7),
        plain_with(wall="2026-01-10T12:00:00+99:99"),
        '{"version": 1, "t": NaN}',
        "[]",
        "null",
        "{}",
        "7",
        '"state"',
        "",
        "[" * 100_000,
    ],
)
def test_a_well_summed_state_of_a_foreign_make_is_set_aside(tmp_path: Path, text: str) -> None:
    older, _ = two_kept(tmp_path)
    spoilt_is_set_aside(tmp_path, wrapped(text).encode(), older)


@pytest.mark.parametrize(
    "content",
    [
        b"null",
        b"[]",
        b"7",
        b'"x"',
        b'{"number": 1}',
        wrapped(plain_with(), number=None).encode(),
        wrapped(plain_with(), number="9").encode(),
        wrapped(plain_with(), number=1.5).encode(),
        wrapped(plain_with(), crc32=1).encode(),
        json.dumps({"number": 3, "crc32": 0, "state": {}}).encode(),
        b"\xff\xfe" + b"a" * 50,
        b"[" * 100_000,
        b"0" * (LARGEST_BYTES + 1),
    ],
)
def test_a_file_of_another_make_is_set_aside(tmp_path: Path, content: bytes) -> None:
    older, _ = two_kept(tmp_path)
    spoilt_is_set_aside(tmp_path, content, older)


def test_figures_no_ledger_can_hold_are_not_taken_for_one(tmp_path: Path) -> None:
    """A run without an end would hold the cap for ever."""
    older, _ = two_kept(tmp_path)
    runtime = {"runs": [[0.0, "inf"]], "closed_s": "inf", "open_t": None, "capped_until_t": None}
    spoilt_is_set_aside(tmp_path, wrapped(plain_with(runtime=runtime)).encode(), older)


JSONISH = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)


@given(
    st.binary(max_size=300)
    | st.text(max_size=200).map(str.encode)
    | JSONISH.map(lambda v: json.dumps(v).encode())
)
def test_no_file_brings_anything_but_words(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    folder = tmp_path_factory.mktemp("keep")
    (folder / NAMES[0]).write_bytes(content)
    try:
        kept = FileKeep(folder).load(CAP_S)
    except KeptStateError:
        return
    assert kept.remarks
    assert kept.state.lost


@given(st.data())
def test_no_change_of_a_field_brings_anything_but_words(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """A well-summed state with one part of it replaced: loaded or set aside, and stepped without a raise."""
    folder = tmp_path_factory.mktemp("keep")
    plain = lived(12).to_plain()
    key = data.draw(st.sampled_from(sorted(plain)))
    inner = plain[key]
    value = data.draw(JSONISH)
    if isinstance(inner, dict) and data.draw(st.booleans()):
        plain[key] = {**inner, data.draw(st.sampled_from(sorted(inner))): value}
    else:
        plain[key] = value
    (folder / NAMES[1]).write_text(wrapped(json.dumps(plain), number=3))
    try:
        kept = FileKeep(folder).load(CAP_S)
    except KeptStateError:
        return
    controller = Controller(flat(), kept.state)
    for tick in range(3):
        decision = controller.step(Inputs((Reading(50.0, 24.0),)), Instant(10.0 * tick, NOON, True, "z"))
        assert not decision.relay_on  # never on before three good samples
