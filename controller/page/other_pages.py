"""OTHER PAGES: all rooms of the board, a day, a week, a month, the journal, the way in, and what went wrong.

In:    rooms and what they say, reports, notes.
Out:   pages.
Never: reads a file or asks for anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

from controller import journal_text
from controller.journal import Entry
from controller.page import elsewhere, html, room_page, words
from controller.page.asking import Reply
from controller.page.elsewhere import Elsewhere
from controller.page.forms import FORMS, JOURNAL
from controller.page.html import Desk, form
from controller.page.record import span_of
from controller.page.rooms import Room, Seen
from controller.reporting.gather import Report
from controller.reporting.page import sections_html, summary, title_of
from controller.reporting.sections import sections
from controller.reporting.shown import Look
from controller.status import tank_words

SHOWN_NOTES = 60


def overview(rooms: Sequence[tuple[Room, Seen]], heard: Elsewhere | None = None) -> str:
    """Each room: one sentence, the figure, alarms, a way to it; then those of other boards."""
    body = (
        '<header><h1>Rooms</h1></header>\n<main id="main" tabindex="-1">\n'
        f"{room_page.QUIET}{_changing(rooms, heard)}</main>"
    )
    return html.page(_title(rooms, heard), body, live="/now")


def overview_now(rooms: Sequence[tuple[Room, Seen]], heard: Elsewhere | None = None) -> str:
    """The parts that change, and the words of the browser's tab."""
    title = escape(_title(rooms, heard))
    return f'<!doctype html><html lang="en"><title>{title}</title>\n{_changing(rooms, heard)}\n</html>'


def _changing(rooms: Sequence[tuple[Room, Seen]], heard: Elsewhere | None) -> str:
    """In two: the ages of the ones must not have the links of the others made anew each time."""
    own = f'<div id="rooms" data-live>{"".join(_one(room, seen) for room, seen in rooms)}</div>'
    return own if heard is None else f"{own}\n{elsewhere.section(heard)}"


def _title(rooms: Sequence[tuple[Room, Seen]], heard: Elsewhere | None) -> str:
    calling = sum(1 for _, seen in rooms if not seen.fresh or (seen.plain and words.waiting(seen.plain)))
    several = len(rooms)
    if heard is not None:
        calling, several = calling + heard.calling, several + len(heard.rooms)
    if calling:
        return f"{calling} of {several} rooms call"
    known = f"{several} room{'s' if several > 1 else ''}"
    return f"{known}, no other heard" if heard is not None and heard.trouble else f"{known}, no alarm"


def _one(room: Room, seen: Seen) -> str:
    link = f'<h2><a href="/room/{room.name}">{escape(room.name)}</a></h2>'
    bad = words.standing(seen, "")
    if bad:
        link += f'<p class="told bad">{escape(room.told(bad))}</p>'
    if seen.plain is None:
        return f'<section class="room-row">{link}</section>'
    plain, told = seen.plain, room.told
    style = "bad" if words.waiting(plain) else "open"
    alarms = (
        f'<p class="told {style}"><b>Alarm.</b> {words.marked(told(words.alarms_short(plain)))}</p>'
        if plain["alarms"]
        else ""
    )
    return (
        f'<section class="room-row{"" if seen.fresh else " then"}">{link}'
        f'<p class="figure"><b>{words.figure(plain["rh_pct"])}</b> <span class="unit">%RH</span></p>'
        f"<p>{words.marked(told(words.why(seen)))}</p>{alarms}"
        f'<p class="soft">Tank: {escape(told(tank_words(plain, seen.now)))}</p></section>'
    )


def span(room: Room, name: str, report: Report, several: bool) -> str:
    """A day, a week or a month of the record."""
    whole = report.asked.span
    look = Look(room.settings.room.units, near=whole.last)
    told = [
        each
        for each in sections(report)
        if (each.rows or each.remarks) and (each.name != "runs" or whole.days == 1)  # a week has a hundred
    ]
    body = (
        f'<header><h1>{escape(title_of(whole))}</h1><p class="room">{escape(room.name)}</p></header>\n'
        f'<main id="main" tabindex="-1">{_turn(room, name, whole.first, whole.last, room.now().date())}'
        f"<p>{escape(look.said(' '.join(summary(report))))}</p>\n"
        f"{''.join(sections_html(report, look, told)) if report.total is not None else ''}</main>"
    )
    nav = [*room_page.pages(room, several), (f"/room/{room.name}/journal", "Journal")]
    return html.page(f"{title_of(whole)}, {room.name}", body, nav=nav)


def _turn(room: Room, name: str, first: date, last: date, today: date) -> str:
    """The ones before and after."""
    before = span_of(name, first - timedelta(days=1)).first
    link = f"/room/{room.name}/{name}?of="
    parts = [f'<a href="{link}{before}">The {name} before</a>']
    if last < today:
        parts.append(f'<a href="{link}{last + timedelta(days=1)}">The {name} after</a>')
    return f'<nav class="turn" aria-label="Other times">{"".join(parts)}</nav>\n'


def journal(
    room: Room, entries: Sequence[Entry] | str, desk: Desk, reply: Reply | None, several: bool, asked: str
) -> str:
    """The notes, and forms for new ones. ``entries``: or why they cannot be read."""
    opened = desk.typed.form
    asks = "".join(
        f"<details{' open' if name == opened else ''}><summary>{escape(FORMS[name].title)}</summary>"
        f"{form(FORMS[name], desk, title=False)}{_about(name)}</details>"
        for name in JOURNAL
    )
    answer = room_page.answer(reply, f"{room.name}/journal?asked={asked}")
    live = f"/room/{room.name}/now?asked={asked}" if asked else ""
    body = (
        f'<header><h1>Journal</h1><p class="room">{escape(room.name)}</p></header>\n'
        f'<main id="main" tabindex="-1">{room_page.QUIET}{html.problem(desk)}{answer}'
        f'<section aria-labelledby="new"><h2 id="new">A new note</h2>{asks}</section>\n'
        f'<section aria-labelledby="notes"><h2 id="notes">Notes</h2>{_notes(room, entries, desk)}</section>'
        "</main>"
    )
    nav = [*room_page.pages(room, several), (f"/room/{room.name}/journal", "Journal")]
    return html.page(f"Journal, {room.name}", body, nav=nav, live=live)


def _about(name: str) -> str:
    about = FORMS[name].about
    return f'<p class="soft">{escape(about)}</p>' if about else ""


def _notes(room: Room, entries: Sequence[Entry] | str, desk: Desk) -> str:
    if isinstance(entries, str):
        return f"<p>{escape(entries)}</p>"
    if not entries:
        return '<p class="soft">No notes yet.</p>'
    shown = "".join(_note(room, entry, desk) for entry in entries[:SHOWN_NOTES])
    more = ""
    if len(entries) > SHOWN_NOTES:
        more = f'<p class="soft">{len(entries) - SHOWN_NOTES} older ones: <code>hygrohold journal</code>.</p>'
    return f'<ul class="notes">{shown}</ul>{more}'


def _note(room: Room, entry: Entry, desk: Desk) -> str:
    said = escape(room.told(journal_text.describe(entry.note, room.tz)))
    number = str(entry.number)
    became = "".join(f'<p class="soft">{escape(each)}</p>' for each in journal_text.history(entry, room.tz))
    if entry.withdrawn is not None:
        return f"<li>{number}. <s>{said}</s>{became}</li>"
    own = form(FORMS["withdraw"], desk, title=False, fixed={"about": number})
    own = own.replace('id="ask-withdraw"', f'id="ask-withdraw-{number}"').replace(
        "withdraw-remark", f"withdraw-{number}-remark"
    )
    inside = f"<summary>Withdraw note {number}</summary>{own}"
    return f"<li>{number}. {said}{became}<details>{inside}</details></li>"


def sign_in(seal: str, problem: str, to: str, possible: bool) -> str:
    told = f'<p class="told bad" role="alert" id="sign-in-told">{escape(problem)}</p>' if problem else ""
    marks = ' aria-invalid="true" aria-describedby="sign-in-told"' if problem else ""
    asked = (
        f'<form class="ask" method="post" action="/sign-in"><input type="hidden" name="seal" value="{seal}">'
        f'<input type="hidden" name="to" value="{escape(to)}">'
        f'<p><label for="password">Password</label><input type="password" id="password" name="password" '
        f'autocomplete="current-password" maxlength="200" required autofocus{marks}></p>'
        "<button>Sign in</button></form>"
    )
    if not possible:
        asked = (
            "<p>No password is set, so no browser can sign in: <code>hygrohold page --set-password</code> on "
            "the board sets one.</p>"
        )
    body = f'<header><h1>Sign in</h1></header><main id="main" tabindex="-1">{told}{asked}</main>'
    return html.page("Sign in", body)


def trouble(title: str, words_: str) -> str:
    body = (
        f'<header><h1>{escape(title)}</h1></header><main id="main" tabindex="-1">'
        f'<p class="why">{escape(words_)}</p>'
        '<p><a href="/">To the first page</a></p></main>'
    )
    return html.page(title, body)
