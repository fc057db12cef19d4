"""BOOK: what people were told, on disk, so that a restart does not tell it again and does not forget it.

In:    what stands told, by which ways, and when letters went out.
Out:   the same, as it was before the restart.
Never: raises: a book that cannot be read or written means that what stands is told once more.

What was not sent is not kept: what still stands after a restart is sent then.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from controller.core.records import Message
from controller.files import write_whole
from controller.notifier.desk import HOUR_S, Case

NAME = "told.json"
VERSION = 1
MOST_BYTES = 256 * 1024
LONGEST_S = 30 * 86400.0
"""An older age is a clock that was wrong."""


class Told(NamedTuple):
    """One code: its case with times on this start's clock, and the names of the ways that told of it."""

    case: Case
    ways: tuple[str, ...]


def write(path: Path, entries: Iterable[Told], now_s: float, wall: datetime) -> None:
    """Ages are kept, and the moment they are counted from: no clock of a boot outlives it."""
    plain = {
        "version": VERSION,
        "at": wall.isoformat(timespec="seconds"),
        "told": [_plain(entry, now_s) for entry in entries],
    }
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, json.dumps(plain, ensure_ascii=False), readable=True)


def _plain(entry: Told, now_s: float) -> dict[str, Any]:
    case, message = entry.case, entry.case.message
    return {
        "code": message.code,
        "since": message.since.isoformat(),
        "seen": message.seen,
        "limit": message.limit,
        "detail": message.detail,
        "told": case.told,
        "ways": list(entry.ways),
        "second": case.second,
        "began_ago_s": now_s - case.began_s,
        "told_ago_s": now_s - case.told_s,
        "letters_ago_s": [now_s - at_s for at_s in case.letters_s],
    }


def read(path: Path, now_s: float, wall: datetime) -> list[Told]:
    """What can be read; [] when nothing can."""
    try:
        with path.open("rb") as file:
            plain = json.loads(file.read(MOST_BYTES))
        if plain["version"] != VERSION:
            return []
        passed_s = _age((wall - datetime.fromisoformat(plain["at"])).total_seconds())
        return [_entry(each, now_s, passed_s) for each in plain["told"]]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError):
        return []


def _entry(plain: dict[str, Any], now_s: float, passed_s: float) -> Told:
    def at_s(ago_s: float) -> float:
        return now_s - _age(float(ago_s) + passed_s)

    since = datetime.fromisoformat(plain["since"])
    if since.tzinfo is None:
        raise ValueError("since")
    seen, limit = (None if plain[key] is None else float(plain[key]) for key in ("seen", "limit"))
    message = Message(str(plain["code"]), since, seen, limit, str(plain["detail"]))
    case = Case(
        message,
        at_s(plain["began_ago_s"]),
        stands=False,
        told=plain["told"] is True,
        told_s=at_s(plain["told_ago_s"]),
        second=plain["second"] is True,
        letters_s=[moment for moment in map(at_s, plain["letters_ago_s"]) if now_s - moment < HOUR_S],
    )
    return Told(case, tuple(str(way) for way in plain["ways"]))


def _age(seconds: float) -> float:
    """From 0 to ``LONGEST_S``; NaN becomes 0."""
    return min(max(0.0, seconds), LONGEST_S) if seconds == seconds else 0.0
