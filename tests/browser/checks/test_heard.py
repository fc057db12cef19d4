"""Rooms of other boards on the page of all rooms: from a real broker to what is seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.outlets import wire
from controller.outlets.link import Link
from controller.outlets.seen import RoomSeen
from tests.browser.checks.conftest import ALARM, DESK, NARROW, PHONE, Look
from tests.outlets.helpers import status
from tests.outlets.test_broker import MOSQUITTO, Post

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(
        MOSQUITTO is None, reason="NOT TESTED: there is no MQTT broker here (Debian: apt install mosquitto)"
    ),
]
EVIL = "<script>alert(1)</script>" + "&" * 600
Tells = Callable[..., None]


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    made = Post(tmp_path)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def tells(post: Post, look: Look) -> Iterator[Tells]:
    """Another board's word at the broker."""
    link = Link(post.at(), "browser-check")
    link.start()
    look.until(lambda: not link.trouble, "the broker")

    def tell(board: str, room: str, old_s: float = 2.0, **more: Any) -> None:
        plain = status(datetime.now(UTC) - timedelta(seconds=old_s), room=room, good_for_s=600.0, **more)
        assert link.publish(wire.online_topic(board), wire.ONLINE)
        said = wire.state(board, RoomSeen(room, plain, old_s, True))
        assert link.publish(wire.state_topic(board, room), wire.state_payload(said, old_s))

    yield tell
    link.stop()


def test_rooms_of_other_boards_are_seen_change_and_fall_silent(look: Look, post: Post, tells: Tells) -> None:
    rooms = look.rooms
    more = ("--broker", f"127.0.0.1:{post.port}", "--metrics")
    look.base = rooms.serve(rooms.fern, rooms.attic, more=more).address
    tells("shed-a", "oak", rh_pct=63.4, sentence="Off: humid enough at 63.4 %RH; it starts below 61.0.")
    tells("shed-a", "elm", rh_pct=52.8, alarms=[ALARM], sentence="On: the room is drier than wanted.")
    tells("barn", "fir", 840.0, sentence="Off: humid enough at 66.0 %RH; it starts below 63.0.")
    look.until(lambda: look.go("/") or look.text("#heard").count("%RH") >= 4, "the rooms heard")
    seen = look.text("#heard")
    for words in ("oak on shed-a", "63.4", "drier than wanted", "Alarm.", "Not heard for 14 min."):
        assert words in seen
    assert look.run("return document.querySelectorAll('#heard a, #heard button, #heard form').length") == 0
    for size, dark, name in ((PHONE, True, "rooms-heard-phone.png"), (DESK, False, "page-rooms.png")):
        look.size(*size, dark=dark)
        look.picture(name, whole=True)
        assert look.run("return document.documentElement.scrollWidth") <= size[0]
        assert look.violations() == []

    look.run("window.same = true")
    tells("shed-a", "elm", rh_pct=57.1, sentence=EVIL, alarms=[{**ALARM, "words": EVIL}])
    look.until(lambda: look.nudge() or "57.1" in look.text("#heard"), "the new figure")
    look.size(*NARROW)
    assert "<script>alert(1)</script>" in look.text("#heard")  # as letters
    assert look.run("return document.documentElement.scrollWidth") <= NARROW[0]
    post.stop()
    look.until(lambda: look.nudge() or "is not heard" in look.text("#heard"), "the broker's end told")
    assert look.run("return window.same")
    assert look.violations() == []

    look.scripts(False)
    look.go("/")
    assert "Not heard for 14 min." in look.text("#heard") or "Not heard for 15 min." in look.text("#heard")
    assert "fern-loft" in look.text("#rooms")
