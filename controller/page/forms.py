"""FORMS: everything that may be asked on the page, and what a filled one asks the loop for.

In:    the fields as a browser sent them; the room's time zone.
Out:   a ``Request`` of one of the spool's kinds; or which field was not understood, and why.
Never: asks for mist, or for anything else that a command does not ask for: the loop and its guards decide.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, tzinfo
from typing import NamedTuple

from controller.core import units
from controller.core.records import Request
from controller.errors import RequestError
from controller.journal import one_line

TEXT, WORDS, FIGURE, WATER, CHOICE, TICK, WHEN = "text", "words", "figure", "water", "choice", "tick", "when"
MOST_LETTERS = {"animal": 40, "remark": 500, "by": 80}
"""As ``spool.py`` takes them."""
_FIGURE = re.compile(r"\d{1,5}(?:[.,]\d{1,2})?")
HOUR_S, DAY_S = 3600.0, 86400.0


class Field(NamedTuple):
    name: str
    label: str
    kind: str = TEXT
    needed: bool = False
    choices: tuple[tuple[str, str], ...] = ()  # (value, words)
    value: str = ""
    hint: str = ""


class Form(NamedTuple):
    name: str  # in the address it is sent to
    kind: str  # of the request
    title: str
    button: str
    fields: tuple[Field, ...] = ()
    about: str = ""


class Unclear(RequestError):
    """A field that was not understood."""

    def __init__(self, field: str, words: str) -> None:
        super().__init__(words)
        self.field = field


WHEN_FIELD = Field("at", "When, if not now", WHEN)
ANIMAL = Field("animal", "Animal")
WHICH = ANIMAL._replace(needed=True)
REMARK = Field("remark", "What else there is to say", WORDS)
DAYS = Field("days", "For how many days", FIGURE, value="3")
PAUSES = tuple((str(s), words) for s, words in (
    (1800, "30 minutes"), (3600, "1 hour"), (7200, "2 hours"), (14400, "4 hours"), (28800, "8 hours"),
))  # fmt: skip

FORMS: dict[str, Form] = {form.name: form for form in (
    Form("filled", "refilled", "Filled", "Filled to the top"),
    Form("added", "refilled", "Added water", "Note what was added", (
        Field("litres", "How much", WATER, needed=True),
        Field("full", "It is full to the top now", TICK),
        WHEN_FIELD,
    ), "With the tick, two fillings teach what the humidifier really gives."),
    Form("pause", "pause", "Pause", "Pause", (
        Field("for_s", "No mist for", CHOICE, needed=True, choices=PAUSES, value="7200"),
    ), "Every pause ends by itself."),
    Form("resume", "resume", "End the pause", "End the pause"),
    Form("raise", "raise_target", "Raise the target", "Raise it", (
        Field("rh_pct", "By how many %RH", FIGURE, needed=True, value="5"),
        DAYS._replace(needed=True),
    ), "For an animal about to shed. Never above the ceiling; a new raise replaces the one before."),
    Form("acknowledge", "acknowledge", "Acknowledge", "I know of these alarms"),
    Form("cleaned", "cleaned", "The humidifier was cleaned", "Note the cleaning", (WHEN_FIELD,)),
    Form("shed", "shed", "Shed", "Note the shed", (
        WHICH,
        Field("outcome", "How it came off", CHOICE, needed=True,
              choices=(("whole", "whole"), ("pieces", "in pieces"))),
        WHEN_FIELD, REMARK,
    ), "An animal that is unwell, or a shed that stays on eyes or tail tip, goes to a veterinarian first."),
    Form("opaque", "opaque", "Opaque", "Note it", (
        WHICH,
        Field("rh_pct", "Raise the target by so many %RH", FIGURE, hint="Leave it empty for a note alone."),
        DAYS, WHEN_FIELD, REMARK,
    )),
    Form("misted", "misted", "Misted by hand", "Note it", (ANIMAL, WHEN_FIELD, REMARK)),
    Form("substrate", "substrate", "Substrate renewed", "Note it", (ANIMAL, WHEN_FIELD, REMARK)),
    Form("remark", "remark", "Something else", "Note it", (
        REMARK._replace(label="What there is to say", needed=True), ANIMAL, WHEN_FIELD,
    )),
    Form("withdraw", "withdraw", "Withdraw a note", "Withdraw this note", (
        Field("about", "Its number", FIGURE, needed=True),
        REMARK._replace(label="Why"),
    ), "It stays in the record, marked as withdrawn."),
)}  # fmt: skip

AT_HAND = ("filled", "added", "pause", "raise")
JOURNAL = ("cleaned", "shed", "opaque", "misted", "substrate", "remark")


def request(form: Form, sent: Mapping[str, str], by: str, tz: tzinfo) -> Request:
    """What a filled form asks for. Raises Unclear."""
    found: dict[str, object] = {}
    for field in form.fields:
        text = sent.get(field.name, "").strip()
        if not text:
            if field.needed:
                raise Unclear(field.name, f"{field.label}: this is needed")
            continue
        found[field.name] = READERS[field.kind](field, text, tz)
    days = found.pop("days", None)
    if "rh_pct" in found and isinstance(days, float):  # days of what is not raised say nothing
        found["for_s"] = days * DAY_S
    return Request(form.kind, by=name_of(by), **found)  # type: ignore[arg-type]


def name_of(text: str) -> str:
    """Who asks, as a name on one line."""
    return one_line(text).strip()[: MOST_LETTERS["by"]]


def _words(field: Field, text: str, _tz: tzinfo) -> str:
    most = MOST_LETTERS[field.name]
    text = one_line(" ".join(text.split()))
    if len(text) > most:
        raise Unclear(field.name, f"{field.label}: {len(text)} letters; at most {most} are kept")
    return text


def _figure(field: Field, text: str, _tz: tzinfo) -> float | int:
    if not _FIGURE.fullmatch(text) or (value := float(text.replace(",", "."))) <= 0.0:
        raise Unclear(field.name, f"{field.label}: {text[:20]!r} is not a figure above zero, like 5 or 2.5")
    if field.name == "about":
        if not value.is_integer():
            raise Unclear(field.name, f"{field.label}: {text[:20]!r} is not the number of a note")
        return int(value)
    return value


def _water(field: Field, text: str, tz: tzinfo) -> float:
    """A bare figure is litres; a unit may be written behind it."""
    if _FIGURE.fullmatch(text):
        return float(_figure(field, text, tz))
    value = units.read(text[:40].replace(",", "."), units.litres)
    if value is None or not 0.0 < value <= 1000.0:
        raise Unclear(
            field.name,
            f"{field.label}: {text[:20]!r} is not an amount of water like 2.5, 0.5 gal or 64 fl oz",
        )
    return value


def _choice(field: Field, text: str, _tz: tzinfo) -> str | float:
    if text not in {value for value, _ in field.choices}:
        raise Unclear(field.name, f"{field.label}: {text[:20]!r} is none of the choices")
    return float(text) if field.name == "for_s" else text


def _tick(_field: Field, text: str, _tz: tzinfo) -> bool:
    return text == "yes"


def _when(field: Field, text: str, tz: tzinfo) -> datetime:
    """As a browser sends the room's own time: 2026-01-14T16:40. Whether it may be, the loop says."""
    try:
        found = datetime.fromisoformat(text[:40].replace(" ", "T"))
        found = found if found.tzinfo is not None else found.replace(tzinfo=tz)
        return found.astimezone(UTC).astimezone(tz)  # what no calendar has is found here
    except (ValueError, OverflowError):
        words = f"{field.label}: {text[:20]!r} is not a day and time like 2026-01-14T16:40"
        raise Unclear(field.name, words) from None


READERS: dict[str, Callable[[Field, str, tzinfo], object]] = {
    **dict.fromkeys((TEXT, WORDS), _words),
    **{FIGURE: _figure, WATER: _water, CHOICE: _choice, TICK: _tick, WHEN: _when},
}
