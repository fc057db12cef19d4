"""What is seen: the first screen without scrolling, no page wider than its screen, axe-core finds nothing."""

from __future__ import annotations

import pytest

from tests.browser.checks.conftest import ALARM, DESK, NARROW, NOTICE, PHONE, Look

pytestmark = pytest.mark.process
PAGES = {
    "rooms": "/", "room": "/room/attic", "day": "/room/attic/day", "week": "/room/attic/week",
    "month": "/room/attic/month", "journal": "/room/attic/journal", "trouble": "/room/none",
}  # fmt: skip
BAD = {
    "alarms": [ALARM, {**ALARM, "code": "probe_lost", "acked_by": "Ann"}],
    "notices": [NOTICE],
    "sentence": "Off: the tank is empty by estimate; fill it and say `hygrohold note refilled`; a trial "
    "pulse looks for water in 35 min.",
    "rh_pct": 48.2,
    "tank_l": 0.0,
    "tank_on_h": 0.0,
    "refill": None,
}


@pytest.mark.parametrize("state", ["well", "bad"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_first_screen_of_a_small_phone_needs_no_scrolling(look: Look, state: str, dark: bool) -> None:
    look.rooms.attic.says(**({} if state == "well" else BAD))
    look.size(*PHONE, dark=dark)
    look.until(
        lambda: look.go("/room/attic") or (state == "bad") == ("empty" in look.text("#why")), "the status"
    )
    bottom, wide = look.run(
        "return [document.querySelector('#chart').getBoundingClientRect().bottom, "
        "document.documentElement.scrollWidth]"
    )
    look.picture(f"first-{state}-{'dark' if dark else 'light'}.png")
    if (state, dark) in (("well", False), ("bad", True)):
        look.picture("page-phone.png" if state == "well" else "page-alarm.png")
    assert bottom <= PHONE[1]
    assert wide <= PHONE[0]
    seen = look.text(".first")
    for words in ("%RH", "Tank", "Last 24 hours", "No alarm." if state == "well" else "2 alarms."):
        assert words in seen


@pytest.mark.parametrize("name", PAGES)
def test_no_page_is_wider_than_its_screen_and_axe_finds_nothing(look: Look, name: str) -> None:
    look.rooms.attic.says(alarms=[ALARM], notices=[NOTICE])
    for size, dark in ((NARROW, False), (PHONE, True), (DESK, False)):
        look.size(*size, dark=dark)
        look.go(PAGES[name])
        look.run("document.querySelectorAll('details').forEach(each => each.open = true)")
        look.picture(f"{name}-{size[0]}.png", whole=True)
        assert look.run("return document.documentElement.scrollWidth") <= size[0]
        if size != NARROW:
            assert look.violations() == []
    if name == "room":
        look.rooms.attic.says()
        look.until(lambda: look.go(PAGES[name]) or "No alarm" in look.text("main"), "no alarm")
        look.size(960, 640)
        look.picture("page-desk.png")


def test_what_one_points_at_is_large_enough(look: Look) -> None:
    """WCAG 2.2, 2.5.8: 24 by 24 CSS pixels; links within a sentence are exempt."""
    look.rooms.attic.says(alarms=[ALARM])
    for path in ("/room/attic", "/room/attic/journal", "/room/attic/week", "/"):
        look.go(path)
        small = look.run(
            "const all = 'button, input:not([type=hidden]), select, summary, nav a';"
            "return [...document.querySelectorAll(all)].filter(each => each.getClientRects().length)"
            ".map(each => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])"
            ".filter(([, box]) => box.width < 24 || box.height < 24).map(([html]) => html)"
        )
        assert small == []


@pytest.mark.parametrize("path", ["/", "/room/attic", "/room/attic/journal"])
def test_letters_twice_as_large_fit_the_phone(look: Look, path: str) -> None:
    """WCAG 2.2, 1.4.4: text is resized up to 200 % without loss."""
    look.rooms.attic.says(**BAD)
    look.go(path)
    look.run("document.documentElement.style.fontSize = '200%'")
    look.picture(f"large-{path.rpartition('/')[2] or 'rooms'}.png")
    assert look.run("return document.documentElement.scrollWidth") <= PHONE[0]
