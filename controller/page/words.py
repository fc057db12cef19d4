"""WORDS: what the page says of a room in a keeper's language, and who stands behind that.

In:    ``Seen``.
Out:   sentences, and sentences as HTML.
Never: lets what a person wrote be anything but text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from html import escape
from typing import Any

from controller.core.keeper import duration_words
from controller.core.refill import when
from controller.page.forms import FORMS
from controller.page.rooms import SILENT, UP, Room, Seen

BUTTONS = {
    "hygrohold resume": "resume",
    "hygrohold note refilled": "filled",
    "hygrohold note cleaned": "cleaned",
    "hygrohold acknowledge": "acknowledge",
    "hygrohold note": "remark",
}
"""Commands that messages name, and the form that does the same here."""
SHORT = 100
"""Letters of an alarm on the first screen of a phone."""
_COMMAND = re.compile(r"`([^`]+)`")


def marked(words: str, buttons: Mapping[str, str] = BUTTONS) -> str:
    """A sentence of the program as HTML: a command that the page has a button for is named by the button."""

    def named(found: re.Match[str]) -> str:
        form = buttons.get(found[1])
        return f"“{FORMS[form].button}”" if form else f"<code>{found[1]}</code>"

    return _COMMAND.sub(named, escape(words))


def standing(seen: Seen, start_words: str) -> str:
    """What is wrong with what is shown; "" while the program runs and tells of now."""
    if seen.standing == UP:
        return ""
    if seen.plain is None and seen.standing == SILENT:
        return "The program has just begun and has not said anything yet."
    if seen.plain is None:
        return (
            f"The program does not run for this room: nobody looks after its humidity. {start_words}".strip()
        )
    of = f"what stands here is of {at(seen)}"
    if seen.standing == SILENT:
        return f"The program has said nothing for {duration_words(max(seen.age_s, 0.0))}: {of}."
    return f"The program does not run: nobody looks after the humidity, and {of}. {start_words}".strip()


def at(seen: Seen) -> str:
    """When it was said, as a person says it."""
    assert seen.plain is not None
    return when(datetime.fromisoformat(seen.plain["at"]).astimezone(seen.now.tzinfo), seen.now)


def said_at(seen: Seen) -> str:
    """In the head of the page, beside the room's name: the time of the figures."""
    if seen.plain is None:
        return ""
    said = datetime.fromisoformat(seen.plain["at"]).astimezone(seen.now.tzinfo)
    return f"at {said:%H:%M:%S}" if seen.fresh else f"not of now, but of {at(seen)}"


def why(seen: Seen) -> str:
    """Why it is on or off, or was."""
    if seen.plain is None:
        return "Nothing is known."
    return str(seen.plain["sentence"])


def in_short(words: str) -> str:
    """What was seen, without what is done about it; all of it stands below the first screen."""
    return cut(re.split(r"(?<=[.?!]) (?=[A-Z])", words, maxsplit=1)[0], SHORT)


def cut(words: str, most: int) -> str:
    """No longer than ``most``, cut between words where there is more than one."""
    if len(words) <= most:
        return words
    return f"{words[:most].rpartition(' ')[0] or words[:most]} …"


def alarms_short(plain: dict[str, Any]) -> str:
    """The alarms in a line: the first, and how many more."""
    alarms = plain["alarms"]
    if not alarms:
        return "No alarm."
    first = next((each for each in alarms if not each["acked_by"]), alarms[0])
    more = len(alarms) - 1
    return f"{in_short(str(first['words']))}{f' And {more} more.' if more else ''}"


def waiting(plain: dict[str, Any]) -> int:
    """Alarms that nobody acknowledged."""
    return sum(1 for each in plain["alarms"] if not each["acked_by"])


def figure(rh_pct: float | None) -> str:
    return "?" if rh_pct is None else f"{rh_pct:.1f}"


def against_band(rh_pct: float | None, low: float, high: float) -> str:
    if rh_pct is None:
        return "no reading is believed"
    if rh_pct < low:
        return f"below the band of {low:g} to {high:g}"
    return (
        f"above the band of {low:g} to {high:g}" if rh_pct > high else f"in the band of {low:g} to {high:g}"
    )


def to_do(seen: Seen) -> str:
    """What a person should do now, where no alarm says it already."""
    if seen.plain is None or seen.plain["alarms"]:
        return ""
    return str(seen.plain["to_do"])


def title(room: Room, seen: Seen) -> str:
    """Of the browser's tab: it is read where the page is not seen."""
    if not seen.fresh or seen.plain is None:
        return f"{room.name}: not known"
    alarm = "ALARM, " if waiting(seen.plain) else ""
    return f"{alarm}{figure(seen.plain['rh_pct'])} %RH, {room.name}"
