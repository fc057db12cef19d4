"""The page as a browser has it, without a network: what is shown, what is asked, and what is refused."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.records import Answer, Instant
from controller.history import SqliteHistory
from controller.page import asking, drawn, keys, other_pages, style
from controller.page.app import SCRIPT, App, Metrics
from controller.page.forms import FORMS
from controller.page.gate import HEADS, LARGEST_FORM, same_site_path
from controller.page.kept import BusyError
from controller.page.record import Record, day_of, span_of
from controller.page.rooms import Room
from controller.ports import Sample
from controller.reporting import charts
from controller.reporting import style as report_style
from tests.page.conftest import ALARM, HOST, NOON, Browser, Site
from tests.test_report_page import contrast

EVIL = "<script>alert(1)</script>'\"&"
GOOD = "four words do not belong"


@pytest.fixture(autouse=True)
def quick_scrypt(monkeypatch: pytest.MonkeyPatch) -> None:
    real = keys.scrypt
    monkeypatch.setattr(keys, "scrypt", lambda password, salt: real(password, salt, 16, 1, 1))


def made_record(room: Room, hours: int = 30) -> None:
    history = SqliteHistory.open(room.places.history)
    began_s = NOON.timestamp() - hours * 3600.0
    with history.together():
        for n in range(1, hours * 12):
            row = (began_s + 300.0 * n, True, 60.0 + n % 7, 24.0, None, None, None, None, 65.0, True, 30.0)
            history.sample(Sample(*row, 3.0, 5.0, "enough"))
    history.close()


def test_the_first_page_is_the_only_room(browser: Browser) -> None:
    assert browser.get("/").heads["Location"] == "/room/larch"
    page = browser.get("/room/larch").text
    assert "Off: humid enough at 66.1 %RH; it starts below 63.0." in page
    assert "<b>66.1</b>" in page
    assert "In the band of 60 to 78; target 65.0, no mist from 78.0 on" in page
    assert "about 3.0 L, 7.5 h of mist" in page
    assert "<b>No alarm.</b> Nothing to do." in page


def test_alarms_are_on_the_first_screen_and_whole_below(site: Site, larch: Room, browser: Browser) -> None:
    site.says(larch, alarms=[ALARM], notices=[{**ALARM, "code": "refill_soon", "words": EVIL}])
    page = browser.get("/room/larch").text
    first, _, rest = page.partition('id="told"')
    assert "<b>Alarm.</b> Humidifier: on, and the air does not get wetter. <a" in first
    assert "Is water in it? (since 2026-01-14 10:00; over with a trial that raises the air)" in rest
    assert '<div id="ack"><form' in page
    assert "<script>alert" not in page
    site.passes(2.0)
    site.says(larch, alarms=[{**ALARM, "acked_by": "Ann"}] * 2)
    page = browser.get("/room/larch").text
    assert "<b>2 alarms.</b>" in page
    assert '<div id="ack" hidden>' in page


def test_a_program_that_is_gone_is_said_before_anything_else(site: Site) -> None:
    room = site.room(runs=False)
    (room.places.state / "lock").touch()
    browser = Browser(site.app())
    assert "Nothing is known." in browser.get("/room/larch").text
    site.says(room)
    site.passes(2.0)
    page = browser.get("/room/larch/now").text
    assert "The program does not run: nobody looks after the humidity" in page
    assert 'id="reading" data-live class="then"' in page
    plain = json.loads(browser.get("/room/larch/now.json").text)
    assert (plain["standing"], plain["status"]["rh_pct"]) == ("down", 66.1)


@pytest.mark.parametrize("form", ["filled", "acknowledge", "resume"])
def test_a_button_leaves_a_request_and_the_answer_comes_back(
    site: Site, larch: Room, browser: Browser, form: str
) -> None:
    sent = browser.tell(form)
    assert sent.status == 303
    page = browser.get(sent.heads["Location"])
    assert "Asked. The program answers when it next looks" in page.text
    (request,) = site.asked(larch)
    assert (request.kind, request.by) == (FORMS[form].kind, "")
    site.answers(larch, request, True, f"noted: 2.5 L {EVIL}")
    assert "Done: noted: 2.5 L &lt;script&gt;" in browser.get(sent.heads["Location"]).text
    assert "Done: noted" in browser.get(sent.heads["Location"].replace("?", "/now?")).text
    browser.get(sent.heads["Location"])
    assert site.asked(larch) == []  # loading it again asks nothing again


def test_a_refusal_is_shown_and_an_answer_that_never_came_too(
    site: Site, larch: Room, browser: Browser
) -> None:
    to = browser.tell("raise", rh_pct="5", days="3").heads["Location"]
    (request,) = site.asked(larch)
    site.answers(larch, request, False, "no raise is allowed")
    assert "Refused: no raise is allowed." in browser.get(to).text
    other = browser.tell("pause", for_s="3600").heads["Location"]
    site.passes(3600.0)
    assert "The program has not answered." in browser.get(other).text
    assert 'role="status"></div>' in browser.get("/room/larch?asked=../../x").text


def test_who_asks_is_remembered(site: Site, larch: Room, browser: Browser) -> None:
    seal = browser.seal()
    assert (
        browser.post("/name", {"seal": seal, "by": " Änn\n", "room": "larch"}).heads["Location"]
        == "/room/larch"
    )
    assert browser.post("/name", {"seal": seal, "by": "Änn", "room": "//x"}).heads["Location"] == "/"
    browser.tell("filled")
    assert site.asked(larch)[0].by == "Änn"
    assert 'value="Änn"' in browser.get("/room/larch").text


def test_a_field_that_is_not_understood_comes_back_with_what_was_typed(
    site: Site, larch: Room, browser: Browser
) -> None:
    sent = browser.tell("added", litres=f"two {EVIL}", full="yes")
    assert sent.status == 422
    assert 'role="alert">Nothing was asked. <a href="#added-litres">How much: ' in sent.text
    assert 'value="two &lt;script&gt;' in sent.text
    assert 'aria-invalid="true" autofocus' in sent.text
    assert 'name="full" checked>' in sent.text
    assert "<script>alert" not in sent.text
    assert site.asked(larch) == []


def test_of_a_room_that_does_not_run_only_notes_are_taken(site: Site) -> None:
    room = site.room(runs=False)
    (room.places.state / "lock").touch()
    browser = Browser(site.app())
    refused = browser.tell("pause", for_s="3600")
    assert refused.status == 422
    assert "The program does not run for this room: nothing was asked." in refused.text
    assert (
        "A note without a raised target" in browser.tell("opaque", animal="Juno", rh_pct="4", days="3").text
    )
    to = browser.tell("filled").heads["Location"]
    assert "A note is kept for 30 days" in browser.get(to).text
    (request,) = site.asked(room)
    assert (request.kind, request.at) == ("refilled", NOON)


def test_a_note_with_a_wish_is_good_as_long_as_a_wish(site: Site, larch: Room, browser: Browser) -> None:
    browser.tell("opaque", animal="Juno", rh_pct="4", days="3", back="journal")
    (request,) = site.asked(larch)
    assert request.expires == NOON + timedelta(minutes=15)


def test_a_full_spool_takes_no_more(
    site: Site, larch: Room, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asking, "MOST_WAITING", 1)
    assert browser.tell("filled").status == 303
    assert "1 requests wait for the program already" in browser.tell("filled").text


def test_the_journal_lists_notes_and_one_can_be_withdrawn(site: Site, larch: Room, browser: Browser) -> None:
    page = browser.get("/room/larch/journal")
    assert "no record yet" in page.text
    history = SqliteHistory.open(larch.places.history)
    at = Instant(1.0, NOON, True)
    browser.tell("remark", remark=f"heard {EVIL}", back="journal")
    browser.tell("shed", animal="Juno", outcome="whole")
    for request in site.asked(larch):
        history.note(at, Answer(request, True, "noted"))
        site.answers(larch, request, True, "noted")
    history.close()
    page = browser.get("/room/larch/journal").text
    assert "Juno: shed whole" in page
    assert "heard &lt;script&gt;" in page
    assert "<script>alert" not in page
    assert 'id="ask-withdraw-1"' in page
    sent = browser.tell("withdraw", path="/room/larch", about="1", remark="twice", back="journal")
    assert sent.heads["Location"].startswith("/room/larch/journal?asked=")
    (request,) = site.asked(larch)
    assert (request.kind, request.about) == ("withdraw", 1)
    history = SqliteHistory.open(larch.places.history)
    history.note(at, Answer(request, True, "noted"))
    history.close()
    page = browser.get(sent.heads["Location"]).text
    assert "<s>2026-01-14 12:00" in page
    assert "no note 1, or it was withdrawn" in browser.tell("withdraw", about="1", back="journal").text
    assert "There is no note 99" in browser.tell("withdraw", about="99").text


def test_an_empty_journal_and_a_long_one(
    site: Site, larch: Room, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    history = SqliteHistory.open(larch.places.history)
    assert "No notes yet." in browser.get("/room/larch/journal").text
    monkeypatch.setattr(other_pages, "SHOWN_NOTES", 1)
    for n in range(2):
        browser.tell("remark", remark=f"n{n}")
    for request in site.asked(larch):
        history.note(Instant(1.0, NOON, True), Answer(request, True, "noted"))
    history.close()
    assert "1 older ones" in browser.get("/room/larch/journal").text


def test_a_wrong_note_comes_back_open(browser: Browser) -> None:
    sent = browser.tell("shed", animal="", outcome="whole", back="journal")
    assert sent.status == 422
    assert "<details open><summary>Shed" in sent.text


@pytest.mark.parametrize(
    ("span", "title"),
    [("day", "Wednesday 14 January 2026"), ("week", "12 to 18 January 2026"), ("month", "January 2026")],
)
def test_day_week_and_month_are_the_reports(browser: Browser, larch: Room, span: str, title: str) -> None:
    made_record(larch)
    page = browser.get(f"/room/larch/{span}")
    assert page.status == 200
    assert f"<h1>{title}</h1>" in page.text
    assert "Running and water" in page.text
    assert "<svg" in page.text
    assert f"The {span} before" in page.text
    assert f"The {span} after" not in page.text or span != "day"
    assert "Nothing was recorded" in browser.get(f"/room/larch/{span}?of=2020-02-29").text
    assert title in browser.get(f"/room/larch/{span}?of=nonsense").text


def test_the_last_day_is_drawn_up_to_now(
    browser: Browser, larch: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "No record yet at" in browser.get("/room/larch").text
    made_record(larch)
    browser.app._record = Record()
    page = browser.get("/room/larch").text
    assert "Relative humidity of the last 24 hours, between 60 and 66 %RH" in page
    assert ">18:00<" in page
    browser.app._record = Record()
    monkeypatch.setattr(charts, "find_spec", lambda name: None)
    assert "The chart needs a small library" in browser.get("/room/larch").text


def test_nothing_in_the_last_day_is_said(site: Site, larch: Room, browser: Browser) -> None:
    made_record(larch)
    site.now += timedelta(days=3)
    assert "Nothing was recorded in the last 24 hours." in browser.get("/room/larch").text


def test_the_strip_stays_in_its_frame() -> None:
    for rh in (None, -5.0, 50.0, 120.0):
        made = drawn.strip(drawn.Span(60.0, 78.0), 65.0, 78.0, rh)
        assert ("M0.0 17" in made, "M320.0 17" in made) == (rh == -5.0, rh == 120.0)
    assert "<text" not in drawn.strip(drawn.Span(60.0, 62.0), 61.0, 78.0, 61.0)


def test_several_rooms_are_on_one_page(site: Site, larch: Room) -> None:
    dry, gone = site.room("attic"), site.room("cellar", runs=False)
    site.says(dry, rh_pct=51.0, alarms=[ALARM])
    browser = Browser(site.app())
    page = browser.get("/")
    assert page.status == 200
    assert "<title>2 of 3 rooms call</title>" in page.text
    for words in (
        'href="/room/larch"',
        'href="/room/attic"',
        "<b>51.0</b>",
        "does not get wetter",
        "does not run",
    ):
        assert words in page.text
        assert words in browser.get("/now").text
    assert 'href="/">All rooms' in browser.get("/room/attic").text
    site.rooms.remove(gone)
    site.passes(2.0)
    site.says(dry)
    assert "<title>2 rooms, no alarm</title>" in Browser(site.app()).get("/").text


def test_the_keepers_units(site: Site) -> None:
    room = site.room(units="us")
    site.says(room)
    page = Browser(site.app()).get("/room/larch").text
    assert "75.7 °F" in page
    assert "0.79 gal" in page
    assert "How much, as 0.5 gal or 64 fl oz" in page


def test_every_answer_has_the_strict_heads(browser: Browser) -> None:
    for path in (
        "/",
        "/room/larch",
        "/room/none",
        "/nothing",
        "/style.css",
        "/live.js",
        "/favicon.ico",
        "/sign-in",
        "/room/larch/year",
        "/metrics",
        "/room/larch/ask/filled",
    ):
        reply = browser.get(path)
        for name, value in HEADS:
            assert reply.heads[name] == value
        assert ("no-store" in reply.heads["Cache-Control"]) == (path not in ("/style.css", "/live.js"))
        assert " style=" not in reply.text
        assert "<script>" not in reply.text
    assert {
        browser.get(path).status for path in ("/room/none", "/nothing", "/room/larch/year", "/metrics")
    } == {404}
    assert browser.get("/room/larch/ask/filled").status == 405


@pytest.mark.parametrize(
    "path", [*(f"/room/larch/ask/{name}" for name in FORMS), "/name", "/sign-out", "/sign-in"]
)
def test_every_write_without_the_seal_is_refused(
    site: Site, larch: Room, browser: Browser, path: str
) -> None:
    fields = {
        "litres": "2",
        "for_s": "3600",
        "rh_pct": "5",
        "days": "3",
        "animal": "J",
        "outcome": "whole",
        "remark": "x",
        "about": "1",
        "by": "x",
        "password": GOOD,
    }
    seal = browser.seal()
    other = Browser(browser.app).seal()
    for each, more in (
        ({}, {}),
        ({"seal": ""}, {}),
        ({"seal": other}, {}),
        ({"seal": seal[:-1]}, {}),
        ({"seal": seal}, {"HTTP_ORIGIN": "http://evil.example"}),
        ({"seal": seal}, {"HTTP_SEC_FETCH_SITE": "cross-site"}),
    ):
        reply = browser.post(path, {**fields, **each}, **more)
        assert reply.status == 403
        assert "nothing was asked" in reply.text
    assert browser.post(path, {**fields, "seal": seal}, HTTP_HOST="evil.example").status == 421
    assert browser.post(path, {**fields, "seal": seal}, CONTENT_TYPE="application/json").status == 415
    assert site.asked(larch) == []


def test_a_form_too_large_or_with_too_many_fields_is_refused(browser: Browser) -> None:
    seal = browser.seal()
    large = {"seal": seal, "remark": "x" * LARGEST_FORM}
    assert browser.post("/room/larch/ask/remark", large).status == 413
    many = {"seal": seal, **{f"f{n}": "" for n in range(40)}}
    assert browser.post("/room/larch/ask/remark", many).status == 400
    assert browser.post("/room/larch/ask/humidify", {"seal": seal}).status == 404


def test_too_many_asks_are_held_up(site: Site, larch: Room, browser: Browser) -> None:
    seal = browser.seal()
    found = [browser.post("/room/larch/ask/filled", {"seal": seal}).status for _ in range(30)]
    assert found == [303] * 20 + [429] * 10


def test_a_strange_host_sees_nothing(browser: Browser) -> None:
    reply = browser.get("/room/larch", HTTP_HOST="evil.example")
    assert reply.status == 421
    assert "66.1" not in reply.text


@pytest.fixture
def locked(site: Site, larch: Room) -> Browser:
    site.keys = keys.with_password(site.keys, GOOD)
    return Browser(site.app())


def test_behind_a_password_nothing_is_seen_or_asked_without_it(
    site: Site, larch: Room, locked: Browser
) -> None:
    first = locked.get("/room/larch")
    assert (first.status, first.heads["Location"]) == (303, "/sign-in?to=%2Froom%2Flarch")
    for path in ("/room/larch/now", "/room/larch/now.json", "/metrics"):
        reply = locked.get(path)
        assert reply.status == 401
        assert "66.1" not in reply.text
    seal = locked.seal("/sign-in")
    assert locked.post("/room/larch/ask/filled", {"seal": seal}).status == 401
    assert site.asked(larch) == []


def test_signing_in_and_out(site: Site, larch: Room, locked: Browser) -> None:
    wrong = locked.post(
        "/sign-in", {"seal": locked.seal("/sign-in"), "password": "guess", "to": "/room/larch"}
    )
    assert wrong.status == 403
    assert "That is not the password." in wrong.text
    assert 'value="/room/larch"' in wrong.text
    guest = dict(locked.cookies)
    right = locked.post("/sign-in", {"seal": locked.seal("/sign-in"), "password": GOOD, "to": "/room/larch"})
    assert (right.status, right.heads["Location"]) == (303, "/room/larch")
    assert "httponly" in right.heads["Set-Cookie"].lower()
    assert "samesite=strict" in right.heads["Set-Cookie"].lower()
    assert locked.cookies != guest
    assert "66.1" in locked.get("/room/larch").text
    assert locked.tell("filled").status == 303
    out = locked.post("/sign-out", {"seal": locked.seal()})
    assert out.status == 303
    locked.cookies.clear()
    assert locked.get("/room/larch").status == 303
    guest_again = Browser(locked.app)
    guest_again.cookies = guest
    assert guest_again.get("/room/larch").status == 303


def test_a_new_password_signs_everybody_out(site: Site, locked: Browser) -> None:
    locked.post("/sign-in", {"seal": locked.seal("/sign-in"), "password": GOOD})
    assert locked.get("/room/larch").status == 200
    site.keys = keys.with_password(site.keys, GOOD)
    assert locked.get("/room/larch").status == 303


def test_guessing_is_slow(site: Site, locked: Browser) -> None:
    seal = locked.seal("/sign-in")
    found = [locked.post("/sign-in", {"seal": seal, "password": f"guess {n}"}).status for n in range(8)]
    assert found == [403] * 5 + [429] * 3
    assert locked.post("/sign-in", {"seal": seal, "password": GOOD}).status == 429


def test_one_password_is_tried_at_a_time(
    site: Site, locked: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.page.gate.WAIT_FOR_SCRYPT_S", 0.01)
    seal = locked.seal("/sign-in")
    with locked.app._gate._scrypt:
        assert locked.post("/sign-in", {"seal": seal, "password": GOOD}).status == 429


def test_without_a_password_there_is_nothing_to_sign_in_to(site: Site, browser: Browser) -> None:
    assert browser.get("/sign-in").heads["Location"] == "/"
    site.keys, _ = keys.with_token(site.keys, "screen")
    assert "No password is set" in browser.get("/sign-in").text


def test_a_token_reads_and_cannot_ask(site: Site, larch: Room) -> None:
    site.keys, token = keys.with_token(keys.with_password(site.keys, GOOD), "screen")
    program = Browser(site.app(), HTTP_AUTHORIZATION=f"Bearer {token}")
    plain = json.loads(program.get("/room/larch/now.json").text)
    assert plain["status"]["rh_pct"] == 66.1
    assert "Set-Cookie" not in program.get("/room/larch").heads
    assert program.post("/room/larch/ask/filled", {"seal": "x"}).status == 403
    assert site.asked(larch) == []
    assert Browser(site.app(), HTTP_AUTHORIZATION="Bearer x").get("/room/larch/now.json").status == 401


def test_behind_tls_cookies_are_for_tls_alone(site: Site, larch: Room) -> None:
    browser = Browser(site.app(https=True))
    heads = browser.get("/room/larch").heads["Set-Cookie"]
    assert "__Host-hygrohold=" in heads
    assert "secure" in heads.lower()
    seal = browser.seal()
    sent = browser.post("/room/larch/ask/filled", {"seal": seal}, HTTP_ORIGIN=f"https://{HOST}")
    assert sent.status == 303


@pytest.mark.parametrize(
    ("to", "path"),
    [
        ("/room/larch", "/room/larch"),
        ("//evil.example", "/"),
        ("https://evil.example", "/"),
        ("/\\evil", "/"),
        ("", "/"),
        ("/x?to=//y", "/"),
        ("/" + "a" * 300, "/"),
        ("/room/larch\r\nX: y", "/"),
    ],
)
def test_the_way_on_from_signing_in_stays_on_this_page(to: str, path: str) -> None:
    assert same_site_path(to) == path


def test_figures_for_programs_where_something_makes_them(site: Site, larch: Room) -> None:
    gate = site.app()._gate
    made = Metrics(lambda rooms: f"rooms {len(rooms)} {rooms[0][1].plain is not None}", "text/x-figures")
    reply = Browser(App(site.rooms, gate, made)).get("/metrics")
    assert (reply.status, reply.text) == (200, "rooms 1 True")
    assert reply.heads["Content-Type"].startswith("text/x-figures")


def test_a_busy_or_broken_record_is_told_in_words(
    browser: Browser, larch: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "no record yet" in browser.get("/room/larch/week").text.lower()

    def busy(*_: object) -> None:
        raise BusyError("too many")

    monkeypatch.setattr(browser.app._record, "report", busy)
    reply = browser.get("/room/larch/week")
    assert (reply.status, reply.heads["Retry-After"]) == (503, "5")


def test_what_nobody_foresaw_is_told_without_a_trace(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a secret")

    monkeypatch.setattr(browser.app._record, "report", broken)
    written: list[str] = []
    errors = type(
        "Errors", (), {"write": lambda self, words: written.append(words), "flush": lambda self: None}
    )()
    reply = browser.get("/room/larch/week", **{"wsgi.errors": errors})
    assert reply.status == 500
    assert "log may say more" in reply.text
    assert "secret" not in reply.text
    assert "ZeroDivisionError" in "".join(written)  # for the board's log


def test_spans_and_days() -> None:
    assert span_of("month", NOON.date().replace(month=2)).days == 28
    assert span_of("week", day_of("1970-01-02", NOON.date())).first.year == 1970
    assert span_of("month", day_of("1970-01-02", NOON.date())).last.day == 31
    assert [day_of(text, NOON.date()) for text in ("", "9999-12-31", "1969-01-01", "x")] == [NOON.date()] * 4
    assert span_of("month", day_of("2999-12-31", NOON.date())).last.isoformat() == "2999-12-31"


@pytest.mark.parametrize("ours", ["LIGHT", "DARK"])
def test_letters_and_edges_stand_out(ours: str) -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11."""
    colours = {**getattr(report_style, ours), **getattr(style, ours)}
    assert [pair for pair in style.LETTERS_ON if contrast(*(colours[name] for name in pair)) < 4.5] == []
    assert [pair for pair in style.EDGES_ON if contrast(*(colours[name] for name in pair)) < 3.0] == []


HEAD_NAMES = (
    "HTTP_COOKIE",
    "HTTP_AUTHORIZATION",
    "HTTP_ORIGIN",
    "HTTP_SEC_FETCH_SITE",
    "CONTENT_TYPE",
    "HTTP_RANGE",
    "HTTP_IF_MODIFIED_SINCE",
    "CONTENT_LENGTH",
    "HTTP_X_FORWARDED_FOR",
)
PATHS = st.one_of(
    st.sampled_from(
        ("/", "/now", "/room/larch", "/room/larch/day", "/room/larch/ask/filled", "/name", "/sign-in")
    ),
    st.text(max_size=40).map(lambda text: "/" + text),
    st.text(max_size=20).map(lambda text: f"/room/{text}"),
)


@contextmanager
def _site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Site, Room]]:
    with ExitStack() as hold:
        site = Site(tmp_path_factory.mktemp("fuzz"), hold)
        room = site.room()
        site.says(room)
        yield site, room


def test_no_request_makes_it_stumble_or_asks_anything(tmp_path_factory: pytest.TempPathFactory) -> None:
    with _site(tmp_path_factory) as (site, room):
        app = site.app()

        @settings(max_examples=150)
        @given(
            st.sampled_from(("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "X")),
            PATHS,
            st.text(st.characters(codec="latin-1"), max_size=60),
            st.dictionaries(
                st.sampled_from(HEAD_NAMES), st.text(st.characters(codec="latin-1"), max_size=60)
            ),
            st.one_of(st.binary(max_size=300), st.just(b"seal=0&by=%ff%00&to=%0d%0a")),
        )
        def fuzz(method: str, path: str, query: str, heads: dict[str, str], body: bytes) -> None:
            raw = path.encode().decode("latin-1")  # PEP 3333
            browser = Browser(app)
            reply = browser.ask(method, raw, body, **{"QUERY_STRING": query, **heads})
            assert reply.status < 500
            assert not any(character in value for value in reply.heads.values() for character in "\r\n\0")

        fuzz()
        assert site.asked(room) == []


def test_the_script_is_a_file_of_the_package() -> None:
    assert Path(SCRIPT).parent.name == "page"
    assert not re.search(r"innerHTML\s*=[^=]|eval|insertAdjacent|document.write", SCRIPT.read_text())
