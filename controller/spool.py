"""SPOOL: requests as small files in a folder, each with an expiry; answers beside them.

In:    a Request from a command, a button or a page.
Out:   the same Request in the loop, once; its Answer back to whoever waits.
Never: lets a file do more than ask. A file that is no request is refused by name and set aside.
"""

from __future__ import annotations

import json
import os
import stat
import time
import uuid
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from controller.core.records import Answer, Request
from controller.errors import RequestError
from controller.files import read_small, write_whole

GOOD_FOR = {"refilled": timedelta(hours=24), "cleaned": timedelta(hours=24)}
GOOD_FOR_OTHERS = timedelta(minutes=15)
"""How long a request waits for the program: a filling stays true, a wish for mist or quiet does not."""
LARGEST_BYTES = 16 * 1024
MOST_PER_TICK = 16
ANSWER_AGE_S = 86400.0


class _Asked(BaseModel):
    """What a request file may hold."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    id: str = ""  # the file's name says it
    kind: str = Field(max_length=40)
    by: str = Field("", max_length=80)
    expires: datetime
    at: datetime | None = None
    for_s: float | None = Field(None, gt=0, le=366 * 86400)
    litres: float | None = Field(None, gt=0, le=1000)
    rh_pct: float | None = Field(None, gt=0, le=100)
    full: bool = False


def good_for(kind: str) -> timedelta:
    return GOOD_FOR.get(kind, GOOD_FOR_OTHERS)


class Spool:
    """Implements ``ports.Inbox`` over a folder, and is what a command uses to ask."""

    def __init__(self, folder: Path, say: Callable[[str], None] = lambda words: None) -> None:
        """``say`` hears, in words, of files that were no requests."""
        self._asked = folder / "asked"
        self._answered = folder / "answered"
        self._refused = folder / "refused"
        self._say = say
        self._obeyed: deque[str] = deque(maxlen=256)

    def prepare(self) -> None:
        """Makes the folders. Raises RequestError."""
        try:
            for folder in (self._asked.parent, self._asked, self._answered, self._refused):
                _make_shared(folder)
        except OSError as error:
            raise RequestError(f"{self._asked.parent} cannot be made: {error.strerror}") from error

    def leave(self, request: Request, now: datetime) -> str:
        """Leaves a request for the loop; its id. Raises RequestError."""
        identity = f"{now:%Y%m%dT%H%M%S}-{uuid.uuid4().hex[:8]}"
        expires = request.expires if request.expires is not None else now + good_for(request.kind)
        try:
            asked = _Asked(**{**request._asdict(), "expires": expires})
        except ValidationError as error:
            first = error.errors()[0]
            raise RequestError(
                f"{'.'.join(str(part) for part in first['loc'])}: {first['input']!r} cannot be asked for "
                f"({first['msg'][:1].lower()}{first['msg'][1:]})"
            ) from None
        self.prepare()
        try:
            path = self._asked / f"{identity}.json"
            write_whole(path, asked.model_dump_json(exclude={"id"}), readable=True)
        except OSError as error:
            raise RequestError(f"the request could not be left in {self._asked}: {error.strerror}") from error
        return identity

    def answer_to(self, identity: str) -> tuple[bool, str] | None:
        """(done, words), or None while the loop has not answered."""
        try:
            plain = json.loads(read_small(self._answered / f"{identity}.json", LARGEST_BYTES))
            return bool(plain["done"]), str(plain["words"])
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None

    def poll(self, now: datetime) -> tuple[Request, ...]:
        try:
            names = sorted(
                entry.name
                for entry in os.scandir(self._asked)
                if entry.name.endswith(".json") and not entry.name.startswith(".")
            )
        except OSError:
            return ()
        found = []
        for name in [name for name in names if name not in self._obeyed][:MOST_PER_TICK]:
            path = self._asked / name
            self._obeyed.append(name)  # once, even where the file cannot be removed
            try:
                request = self._read(path, now)
                path.unlink()  # taken before it is obeyed: what cannot be taken would come again
            except (OSError, ValueError) as error:
                self._put_aside(path, error)
            else:
                found.append(request)
        return tuple(found)

    def _put_aside(self, path: Path, error: Exception) -> None:
        words = str(error).splitlines()[0] if str(error) else type(error).__name__
        self._say(f"{path.name} is no request, or could not be taken: {words}")
        with suppress(OSError):
            path.rename(self._refused / path.name)

    def answer(self, answers: Sequence[Answer]) -> None:
        for answer in answers:
            plain: dict[str, Any] = {"done": answer.done, "words": answer.words}
            try:
                write_whole(self._answered / f"{answer.request.id}.json", json.dumps(plain), durable=False)
            except OSError as error:
                self._say(f"the answer to {answer.request.id} could not be written: {error.strerror}")
        self._sweep()

    def _read(self, path: Path, now: datetime) -> Request:
        asked = _Asked.model_validate_json(read_small(path, LARGEST_BYTES, os.O_NOFOLLOW))
        for moment in (asked.expires, asked.at):
            if moment is not None and moment.tzinfo is None:
                raise ValueError("a time in it has no offset from UTC")
        if asked.expires > now + 2 * good_for(asked.kind):
            raise ValueError("it wants to be good for too long")
        return Request(**{**asked.model_dump(), "id": path.stem})

    def _sweep(self) -> None:
        """Old answers and refused files go; a day is enough for whoever asked."""
        for folder in (self._answered, self._refused):
            with suppress(OSError):
                for entry in os.scandir(folder):
                    if entry.stat(follow_symlinks=False).st_mtime < time.time() - ANSWER_AGE_S:
                        Path(entry.path).unlink(missing_ok=True)


def _make_shared(folder: Path) -> None:
    """A folder with the mode of the one it is in, whatever this user's umask.

    The service's user and its keepers share the room's folder by a group: whoever of them makes this
    one first, the others must be able to leave and to take files in it.
    """
    if folder.is_dir():
        return
    folder.mkdir(parents=True, exist_ok=True)
    wanted = stat.S_IMODE(folder.parent.stat().st_mode)
    if stat.S_IMODE(folder.stat().st_mode) != wanted:
        folder.chmod(wanted)
