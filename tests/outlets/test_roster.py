"""The rooms heard: their age, whether they are online, and how many there may be."""

from __future__ import annotations

from datetime import datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from controller.outlets import wire
from controller.outlets.roster import HeardRoom, Roster
from controller.outlets.seen import RoomSeen
from tests.outlets.helpers import ALARM, GOOD_FOR_S, NOON, seen


class Ear:
    """A roster, and messages of our own at a time of one's choice."""

    def __init__(self, most: int = 256) -> None:
        self.roster = Roster(most)
        self.mono_s = 0.0
        self.wall = NOON

    def board(self, word: str = wire.ONLINE, board: str = "shed-a") -> bool:
        return self.take(wire.online_topic(board), word.encode())

    def room(self, room: RoomSeen, retained: bool = False, board: str = "shed-a") -> bool:
        text = wire.state_payload(wire.state(board, room), room.age_s)
        return self.take(wire.state_topic(board, room.room), text.encode(), retained)

    def take(self, topic: str, payload: bytes, retained: bool = False) -> bool:
        return self.roster.heard(topic, payload, retained, self.mono_s, self.wall)

    def rooms(self) -> tuple[HeardRoom, ...]:
        return self.roster.rooms(self.mono_s)

    def only(self) -> HeardRoom:
        (room,) = self.rooms()
        return room


def test_a_room_that_is_heard() -> None:
    ear = Ear()
    assert ear.board()
    assert ear.room(seen(alarms=[ALARM], rh_pct=61.5, target_rh_pct=60.0))
    ear.mono_s += 5.0
    room = ear.only()
    assert (room.board, room.room, room.at, room.online) == ("shed-a", "larch", NOON, True)
    assert room.age_s == 8.0  # 3 s when it was said, 5 s since
    assert (room.rh_pct, room.target_rh_pct, room.alarms) == (61.5, 60.0, ("The probe is silent.",))
    assert room.sentence.startswith("On: ")
    assert (room.why, room.word, room.waiting) == ("", room.sentence, 1)
    assert ear.roster.room(wire.state_topic("shed-a", "larch"), ear.mono_s) == room


def test_a_room_that_falls_silent_keeps_no_figure() -> None:
    """Nothing comes any more, not even a last will: the message's own time tells."""
    ear = Ear()
    ear.board()
    ear.room(seen(age_s=0.0))
    ear.mono_s = GOOD_FOR_S
    assert ear.only().online
    ear.mono_s = GOOD_FOR_S + 1
    room = ear.only()
    assert (room.online, room.rh_pct, room.temp_c, room.target_rh_pct, room.relay_on) == (False,) + (
        None,
    ) * 4
    assert room.sentence.startswith("This room is not heard any more. Its last word 2 min ago: On: ")
    assert (room.why, room.word[:4]) == ("This room is not heard any more.", "On: ")


def test_a_will_takes_every_room_of_the_board_offline() -> None:
    ear = Ear()
    ear.board()
    ear.board(board="shed-b")
    ear.room(seen("larch"))
    ear.room(seen("oak"), board="shed-b")
    assert ear.board(wire.OFFLINE)
    assert not ear.board(wire.OFFLINE)  # said twice is no news
    larch, oak = ear.rooms()
    assert (larch.online, oak.online) == (False, True)
    assert larch.sentence.startswith("This board is not connected. Its last word 3 s ago: ")
    ear.board()
    assert ear.rooms()[0].online


def test_a_board_that_never_said_it_is_online_is_not() -> None:
    ear = Ear()
    ear.room(seen())
    assert not ear.only().online


def test_a_room_whose_program_ended_says_so() -> None:
    ear = Ear()
    ear.board()
    ear.room(RoomSeen("larch", None, None, False))
    room = ear.only()
    assert (room.online, room.age_s, room.at) == (False, None, None)
    assert room.sentence == "The program of this room is not running."


def test_what_lay_at_the_broker_is_as_old_as_its_date_says() -> None:
    """Its own word of its age is of when it was sent."""
    ear = Ear()
    ear.board()
    ear.wall = NOON + timedelta(seconds=40)
    ear.room(seen(age_s=0.0), retained=True)
    assert ear.only().age_s == 40.0
    ear.wall = NOON + timedelta(hours=3)
    ear.room(seen(age_s=0.0), retained=True)
    assert (ear.only().online, ear.only().age_s) == (False, 3 * 3600.0)


def test_a_clock_that_is_wrong_hides_no_room_that_speaks() -> None:
    """A board without a clock of its own: a day ahead, or years behind."""
    for off in (timedelta(days=1), timedelta(days=-4000)):
        ear = Ear()
        ear.board()
        ear.wall = NOON - off
        ear.room(seen(age_s=1.0), retained=True)
        assert not ear.only().online
        ear.room(seen(age_s=1.0))
        assert ear.only().online


def test_an_empty_message_takes_a_room_away() -> None:
    ear = Ear()
    ear.room(seen())
    topic = wire.state_topic("shed-a", "larch")
    assert ear.take(topic, b"")
    assert not ear.take(topic, b"")
    assert ear.rooms() == ()
    assert ear.roster.room(topic, 0.0) is None
    assert ear.roster.room("no topic", 0.0) is None


def test_a_room_is_not_forgotten_because_its_state_expired() -> None:
    """A board that died a week ago: the broker has dropped all but its will and its list."""
    ear = Ear()
    ear.take(wire.rooms_topic("shed-a"), wire.rooms_payload(["oak", "larch"]).encode(), True)
    assert [(room.room, room.online, room.sentence) for room in ear.rooms()] == [
        ("larch", False, "This board is not connected."),
        ("oak", False, "This board is not connected."),
    ]
    ear.board()
    ear.room(seen("oak"))
    larch, oak = ear.rooms()
    assert (larch.sentence, oak.online) == ("Nothing is heard of this room.", True)


def test_what_lies_there_of_a_room_that_is_no_more_is_not_shown() -> None:
    ear = Ear()
    ear.board()
    ear.room(seen("elm"), retained=True)
    ear.room(seen("oak"))
    assert ear.take(wire.rooms_topic("shed-a"), wire.rooms_payload(["oak"]).encode())
    assert [room.room for room in ear.rooms()] == ["oak"]
    assert ear.roster.room(wire.state_topic("shed-a", "elm"), 0.0) is None
    assert ear.take(wire.rooms_topic("shed-a"), b"nonsense")  # then everything heard is one
    assert [room.room for room in ear.rooms()] == ["elm", "oak"]


def test_no_more_rooms_than_there_is_place_for() -> None:
    ear = Ear(most=3)
    ear.board()
    for number in range(5):
        ear.room(seen(f"room-{number}"))
    assert [room.room for room in ear.rooms()] == ["room-0", "room-1", "room-2"]
    assert ear.roster.ignored == 2
    for board, names in (("shed-a", ["room-1", "room-7", "room-8"]), ("shed-b", ["x"])):
        ear.take(wire.rooms_topic(board), wire.rooms_payload(names).encode())
    assert [room.room for room in ear.rooms()] == ["room-1", "room-7", "room-8"]
    assert ear.roster.ignored == 3
    ear.take(wire.rooms_topic("shed-a"), b"")
    assert ear.room(seen("room-1"))  # one that is known is heard on
    ear.mono_s = GOOD_FOR_S + 10.0
    ear.room(seen("room-1"))
    ear.room(seen("room-9"))  # the place of the one that has been silent for longest
    assert [room.room for room in ear.rooms()] == ["room-1", "room-2", "room-9"]


def test_no_more_boards_than_there_is_place_for() -> None:
    ear = Ear(most=2)
    for board in ("a", "b"):
        ear.board(board=board)
    ear.room(seen(), board="a")
    assert ear.board(board="c")  # "b" had no room
    assert ear.only().online
    ear.room(seen(), board="c")
    assert not ear.board(board="d")
    assert ear.roster.ignored == 1


def test_what_is_not_ours_is_counted_and_changes_nothing() -> None:
    ear = Ear()
    ear.room(seen())
    before = ear.only()
    for topic, payload in (("x", b""), (wire.state_topic("shed-a", "larch"), b"{}")):
        assert not ear.take(topic, payload)
    assert ear.only() == before
    assert ear.roster.ignored == 2


parts = ("a/online", "a/rooms", "a/r/state", "b/r/state", "b/s/state", "a/r/senml")
topics = st.sampled_from([f"hygrohold/{part}" for part in parts])
payloads = st.sampled_from([b"online", b"", b"{}", b"\xff", b'["r", "s", "t"]']) | st.binary(max_size=20)
good = wire.state_payload(wire.state("a", seen()), 1.0).encode()
moments = st.integers(-20000, 50000).map(lambda days: NOON + timedelta(days=days))


@given(st.lists(st.tuples(topics, payloads | st.just(good), st.booleans(), moments), max_size=20))
def test_whatever_comes_the_rooms_can_be_shown(
    messages: list[tuple[str, bytes, bool, datetime]],
) -> None:
    roster = Roster(2)
    for number, (topic, payload, retained, wall) in enumerate(messages):
        roster.heard(topic, payload, retained, float(number), wall)
        rooms = roster.rooms(float(number))
        assert len(rooms) <= 2
        for room in rooms:
            assert room.age_s is None or room.age_s >= 0.0
            assert room.sentence
            assert not (room.online and room.age_s is not None and room.age_s > GOOD_FOR_S)
