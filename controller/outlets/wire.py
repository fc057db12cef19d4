"""WIRE: topics, and a room's state as JSON: how it is written, and how a stranger's is read.

In:    a room as seen; or a topic and bytes from a broker, which anybody may have written.
Out:   topic, text and how long it holds; or what was understood, every text cleaned and every size bounded.
Never: believes a message: what is not of this form is None, not an error.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from controller.outlets.seen import RoomSeen

ROOT = "hygrohold"
FORM = 1
"""Of the state's JSON; another number is not read."""
ONLINE, OFFLINE = "online", "offline"
LARGEST_BYTES = 32 * 1024
LONGEST_TEXT = 500
LONGEST_S = 3600.0
"""No state is good for longer, whatever it says."""
MOST_MESSAGES = 20
MOST_ROOMS = 256
"""Of all boards together, for a listener."""
YEARS = range(1970, 9000)
"""A board without a clock begins in 1970; a year near either end of the calendar cannot be reckoned with."""

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}", re.ASCII)
_HEARD = re.compile(rf"{ROOT}/({NAME.pattern})/(?:(online|rooms)|({NAME.pattern})/state)", re.ASCII)
FIGURES = ("rh_pct", "temp_c", "target_rh_pct", "ceiling_rh_pct", "duty", "tank_l", "used_h_in_24")
FILTERS = (f"{ROOT}/+/online", f"{ROOT}/+/rooms", f"{ROOT}/+/+/state")
"""What a listener asks a broker for."""


def board_name(host: str) -> str:
    """A host's name as a board's: small letters, digits and hyphens, at most 40."""
    name = re.sub(r"[^a-z0-9]+", "-", host.partition(".")[0].lower()).strip("-")[:40]
    return name or "board"


def online_topic(board: str) -> str:
    return f"{ROOT}/{board}/online"


def rooms_topic(board: str) -> str:
    return f"{ROOT}/{board}/rooms"


def state_topic(board: str, room: str) -> str:
    return f"{ROOT}/{board}/{room}/state"


def senml_topic(board: str, room: str) -> str:
    return f"{ROOT}/{board}/{room}/senml"


def state(board: str, seen: RoomSeen) -> dict[str, Any]:
    """The state of a room as it is published, without its age; no figures without a fresh status."""
    plain = seen.plain or {}
    said: dict[str, Any] = {
        "form": FORM,
        "board": board,
        "room": seen.room,
        "at": plain.get("at"),
        "running": seen.fresh,
        "good_for_s": plain.get("good_for_s"),
    }
    if not seen.fresh:
        said["sentence"] = not_running(plain.get("at"))
        return said
    for key in ("sentence", "to_do"):
        said[key] = seen.told(plain[key])[:LONGEST_TEXT]
    said["relay_on"], said["is_day"] = bool(plain["relay_on"]), bool(plain["is_day"])
    said.update({key: plain[key] for key in FIGURES})
    for kind in ("alarms", "notices"):
        said[kind] = [
            {"code": one["code"], "since": one["since"], "words": seen.told(one["words"])[:LONGEST_TEXT]}
            | {"acked_by": one["acked_by"][:LONGEST_TEXT]}
            for one in plain[kind][:MOST_MESSAGES]
        ]
    return said


def not_running(at: str | None) -> str:
    since = "" if at is None else f" Its last word is of {at.replace('T', ' ')}."
    return f"The program of this room is not running.{since}"


def state_payload(said: dict[str, Any], age_s: float | None) -> str:
    """The JSON of a state. Its age goes along, since the clocks of two boards need not agree.

    The last notices, then the last alarms are left out where it would be too large to be read.
    """
    with_age = {**said, "age_s": None if age_s is None else round(age_s, 1)}
    while True:
        text = json.dumps(with_age, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        kind = "notices" if with_age.get("notices") else "alarms"
        if len(text.encode()) <= LARGEST_BYTES or not with_age.get(kind):
            return text
        with_age[kind] = with_age[kind][:-1]


class Said(NamedTuple):
    """A room's state as understood."""

    at: datetime | None
    age_s: float | None
    good_for_s: float
    running: bool
    sentence: str
    relay_on: bool | None
    rh_pct: float | None
    temp_c: float | None
    target_rh_pct: float | None
    alarms: tuple[str, ...]
    waiting: int  # alarms that nobody has acknowledged


class Topic(NamedTuple):
    """``room`` is "" for a board's own topic, which ``of_board`` then names: "online" or "rooms"."""

    board: str
    room: str
    of_board: str = ""


def read_topic(topic: str) -> Topic | None:
    found = _HEARD.fullmatch(topic)
    return None if found is None else Topic(found[1], found[3] or "", found[2] or "")


def rooms_payload(rooms: Sequence[str]) -> str:
    """A board's rooms: its states expire, but that there is such a room is not to be forgotten."""
    return json.dumps(sorted(rooms)[:MOST_ROOMS])


def read_rooms(payload: bytes) -> tuple[str, ...] | None:
    """The rooms a board says it has; None for anything else. Raises nothing."""
    try:
        names = json.loads(payload.decode()) if len(payload) <= LARGEST_BYTES else None
    except (ValueError, RecursionError):
        return None
    if not isinstance(names, list) or len(names) > MOST_ROOMS:
        return None
    good = all(isinstance(name, str) and NAME.fullmatch(name) for name in names)
    return tuple(sorted(set(names))) if good else None


def read_state(payload: bytes) -> Said | None:
    """A state from a broker; None for anything else. Raises nothing."""
    if len(payload) > LARGEST_BYTES:
        return None
    try:
        plain = json.loads(payload.decode())
        if not isinstance(plain, dict) or plain.get("form") != FORM or isinstance(plain["form"], bool):
            return None
        at = plain.get("at")
        moment = None if at is None else datetime.fromisoformat(at)
        if moment is not None and (moment.tzinfo is None or moment.year not in YEARS):
            return None
        alarms = plain.get("alarms", [])
        return Said(
            at=moment,
            age_s=_figure(plain, "age_s"),
            good_for_s=min(max(_figure(plain, "good_for_s") or 0.0, 0.0), LONGEST_S),
            running=plain["running"] is True,
            sentence=clean(plain["sentence"]),
            relay_on=plain["relay_on"] if isinstance(plain.get("relay_on"), bool) else None,
            rh_pct=_figure(plain, "rh_pct"),
            temp_c=_figure(plain, "temp_c"),
            target_rh_pct=_figure(plain, "target_rh_pct"),
            alarms=tuple(clean(alarm["words"]) for alarm in alarms[:MOST_MESSAGES]),
            waiting=sum(not alarm.get("acked_by") for alarm in alarms[:MOST_MESSAGES]),
        )
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, OSError, RecursionError):
        return None


def _figure(plain: dict[str, Any], key: str) -> float | None:
    value = plain.get(key)
    if value is None or isinstance(value, bool):
        return None
    figure = float(value) if isinstance(value, int | float) else math.nan
    if not math.isfinite(figure):
        raise ValueError(key)
    return figure


def clean(text: str) -> str:
    """A stranger's text for a screen: one line, bounded, nothing that moves a cursor or turns it round."""
    if not isinstance(text, str):
        raise TypeError("no text")
    kept = (" " if unicodedata.category(one)[0] in "CZ" else one for one in text[:LONGEST_TEXT])
    return " ".join("".join(kept).split())
