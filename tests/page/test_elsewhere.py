"""Rooms of other boards on the page of all rooms: a fake ear, and text that strangers wrote."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.outlets import wire
from controller.outlets.roster import SILENT, HeardRoom, Roster
from controller.page import elsewhere
from controller.page.elsewhere import Elsewhere, listening, section
from controller.page.rooms import Room
from tests.outlets import helpers
from tests.outlets.helpers import GOOD_FOR_S
from tests.page.conftest import ALARM, NOON, Browser, Site

EVIL = "<script>alert(1)</script>'\"&<a href=/>`rm`"
WELL = HeardRoom("shed-a", "oak", NOON, 12.0, True, "On: dry.", 61.25, 65.0, (), word="On: dry.")
CALLS = WELL._replace(room="elm", alarms=("The probe is silent. Look at it.", "Another."), waiting=1)
NO_BOARD = "This board is not connected."
GONE = WELL._replace(
    board="shed-b", age_s=840.0, online=False, rh_pct=None, target_rh_pct=None,
    sentence=f"{NO_BOARD} Its last word 14 min ago: On: dry.", why=NO_BOARD,
)  # fmt: skip
NEVER = HeardRoom(
    "shed-c", "fir", None, None, False, "Nothing is heard of this room.", None, None, (),
    why="Nothing is heard of this room.",
)  # fmt: skip


class FakeHeard:
    """What ``Heard`` has for whoever shows rooms; it counts how often it is asked."""

    def __init__(self, *rooms: HeardRoom, trouble: str = "", ignored: int = 0) -> None:
        self.found, self.trouble, self.ignored, self.asked = rooms, trouble, ignored, 0

    def rooms(self) -> tuple[HeardRoom, ...]:
        self.asked += 1
        return self.found


def browsing(site: Site, *rooms: HeardRoom, trouble: str = "", ignored: int = 0) -> Browser:
    return Browser(site.app(heard=lambda: Elsewhere("post.example port 1883", rooms, trouble, ignored)))


def heard_part(text: str) -> str:
    found = re.search(r'<div id="heard".*</section></div>', text, re.DOTALL)
    assert found
    return found[0]


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_a_room_that_is_heard_is_on_the_first_page_of_a_single_room(site: Site, larch: Room) -> None:
    browser = browsing(site, WELL)
    page = browser.get("/")
    assert page.status == 200  # not sent on to the only room of this board
    assert "<title>2 rooms, no alarm</title>" in page.text
    assert 'href="/room/larch"' in page.text
    part = words_of(heard_part(page.text))
    for words in ("On other boards", "oak", "on shed-a", "61.2 %RH", "On: dry.", "Heard 12 s ago."):
        assert words in part
    now = browser.get("/now").text
    assert heard_part(now) == heard_part(page.text)
    assert "<title>2 rooms, no alarm</title>" in now
    assert 'href="/">All rooms' in browser.get("/room/larch").text


def test_there_is_nothing_to_press_at_a_room_of_another_board(site: Site, larch: Room) -> None:
    rooms = (WELL, CALLS, GONE, NEVER, WELL._replace(sentence="Say `hygrohold note refilled`."))
    part = heard_part(browsing(site, *rooms).get("/").text)
    for press in ("<a", "<button", "<form", "<input", "href"):
        assert press not in part
    assert "<code>hygrohold note refilled</code>" in part  # and not “Filled”, a button of this board's rooms
    assert browsing(site, WELL).get("/room/oak").status == 404


def test_what_is_not_heard_shows_no_figure_and_for_how_long(site: Site, larch: Room) -> None:
    page = browsing(site, GONE, NEVER).get("/").text
    part = words_of(heard_part(page))
    assert "Not heard for 14 min. This board is not connected. Its last word: On: dry." in part
    assert part.count("Not heard for") == 1  # of the other nobody knows how long
    assert "Nothing is heard of this room." in part
    late = words_of(section(Elsewhere("x", (GONE._replace(why=SILENT),))))
    assert "Not heard for 14 min. Its last word: On: dry." in late  # and not the same twice
    assert "%RH" not in part
    assert "<title>2 of 3 rooms call</title>" in page


def test_alarms_are_told_in_short_and_those_that_wait_call(site: Site, larch: Room) -> None:
    page = browsing(site, CALLS).get("/").text
    assert "<title>1 of 2 rooms call</title>" in page
    assert '<p class="told bad"><b>Alarm.</b> The probe is silent. And 1 more.</p>' in page
    known = CALLS._replace(alarms=CALLS.alarms[:1], waiting=0)
    page = browsing(site, known).get("/").text
    assert "<title>2 rooms, no alarm</title>" in page
    assert '<p class="told open"><b>Alarm.</b> The probe is silent.</p>' in page
    then = CALLS._replace(online=False, why="This room is not heard any more.")
    assert "Alarm, when it was heard." in browsing(site, then).get("/").text


def test_a_broker_that_is_not_heard_is_said(site: Site, larch: Room) -> None:
    page = browsing(site, trouble="nothing listens there").get("/").text
    assert "<title>1 room, no other heard</title>" in page
    told = "The broker at post.example port 1883 is not heard: nothing listens there."
    assert f"{told}</p>" in page
    page = browsing(site, WELL, trouble="nothing listens there").get("/").text
    assert f"{told} What stands here is what it said before.</p>" in page
    assert "not heard:" not in browsing(site, WELL).get("/").text


def test_nobody_there_and_what_was_not_understood_are_said(site: Site, larch: Room) -> None:
    page = browsing(site, ignored=3).get("/").text
    assert "No room of another board is heard at post.example port 1883." in page
    assert "Messages there not understood, or too many: 3." in page
    assert "not understood" not in browsing(site, WELL).get("/").text


def test_without_a_broker_nothing_of_it_is_shown(site: Site, larch: Room) -> None:
    site.says(site.room("attic"))
    assert "On other boards" not in Browser(site.app()).get("/").text


def test_behind_the_password_as_all_else(site: Site, larch: Room) -> None:
    from controller.page import keys

    site.keys, token = keys.with_token(keys.fresh(), "screen")
    browser = browsing(site, WELL)
    assert browser.get("/").status == 303
    reply = browser.get("/now")
    assert reply.status == 401
    assert "oak" not in reply.text
    browser.sends = {"HTTP_AUTHORIZATION": f"Bearer {token}"}
    assert "oak" in browser.get("/now").text


def test_the_rooms_of_this_page_are_not_shown_twice_and_looks_are_few() -> None:
    """Another room of a board by this name is shown: it may be another board's that took the name."""
    own = WELL._replace(board="here", room="larch")
    other = own._replace(room="oak")
    fake = FakeHeard(own, other, own._replace(board="there"), ignored=2)
    look = listening(fake, "post", "here", {"larch"})
    assert [(room.board, room.room) for room in look().rooms] == [("here", "oak"), ("there", "larch")]
    assert (look().ignored, look().trouble, look().where) == (2, "", "post")
    assert fake.asked == 1


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.names: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.names |= {name for name, _ in attrs}


def only_ours(part: str) -> None:
    """Whatever was heard: these tags with these attributes, and no other."""
    found = Tags()
    found.feed(part)
    found.close()
    assert found.tags <= {"div", "section", "h2", "h3", "span", "p", "b", "code"}
    assert found.names <= {"id", "class", "data-live", "aria-labelledby"}


@given(text=st.text(max_size=700) | st.just(EVIL * 20), online=st.booleans(), waiting=st.integers(0, 20))
@settings(max_examples=60, deadline=None)
def test_a_strangers_text_is_text_and_of_no_great_length(text: str, online: bool, waiting: int) -> None:
    alarms = (text,) * 20
    room = HeardRoom(text, text, NOON, 5.0, online, text, None, None, alarms, None, None, text, text, waiting)
    part = section(Elsewhere(text, (room,), text, 1))
    only_ours(part)
    told = section(Elsewhere("x", (room._replace(board="", room="", why=""),)))
    assert len(words_of(told)) < 8 * elsewhere.LONGEST  # "&" is five letters, and so on


@pytest.mark.parametrize("at", ["sentence", "alarms"])
def test_from_the_wire_to_the_page_evil_stays_text(at: str, site: Site, larch: Room) -> None:
    said = wire.state("shed-a", helpers.seen("oak"))
    said[at] = EVIL * 50 if at == "sentence" else [{**ALARM, "words": EVIL * 50}] * 300
    roster = Roster()
    roster.heard(wire.online_topic("shed-a"), b"online", False, 0.0, NOON)
    payload = wire.state_payload({**said, "alarms": said["alarms"][:20]}, 1.0)
    assert roster.heard(wire.state_topic("shed-a", "oak"), payload.encode(), False, 0.0, NOON)
    part = heard_part(browsing(site, *roster.rooms(1.0)).get("/").text)
    only_ours(part)
    assert "alert(1)" in part
    assert len(part) < 4000


def test_a_date_far_ahead_has_no_age() -> None:
    roster = Roster()
    roster.heard(wire.online_topic("shed-a"), b"online", False, 0.0, NOON)
    room = helpers.seen("oak")
    payload = wire.state_payload(wire.state("shed-a", room), room.age_s).encode()
    early = helpers.NOON - timedelta(hours=5)
    roster.heard(wire.state_topic("shed-a", "oak"), payload, True, 0.0, early)
    (found,) = roster.rooms(GOOD_FOR_S)
    assert (found.online, found.age_s) == (False, None)
    assert "dated ahead of the clock here" in found.sentence
    assert "Not heard for" not in section(Elsewhere("x", (found,)))


def test_the_program_of_a_room_that_is_not_running_is_told() -> None:
    roster = Roster()
    roster.heard(wire.online_topic("shed-a"), b"online", False, 0.0, NOON)
    room = helpers.seen("oak", age_s=600.0, fresh=False)
    payload = wire.state_payload(wire.state("shed-a", room), room.age_s).encode()
    roster.heard(wire.state_topic("shed-a", "oak"), payload, False, 0.0, NOON)
    part = words_of(section(Elsewhere("x", roster.rooms(0.0))))
    assert "Not heard for 10 min. The program of this room is not running." in part
    assert "Its last word" not in part
