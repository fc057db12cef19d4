"""What is said to people outside: plain text, the short line first.

In:    a room, a kind of letter, the message it is about.
Out:   a Letter.
Never: decides whether or to whom; words an alarm itself (``core.messages`` does).
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from controller.core.keeper import duration_words
from controller.core.messages import MESSAGES
from controller.core.records import Message

ALARM, STILL, SECOND, OVER, WAS, SUMMARY, NOTICE, TRIAL = (
    "alarm", "still", "second", "over", "was", "summary", "notice", "trial",
)  # fmt: skip
"""Kinds: raised; stands unacknowledged for long; the same to the second person; cleared; both at once
(it was over before it could be sent); came and went too often to be told each time; a notice; a trial."""

LONGEST_LINE = 140
LONGEST_PART = 1000
ACKNOWLEDGE = "If you know of it, say so on the board, and the reminders end: hygrohold acknowledge"
HEADS = {
    ALARM: "Alarm", STILL: "Still standing", SECOND: "Alarm, unacknowledged", OVER: "Over",
    WAS: "Over before it could be sent", SUMMARY: "Comes and goes", NOTICE: "Notice", TRIAL: "Trial",
}  # fmt: skip


class Letter(NamedTuple):
    """One message on its way. ``code`` is the alarm's or notice's; ``kind`` one of those above.

    ``stands``: whether it says that the alarm or notice stands.
    """

    room: str
    code: str
    kind: str
    words: str
    at: datetime
    since: datetime
    stands: bool = True

    @property
    def first_line(self) -> str:
        return self.words.split("\n", 1)[0]


def letter(
    room: str, kind: str, message: Message, at: datetime, times: int = 0, over: bool = False, lost: int = 0
) -> Letter:
    """``times``: how often it came since it was last told; ``over``: and now it is; ``lost``: see below."""
    told = MESSAGES.get(message.code)
    seen = _seen(message)
    first = _cut(f"{room}: {HEADS[kind]} - {seen}", LONGEST_LINE)
    lines = [first]
    if seen not in first:
        lines.append(_cut(seen, LONGEST_PART))
    if kind == SUMMARY:
        now = "Now it is over." if over else "Now it stands."
        lines.append(f"It came {times} more time{'s' if times != 1 else ''} since the last message. {now}")
    ended = kind in (OVER, WAS) or over
    if told is not None and not ended:
        lines += [part for part in (told.does, told.check) if part]
        lines += [f"It ends with {told.clears}."] if told.clears else []
    if kind in (STILL, SECOND):
        stood = duration_words(max(0.0, (at - message.since).total_seconds()))
        how = "It comes and goes" if times else f"It has stood for {stood}"
        lines.append(f"{how}, and nobody has acknowledged it.")
    lines.append(f"Since {_when(message.since)}." if not ended else _span(message.since, at))
    if kind in (ALARM, STILL, SECOND) or (kind == SUMMARY and not over):
        lines.append(ACKNOWLEDGE)
    if lost:
        lines.append(f"({lost} earlier changes were not passed on: too many at once.)")
    return Letter(room, message.code, kind, "\n".join(lines), at, message.since, not ended)


def was(missed: Letter, over: Letter) -> Letter:
    """An alarm that ended before it could be sent: one letter that says both."""
    rest = missed.words.split(f" {HEADS[ALARM]} - ", 1)[-1].split("\n", 1)[0]
    first = _cut(f"{missed.room}: {HEADS[WAS]} - {rest}", LONGEST_LINE)
    return over._replace(kind=WAS, words=f"{first}\n{_span(over.since, over.at)}")


def trial(room: str, words: str, at: datetime) -> Letter:
    said = _cut(_plain(words) or "nothing is wrong; somebody tries whether messages arrive.", LONGEST_PART)
    return Letter(room, TRIAL, TRIAL, f"{room}: {HEADS[TRIAL]} - {said}\nSent {_when(at)}.", at, at, False)


def _seen(message: Message) -> str:
    told = MESSAGES.get(message.code)
    return _plain(told.seen(message)) if told is not None else message.code


def _plain(text: str) -> str:
    """On one line, with nothing in it that a terminal, a header or an environment variable stumbles over."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3].rstrip() + "..."


def _when(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def _span(since: datetime, at: datetime) -> str:
    return f"From {_when(since)} to {_when(at)}."
