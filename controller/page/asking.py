"""ASKING: leaves what a form asks for in the room's spool, and finds the loop's answer.

In:    a request; the room.
Out:   the number under which the answer will lie; the answer in words.
Never: waits. A page is shown at once, with the answer or with the word that there is none yet.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import NamedTuple

from controller.core.keeper import duration_words
from controller.core.records import Request
from controller.errors import RefusedError
from controller.page.rooms import DOWN, Room
from controller.spool import GOOD_FOR, GOOD_FOR_OTHERS, good_for

MOST_WAITING = 40
"""Requests that the loop has not taken: a page must not fill a folder that nobody empties."""
IDENTITY = re.compile(r"\d{8}T\d{6}-[0-9a-f]{8}")


class Reply(NamedTuple):
    """``done``: None while there is no answer."""

    done: bool | None
    words: str


def leave(room: Room, request: Request) -> str:
    """The number of the request. Raises RefusedError, RequestError.

    As on the command line: only a note waits for a program that does not run.
    """
    note = request.kind in GOOD_FOR
    wish = not note or request.rh_pct is not None
    now = room.now()
    if room.seen().standing == DOWN and wish:
        more = " A note without a raised target is kept for it." if note else ""
        raise RefusedError(f"The program does not run for this room: nothing was asked.{more}")
    if room.spool.waiting() >= MOST_WAITING:
        raise RefusedError(f"{MOST_WAITING} requests wait for the program already: nothing was asked.")
    if note and request.at is None:
        request = request._replace(at=now)  # it may be read later
    if note and wish:
        request = request._replace(expires=now + GOOD_FOR_OTHERS)
    return room.spool.leave(request, now)


def reply(room: Room, identity: str) -> Reply | None:
    """What became of a request; None for a number that is none."""
    if not IDENTITY.fullmatch(identity):
        return None
    answer = room.spool.answer_to(identity)
    if answer is not None:
        done, words = answer
        return Reply(done, f"{'Done' if done else 'Refused'}: {room.told(words)}.")
    if room.seen().standing == DOWN:
        kept = duration_words(good_for("remark").total_seconds())
        return Reply(None, f"The program does not run. A note is kept for {kept}, and counts when it runs.")
    asked = datetime.strptime(identity[:15], "%Y%m%dT%H%M%S").replace(tzinfo=room.tz)
    if room.now() - asked > timedelta(minutes=15):
        return Reply(None, "The program has not answered. What it answered more than a day ago is gone.")
    return Reply(None, "Asked. The program answers when it next looks, within seconds.")
