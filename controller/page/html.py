"""HTML: the frame of every page, and forms as they stand in one.

In:    titles, parts of pages, forms, what was typed before.
Out:   HTML without an inline script or style, so that the policy can bar both.
Never: lets anything through unescaped that is not markup of ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import NamedTuple

from controller import __version__
from controller.page import forms
from controller.page.forms import Field, Form


class Typed(NamedTuple):
    """A form that came back: what was typed, and which field was not understood."""

    form: str = ""
    sent: Mapping[str, str] = {}
    field: str = ""
    problem: str = ""


class Desk(NamedTuple):
    """What forms of one page share."""

    room: str
    seal: str
    back: str  # the page to come back to: "" or "journal"
    typed: Typed = Typed()
    units: str = "si"
    signed_in: bool = False  # and can sign out


def page(
    title: str, body: str, *, nav: Iterable[tuple[str, str]] = (), live: str = "", foot: str = ""
) -> str:
    """``live``: the address that the script asks every few seconds."""
    links = "".join(f'<a href="{escape(to)}">{escape(words)}</a>' for to, words in nav)
    menu = f'<nav aria-label="Pages">{links}</nav>' if links else ""
    asks = f' data-now="{escape(live)}"' if live else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n"
        f'<link rel="stylesheet" href="/style.css?{__version__}">\n'
        f"{script() if live else ''}</head>\n<body{asks}>\n"
        '<a class="skip" href="#main">To what matters</a>\n'
        f"{body}\n"
        f"<footer>{menu}{foot}</footer>\n"
        "</body></html>\n"
    )


def script() -> str:
    return f'<script src="/live.js?{__version__}" defer></script>\n'


def form(each: Form, desk: Desk, *, title: bool = True, fixed: Mapping[str, str] | None = None) -> str:
    """``fixed``: fields that are not asked for."""
    typed = desk.typed if desk.typed.form == each.name else Typed()
    hidden = {"seal": desk.seal, "back": desk.back, **(fixed or {})}
    parts = [f'<input type="hidden" name="{name}" value="{escape(value)}">' for name, value in hidden.items()]
    parts += [_field(each, field, typed, desk.units) for field in each.fields if field.name not in hidden]
    head = f"<h3>{escape(each.title)}</h3>" if title else ""
    about = f'<p class="soft">{escape(each.about)}</p>' if each.about and title else ""
    return (
        f'<form class="ask" id="ask-{each.name}" method="post" action="/room/{desk.room}/ask/{each.name}">'
        f"{head}{''.join(parts)}<button>{escape(each.button)}</button>{about}</form>"
    )


def sign_out(desk: Desk) -> str:
    if not desk.signed_in:
        return ""
    seal = f'<input type="hidden" name="seal" value="{desk.seal}">'
    return f'<form method="post" action="/sign-out">{seal}<button class="small">Sign out</button></form>'


def problem(desk: Desk) -> str:
    """What was wrong with a form that came back, with a way to it."""
    if not desk.typed.problem:
        return ""
    to = f"{desk.typed.form}-{desk.typed.field}" if desk.typed.field else f"ask-{desk.typed.form}"
    return (
        f'<p class="told bad" role="alert">Nothing was asked. <a href="#{escape(to)}">'
        f"{escape(desk.typed.problem)}</a></p>"
    )


def _field(each: Form, field: Field, typed: Typed, units: str) -> str:
    name = f"{each.name}-{field.name}"
    value = typed.sent.get(field.name, "") if typed.form else field.value
    wrong = bool(typed.form) and typed.field == field.name
    told, marks = "", ""
    if wrong or field.hint:
        told = f'<span class="{"problem" if wrong else "soft"}" id="{name}-told">' + (
            f"{escape(typed.problem if wrong else field.hint)}</span>"
        )
        marks += f' aria-describedby="{name}-told"'
    marks += ' aria-invalid="true" autofocus' if wrong else ""
    marks += " required" if field.needed else ""
    plain = f'id="{name}" name="{field.name}"{marks}'
    label = field.label
    if field.kind == forms.TICK:
        ticked = " checked" if value == "yes" else ""
        return (
            f'<p class="tick"><input type="checkbox" value="yes" {plain}{ticked}>'
            f'<label for="{name}">{escape(label)}</label></p>'
        )
    if field.kind == forms.WATER:
        label += ", as 0.5 gal or 64 fl oz" if units == "us" else ", in litres"
    kind = forms.FIGURE if field.kind == forms.WATER and units == "si" else field.kind
    made = INPUTS.get(kind, _text)(field, plain, value)
    return f'<p><label for="{name}">{escape(label)}</label>{made}{told}</p>'


def _text(field: Field, plain: str, value: str) -> str:
    most = forms.MOST_LETTERS.get(field.name, 80)
    return f'<input type="text" {plain} maxlength="{most}" value="{escape(value)}" autocomplete="off">'


def _long(field: Field, plain: str, value: str) -> str:
    most = forms.MOST_LETTERS[field.name]
    return f'<textarea {plain} maxlength="{most}" rows="2">{escape(value)}</textarea>'


def _figure(field: Field, plain: str, value: str) -> str:
    return (
        f'<input class="figure" type="text" inputmode="decimal" {plain} value="{escape(value)}" '
        'autocomplete="off" maxlength="20">'
    )


def _water(field: Field, plain: str, value: str) -> str:
    return _figure(field, plain, value).replace(' inputmode="decimal"', "")  # a unit has letters


def _choice(field: Field, plain: str, value: str) -> str:
    first = "" if field.value else '<option value="">Choose</option>'
    choices = "".join(
        f'<option value="{escape(each)}"{" selected" if each == value else ""}>{escape(words)}</option>'
        for each, words in field.choices
    )
    return f"<select {plain}>{first}{choices}</select>"


def _when(field: Field, plain: str, value: str) -> str:
    return f'<input type="datetime-local" {plain} value="{escape(value)}">'


INPUTS = {
    forms.WORDS: _long,
    forms.FIGURE: _figure,
    forms.WATER: _water,
    forms.CHOICE: _choice,
    forms.WHEN: _when,
}
