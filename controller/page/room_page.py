"""ROOM PAGE: is it fine, why is it off, when do I fill up; and below that, the things a keeper says.

In:    a room, what its program says, its last day, the loop's answer.
Out:   the page, and alone the parts of it that change: the script asks for those every few seconds.
Never: reads a file or asks for anything.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

from controller import status
from controller.page import drawn, html, words
from controller.page.asking import Reply
from controller.page.drawn import Span
from controller.page.forms import AT_HAND, FORMS
from controller.page.html import Desk, form
from controller.page.rooms import Room, Seen

Chart = Callable[[float | None], str]
"""Draws the last day, with the figure of now where that is fresh."""


def page(
    room: Room, seen: Seen, chart: Chart, desk: Desk, by: str, reply: Reply | None, several: bool, asked: str
) -> str:
    live = f"/room/{room.name}/now" + (f"?asked={asked}" if asked else "")
    parts = dict(_parts(room, seen, chart, reply, asked))
    nav = [*pages(room, several), (f"/room/{room.name}/journal", "Journal")]
    body = (
        f'<header><h1>{escape(room.name)}</h1>{parts["asof"]}</header>\n<main id="main" tabindex="-1">\n'
        f"{QUIET}{html.problem(desk)}{parts['answer']}{parts['standing']}\n"
        f'<div class="first">{parts["why"]}\n{parts["reading"]}\n{parts["tank"]}\n{parts["alarms"]}\n'
        f"{parts['chart']}</div>\n"
        f'<section class="tell" aria-labelledby="tell"><h2 id="tell">Tell it</h2>\n{_asks(desk, by)}'
        "</section>\n"
        f'<section aria-labelledby="messages"><h2 id="messages">Alarms and notices</h2>\n{parts["told"]}\n'
        f'<div id="ack"{"" if seen.plain and words.waiting(seen.plain) else " hidden"}>'
        f"{form(FORMS['acknowledge'], desk, title=False)}</div></section>\n"
        f'<section aria-labelledby="more"><h2 id="more">In figures</h2>\n{parts["figures"]}</section>\n'
        "</main>"
    )
    return html.page(words.title(room, seen), body, nav=nav, live=live, foot=html.sign_out(desk))


def now(room: Room, seen: Seen, chart: Chart, reply: Reply | None, asked: str) -> str:
    """The parts that change, and the words of the browser's tab."""
    changing = "\n".join(part for _, part in _parts(room, seen, chart, reply, asked))
    title = escape(words.title(room, seen))
    return f'<!doctype html><html lang="en"><title>{title}</title>\n{changing}\n</html>'


QUIET = (
    '<p id="quiet" class="told bad" role="alert" hidden>This page hears nothing from the board since '
    "<span></span>: what stands here is of then. Is the phone in the network, is the board on?</p>\n"
)


def pages(room: Room, several: bool) -> list[tuple[str, str]]:
    each = f"/room/{room.name}"
    found = [("/", "All rooms")] if several else []
    return [
        *found,
        (each, "Now"),
        (f"{each}/day", "Day"),
        (f"{each}/week", "Week"),
        (f"{each}/month", "Month"),
    ]


def _parts(room: Room, seen: Seen, chart: Chart, reply: Reply | None, asked: str) -> list[tuple[str, str]]:
    bad = words.standing(seen, room.start_words)
    standing = f'<p class="told bad">{words.marked(room.told(bad))}</p>' if bad else ""
    if seen.ended:
        standing += f'<p class="told">{escape(room.told(" ".join(seen.ended.split())))}</p>'
    plain = seen.plain
    asof = words.said_at(seen)
    again = f'<noscript><a class="again" href="/room/{room.name}">Look again</a></noscript>'
    found = [
        ("asof", f'<p id="asof" data-live><span>{asof}</span> {again}</p>'),
        ("answer", answer(reply, f"{room.name}?asked={asked}")),
        ("standing", f'<div id="standing" data-live role="status">{standing}</div>'),
        ("why", _live("why", f'<p class="why">{_said(room, words.why(seen))}</p>', seen, 'role="status"')),
    ]
    if plain is None:
        empty = [(name, _live(name, "", seen)) for name in ("reading", "tank", "alarms", "told", "figures")]
        return [*found, *empty, ("chart", _live("chart", _chart(chart(None)), seen))]
    now_pct = plain["rh_pct"] if seen.fresh else None
    return [
        *found,
        ("reading", _live("reading", _reading(room, plain), seen)),
        ("tank", _live("tank", _tank(room, seen, plain), seen)),
        ("alarms", _live("alarms", _alarms(room, seen, plain), seen)),
        ("chart", _live("chart", _chart(chart(now_pct)), seen)),
        ("told", _live("told", _told(room, seen, plain), seen)),
        ("figures", _live("figures", _figures(room, seen, plain), seen)),
    ]


def _live(name: str, inside: str, seen: Seen, more: str = "") -> str:
    old = "" if seen.fresh else ' class="then"'
    return f'<div id="{name}" data-live{old}{f" {more}" if more else ""}>{inside}</div>'


def _said(room: Room, sentence: str) -> str:
    return words.marked(room.told(sentence))


def answer(reply: Reply | None, to: str) -> str:
    """The loop's answer. ``to``: where the page is, for a browser that must be told to look again."""
    inside = ""
    if reply is not None:
        style = {True: "good", False: "bad", None: "open"}[reply.done]
        more = ""
        if reply.done is None:  # the script looks by itself
            more = f' <noscript><a href="/room/{escape(to)}">Look again</a></noscript>'
        inside = f'<p class="told {style}">{words.marked(reply.words)}{more}</p>'
    return f'<div id="answer" data-live role="status">{inside}</div>'


def _reading(room: Room, plain: dict[str, Any]) -> str:
    target = room.settings.target
    band = Span(target.band_low_rh_pct, target.band_high_rh_pct)
    rh, temp = plain["rh_pct"], plain["temp_c"]
    warm = "" if temp is None else f'<span class="warm">{escape(room.told(f"{temp:.1f} °C"))}</span>'
    against = words.against_band(rh, *band)
    aim = f"target {plain['target_rh_pct']:.1f}, no mist from {plain['ceiling_rh_pct']:.1f} on"
    return (
        f'<p class="figure"><b>{words.figure(rh)}</b> <span class="unit">%RH</span> {warm}</p>'
        f"{drawn.strip(band, plain['target_rh_pct'], plain['ceiling_rh_pct'], rh)}"
        f'<p class="soft">{escape(against[:1].upper() + against[1:])}; {aim}</p>'
    )


def _tank(room: Room, seen: Seen, plain: dict[str, Any]) -> str:
    return f"<p><b>Tank</b> {escape(room.told(status.tank_words(plain, seen.now)))}</p>"


def _alarms(room: Room, seen: Seen, plain: dict[str, Any]) -> str:
    if not plain["alarms"]:
        do = words.to_do(seen)
        return f"<p><b>No alarm.</b> {_said(room, do)}</p>"
    style = "bad" if words.waiting(plain) else "open"
    count = len(plain["alarms"])
    head = "Alarm" if count == 1 else f"{count} alarms"
    return (
        f'<p class="told {style}"><b>{head}.</b> {_said(room, words.alarms_short(plain))} '
        '<a href="#messages">What to do</a></p>'
    )


def _chart(drawing: str) -> str:
    return (
        '<figure><figcaption><b>Last 24 hours</b><span class="key"><i class="rh"></i>%RH</span>'
        f'<span class="key"><i class="target"></i>target</span></figcaption>{drawing}</figure>'
    )


def _told(room: Room, seen: Seen, plain: dict[str, Any]) -> str:
    rows = [("Alarm", each) for each in plain["alarms"]] + [("Notice", each) for each in plain["notices"]]
    toggle = f'<i data-toggle="ack" data-on="{int(words.waiting(plain) > 0)}"></i>'
    if not rows:
        return f'<p class="soft">None.</p>{toggle}'
    items = "".join(
        f"<li><b>{kind}.</b> {_said(room, status.told(each, seen.now))}</li>" for kind, each in rows
    )
    return f'<ul class="messages">{items}</ul>{toggle}'


def _figures(room: Room, seen: Seen, plain: dict[str, Any]) -> str:
    rows = status.figures(plain, seen.now)
    return f"<dl>{''.join(f'<dt>{name}</dt><dd>{_said(room, told)}</dd>' for name, told in rows)}</dl>"


def _asks(desk: Desk, by: str) -> str:
    at_hand = "".join(form(FORMS[name], desk, title=name != "filled") for name in AT_HAND)
    end = form(FORMS["resume"], desk, title=False)
    return (
        f'{at_hand}{end}<form class="who" method="post" action="/name">'
        f'<input type="hidden" name="seal" value="{desk.seal}">'
        f'<input type="hidden" name="room" value="{desk.room}">'
        f'<p><label for="who">You are</label><input type="text" id="who" name="by" maxlength="80" '
        f'value="{escape(by)}" autocomplete="nickname"><button class="small">Remember</button></p></form>'
    )
