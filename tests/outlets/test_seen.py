"""A status file of a wrong kind counts as none: one bad file must not keep other rooms from being told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.outlets.exposition import text
from controller.outlets.publisher import letters
from controller.outlets.seen import RoomFile, RoomSeen, look
from tests.outlets.helpers import ALARM, NOON, seen, status, write


def test_a_whole_status_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write(path, alarms=[ALARM])
    found = look(RoomFile("larch", path, "us"), NOON)
    assert (found.fresh, found.age_s) == (True, 0.0)
    assert found.told("24 °C") == "75 °F"  # 24 * 9 / 5 + 32


@pytest.mark.parametrize(
    "changes",
    [
        {"rh_pct": float("nan")},
        {"surface_c": float("inf")},
        {"tank_on_h": "3"},
        {"reasons": [1]},
        {"alarms": [{**ALARM, "code": None}]},
        {"notices": [{key: value for key, value in ALARM.items() if key != "acked_by"}]},
        {"to_do": None},
    ],
)
def test_a_status_of_a_wrong_kind_is_none(tmp_path: Path, changes: dict[str, Any]) -> None:
    path = tmp_path / "status.json"
    write(path, **changes)
    assert look(RoomFile("larch", path), NOON) == RoomSeen("larch", None, None, False)


wild = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
values = wild | st.lists(wild, max_size=2) | st.dictionaries(st.sampled_from(["code", "words"]), wild)


@settings(max_examples=20)
@given(changes=st.dictionaries(st.sampled_from(sorted(status())), values, max_size=3))
def test_whatever_stands_in_the_file_it_is_told_or_counts_as_none(
    tmp_path_factory: pytest.TempPathFactory, changes: dict[str, Any]
) -> None:
    path = tmp_path_factory.getbasetemp() / "wild.json"
    path.write_text(json.dumps({**status(), **changes}))
    found = look(RoomFile("larch", path), NOON)
    assert text([found, seen("oak")])
    assert letters("a", found)
