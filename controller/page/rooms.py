"""ROOMS: one room as the page knows it: its settings, where its files are, what its program says now.

In:    a settings file; the status file, the room's lock, the service's note of a bad end.
Out:   ``Seen``: what was said, when, and whether anybody stands behind it.
Never: takes an old figure for one of now, or writes a file.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, tzinfo
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Any, NamedTuple

from controller import room_lock
from controller.core.units import said
from controller.errors import SettingsError
from controller.page.kept import Kept
from controller.service.notice import newest
from controller.settings import Settings
from controller.spool import Spool
from controller.status import age_s, ended_words, is_stale, read_status
from controller.wiring import Places, places, zone

LOOK_S = 1.0
"""However many ask: the files are looked at so often, and no more."""
UP, SILENT, DOWN = "up", "silent", "down"
"""It runs; it holds the room's lock and has said nothing for too long; there is no program."""


class Seen(NamedTuple):
    """``plain``: the keys of ``status.describe``, or None where there is no such file."""

    plain: dict[str, Any] | None
    standing: str  # UP, SILENT or DOWN
    age_s: float  # of what was said
    now: datetime  # in the room's zone
    ended: str = ""  # what the service noted of a bad end

    @property
    def fresh(self) -> bool:
        return self.plain is not None and self.standing == UP


class Room:
    """One room. Safe to use from several threads."""

    def __init__(
        self,
        settings: Settings,
        file: Path | None = None,
        load: Callable[[Path], Settings] | None = None,
        start_words: str = "",
        now: Callable[[tzinfo], datetime] = datetime.now,
        now_s: Callable[[], float] = monotonic,
    ) -> None:
        """``load`` reads ``file`` again when it was changed; ``start_words``: how the program is started.

        Raises KeptStateError where this user may not look.
        """
        self.name = settings.room.name
        self.start_words = start_words
        self._settings, self._file, self._load = settings, file, load
        self._stamp = _stamp(file)
        self._lock = Lock()
        places(settings)  # whoever may not look is told at once
        self._now, self._now_s = now, now_s
        self._said_at = ""
        self._changed_s: float | None = None  # when a new status was seen to come, on the monotonic clock
        self._watched_s = now_s()
        self._kept: Kept[Seen] = Kept(LOOK_S, now_s=now_s)

    @property
    def settings(self) -> Settings:
        """As the file has them now; as they were while it has a mistake in it, or names another room."""
        with self._lock:
            stamp = _stamp(self._file)
            if self._load is not None and self._file is not None and stamp != self._stamp:
                self._stamp = stamp
                try:
                    found = self._load(self._file)
                except SettingsError:
                    return self._settings
                if found.room.name == self.name:
                    self._settings = found
            return self._settings

    @property
    def places(self) -> Places:
        """Found anew each time: the service makes a room's folders at its first start, which may be later."""
        return places(self.settings)

    @property
    def spool(self) -> Spool:
        return Spool(self.places.spool)

    @property
    def tz(self) -> tzinfo:
        return zone(self.settings)

    def now(self) -> datetime:
        return self._now(self.tz)

    def told(self, words: str) -> str:
        """A sentence in the keeper's units."""
        return said(words, self.settings.room.units)

    def seen(self) -> Seen:
        return self._kept.get("", self._look)

    def _look(self) -> Seen:
        where = self.places
        now, plain = self.now(), read_status(where.status)
        ended = newest((where.runtime, where.state)) if where.by_service else None
        if plain is None:
            held = room_lock.is_held(where.state) is True
            words = "" if ended is None else ended_words(ended, now, held)
            return Seen(None, SILENT if held else DOWN, 0.0, now, words)
        age = self._age_s(plain, now)
        standing = UP
        if room_lock.is_held(where.state) is False:
            standing = DOWN
        elif age is None:
            standing = SILENT if is_stale(plain, now) else UP
        elif age > float(plain["good_for_s"]):
            standing = SILENT
        words = "" if ended is None else ended_words(ended, now, standing == UP)
        return Seen(plain, standing, age_s(plain, now) if age is None else age, now, words)

    def _age_s(self, plain: dict[str, Any], now: datetime) -> float | None:
        """By this process's own watch: a wall clock that jumps makes nothing old or new.

        None until it has seen a new status come, or has waited for one for long enough.
        """
        at_s = self._now_s()
        if plain["at"] != self._said_at:
            self._changed_s = at_s if self._said_at else None
            self._watched_s = at_s
            self._said_at = plain["at"]
        if self._changed_s is not None:
            return at_s - self._changed_s
        waited_s = at_s - self._watched_s
        return waited_s if waited_s > float(plain["good_for_s"]) else None


def _stamp(file: Path | None) -> tuple[int, int]:
    try:
        found = os.stat(file) if file is not None else None  # noqa: PTH116  one call for both figures
    except OSError:
        found = None
    return (0, 0) if found is None else (found.st_mtime_ns, found.st_size)
