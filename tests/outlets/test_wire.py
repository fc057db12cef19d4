"""Topics and the state's JSON: what is written can be read, and what strangers write does no harm."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.outlets import wire
from controller.outlets.seen import RoomSeen
from tests.outlets.helpers import ALARM, GOOD_FOR_S, NOON, seen


def payload(room: RoomSeen, board: str = "shed-a") -> bytes:
    return wire.state_payload(wire.state(board, room), room.age_s).encode()


def test_what_is_written_is_read_again() -> None:
    said = wire.read_state(payload(seen(alarms=[ALARM], rh_pct=61.5, temp_c=23.5, target_rh_pct=60.0)))
    assert said is not None
    assert (said.rh_pct, said.temp_c, said.target_rh_pct) == (61.5, 23.5, 60.0)
    assert (said.at, said.age_s, said.good_for_s) == (NOON, 3.0, GOOD_FOR_S)
    assert (said.running, said.relay_on) == (True, True)
    assert said.alarms == ("The probe is silent.",)
    assert said.sentence.startswith("On: the room is drier than wanted")


def test_a_stale_status_leaves_no_figure() -> None:
    plain = json.loads(payload(seen(fresh=False, age_s=500.0)))
    assert set(plain) == {"form", "board", "room", "at", "running", "good_for_s", "sentence", "age_s"}
    assert plain["running"] is False
    assert "is not running. Its last word is of 2026-01-12 12:00:00" in plain["sentence"]
    said = wire.read_state(json.dumps(plain).encode())
    assert said is not None
    assert (said.running, said.rh_pct) == (False, None)


def test_a_room_without_a_status_says_so() -> None:
    said = wire.read_state(payload(RoomSeen("larch", None, None, False)))
    assert said is not None
    assert (said.at, said.age_s, said.sentence) == (None, None, "The program of this room is not running.")


def test_sentences_are_in_the_keepers_units() -> None:
    room = seen(sentence="Off: 24 °C.", alarms=[{**ALARM, "words": "It is 24 °C."}])._replace(units="us")
    plain = json.loads(payload(room))
    assert plain["sentence"] == "Off: 75 °F."  # 24 * 9 / 5 + 32
    assert plain["alarms"][0]["words"] == "It is 75 °F."
    assert plain["temp_c"] == 24.0


def test_the_largest_state_is_small_enough_to_be_read() -> None:
    """More messages than there can be, each longer than any, in letters of four bytes."""
    long = {**ALARM, "words": "\U0001f40d" * 5000, "acked_by": "\U0001f40d" * 5000}
    room = seen(alarms=[long] * 100, notices=[long] * 100, sentence="\U0001f40d" * 5000, to_do="x" * 9000)
    text = payload(room)
    assert len(text) <= wire.LARGEST_BYTES
    assert wire.read_state(text) is not None


@pytest.mark.parametrize(
    ("topic", "found"),
    [
        ("hygrohold/shed-a/online", wire.Topic("shed-a", "", "online")),
        ("hygrohold/shed-a/rooms", wire.Topic("shed-a", "", "rooms")),
        ("hygrohold/shed-a/larch/state", wire.Topic("shed-a", "larch")),
        ("hygrohold/shed-a/online/state", wire.Topic("shed-a", "online")),
        ("hygrohold/shed-a/larch/senml", None),
        ("hygrohold/Shed/larch/state", None),
        ("hygrohold//larch/state", None),
        ("hygrohold/a/b/c/state", None),
        ("hygrohold/a/b/state\n", None),
        ("hygrohold/" + "a" * 41 + "/b/state", None),
        ("other/a/b/state", None),
        ("", None),
    ],
)
def test_topics(topic: str, found: wire.Topic | None) -> None:
    assert wire.read_topic(topic) == found


def test_the_topics_written_are_those_that_are_read() -> None:
    assert wire.read_topic(wire.online_topic("a")) == wire.Topic("a", "", "online")
    assert wire.read_topic(wire.rooms_topic("a")) == wire.Topic("a", "", "rooms")
    assert wire.read_topic(wire.state_topic("a", "b")) == wire.Topic("a", "b")


def test_a_boards_rooms_are_read_again_and_nothing_else_is() -> None:
    assert wire.read_rooms(wire.rooms_payload(["oak", "larch", "oak"]).encode()) == ("larch", "oak")
    for text in (
        b"",
        b"\xff",
        b"{}",
        b'["A"]',
        b"[1]",
        b"[" * 30000,
        b'["a"' + b',"a"' * 300 + b"]",
        b" " * 40000,
    ):
        assert wire.read_rooms(text) is None


@pytest.mark.parametrize(
    ("host", "board"),
    [("Shed-A.local", "shed-a"), ("shed_a", "shed-a"), ("-x-", "x"), ("", "board"), ("ü", "board"),
     ("a" * 60, "a" * 40)],
)  # fmt: skip
def test_a_hosts_name_becomes_a_boards(host: str, board: str) -> None:
    assert wire.board_name(host) == board


GOOD: dict[str, Any] = json.loads(payload(seen()))


@pytest.mark.parametrize(
    "changes",
    [
        {"form": 2}, {"form": True}, {"form": "1"}, {"at": "2026-01-12T12:00:00"}, {"at": "soon"}, {"at": 5},
        {"sentence": 5}, {"sentence": None}, {"rh_pct": "60"}, {"rh_pct": float("nan")}, {"temp_c": 10**400},
        {"alarms": 5}, {"alarms": [5]}, {"alarms": [{}]}, {"alarms": [{"words": 5}]},
        {"good_for_s": float("inf")}, {"at": "0001-01-01T00:00:00+23:59"},
    ],
)  # fmt: skip
def test_what_is_not_of_the_form_is_not_believed(changes: dict[str, Any]) -> None:
    assert wire.read_state(json.dumps(GOOD).encode()) is not None
    assert wire.read_state(json.dumps({**GOOD, **changes}).encode()) is None


def test_a_missing_part_is_not_invented() -> None:
    for key in ("form", "running", "sentence"):
        assert wire.read_state(json.dumps({k: v for k, v in GOOD.items() if k != key}).encode()) is None


def test_no_state_is_good_for_ever() -> None:
    said = wire.read_state(json.dumps({**GOOD, "good_for_s": 1e12}).encode())
    assert said is not None
    assert said.good_for_s == wire.LONGEST_S
    said = wire.read_state(json.dumps({**GOOD, "good_for_s": -5, "rh_pct": True}).encode())
    assert said is not None
    assert (said.good_for_s, said.rh_pct) == (0.0, None)


def test_a_strangers_text_moves_no_cursor() -> None:
    """ECMA-48 control sequences, line ends, and the bidirectional overrides of Unicode (UAX 9)."""
    assert wire.clean("a\x1b[2Jb\r\nc\u202ed\u2028e\x00") == "a [2Jb c d e"
    assert len(wire.clean("x" * 10000)) == wire.LONGEST_TEXT


@pytest.mark.parametrize("text", [b"\xff", b"", b"[" * 30000, b"[]", b"1" * 5000, b" " * 40000, b"{}"])
def test_bytes_that_are_no_state_are_none(text: bytes) -> None:
    assert wire.read_state(text) is None


wild: Any = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(changes=st.dictionaries(st.sampled_from(sorted(GOOD)), wild, max_size=4), junk=st.binary(max_size=40))
def test_no_message_raises(changes: dict[str, Any], junk: bytes) -> None:
    wire.read_state(junk)
    said = wire.read_state(json.dumps({**GOOD, **changes}).encode())
    assert said is None or len(said.sentence) <= wire.LONGEST_TEXT
