"""ELSEWHERE: rooms of other boards, as they are heard at a broker, on the page of all rooms.

In:    what is heard there, from whoever may write there.
Out:   HTML without a link or a button: those boards have pages of their own.
Never: lets a stranger's text be anything but text, of any length, or shows an old figure as one of now.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from html import escape
from typing import NamedTuple, Protocol

from controller.core.keeper import duration_words
from controller.outlets.roster import SILENT, HeardRoom
from controller.page import words
from controller.page.kept import Kept
from controller.page.rooms import LOOK_S

LONGEST = 240
"""Letters of a room's sentence. Ours are shorter."""


class Listener(Protocol):
    """As ``controller.outlets.heard.Heard``."""

    def rooms(self) -> tuple[HeardRoom, ...]: ...

    @property
    def trouble(self) -> str: ...

    @property
    def ignored(self) -> int: ...


class Elsewhere(NamedTuple):
    """What is heard at the broker ``where``; ``trouble``: why it is not heard now, "" while it is."""

    where: str
    rooms: tuple[HeardRoom, ...]
    trouble: str = ""
    ignored: int = 0

    @property
    def calling(self) -> int:
        """Rooms that are not heard, or have an alarm that nobody acknowledged."""
        return sum(1 for room in self.rooms if not room.online or room.waiting)


def listening(heard: Listener, where: str, board: str, own: Collection[str]) -> Callable[[], Elsewhere]:
    """Looks, once a second however many ask. ``own``: rooms of ``board`` that the page shows itself."""

    def look() -> Elsewhere:
        rooms = tuple(room for room in heard.rooms() if room.board != board or room.room not in own)
        return Elsewhere(where, rooms, heard.trouble, heard.ignored)

    kept: Kept[Elsewhere] = Kept(LOOK_S)
    return lambda: kept.get("", look)


def section(found: Elsewhere) -> str:
    """The part of the page that the script renews, with all that was heard."""
    where, told = escape(found.where), ""
    if found.trouble:
        before = " What stands here is what it said before." if found.rooms else ""
        told = f'<p class="told bad">The broker at {where} is not heard: {escape(found.trouble)}.{before}</p>'
    elif not found.rooms:
        told = (
            f'<p class="soft">No room of another board is heard at {where}. A board tells of its rooms by '
            "<code>hygrohold publish</code>.</p>"
        )
    ignored = ""
    if found.ignored:
        ignored = f'<p class="soft">Messages there not understood, or too many: {found.ignored}.</p>'
    return (
        '<div id="heard" data-live><section aria-labelledby="elsewhere">'
        f'<h2 id="elsewhere">On other boards</h2>{told}'
        f"{''.join(_one(room) for room in found.rooms)}{ignored}</section></div>"
    )


def _one(room: HeardRoom) -> str:
    head = f'<h3>{escape(room.room)} <span class="soft">on {escape(room.board)}</span></h3>'
    if room.online:
        age = "" if room.age_s is None else f'<p class="soft">Heard {duration_words(room.age_s)} ago.</p>'
        return (
            f'<section class="room-row">{head}'
            f'<p class="figure"><b>{words.figure(room.rh_pct)}</b> <span class="unit">%RH</span></p>'
            f"<p>{_said(room.sentence)}</p>{_alarms(room, 'Alarm.')}{age}</section>"
        )
    silent, why = "", room.why
    if room.age_s is not None:
        silent = f"<b>Not heard for {duration_words(room.age_s)}.</b> "
        why = "" if why == SILENT else why
    last = f'<p class="soft">Its last word: {_said(room.word)}</p>' if room.word else ""
    return (
        f'<section class="room-row then">{head}<p class="told bad">{silent}{escape(why)}</p>'
        f"{last}{_alarms(room, 'Alarm, when it was heard.')}</section>"
    )


def _alarms(room: HeardRoom, name: str) -> str:
    if not room.alarms:
        return ""
    more = len(room.alarms) - 1
    short = f"{words.in_short(room.alarms[0])}{f' And {more} more.' if more else ''}"
    style = "bad" if room.waiting else "open"
    return f'<p class="told {style}"><b>{name}</b> {_said(short)}</p>'


def _said(sentence: str) -> str:
    """A command in it is one for that board, and not for a button of this page."""
    return words.marked(words.cut(sentence, LONGEST), {})
