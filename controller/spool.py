"""SPOOL: requests as small files in a folder, each with an expiry; answers beside them.

In:    a Request from a command, a button or a page.
Out:   the same Request in the loop; its Answer back to whoever waits.
Never: lets a file do more than ask. A file that is no request is refused by name and set aside.

Nothing that was asked is lost, whenever the program ends. A file goes from ``asked`` to ``taken``, and from
there once its answer is written, which is after the state is kept and the record written. What lies in
``taken`` when the program starts is offered again; the core knows by its number (``State.handled``) whether
it was obeyed already. So each is obeyed once, and answered at least once.
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

from controller.core import notes
from controller.core.records import Answer, Request
from controller.errors import RequestError
from controller.files import read_small, write_whole

GOOD_FOR = dict.fromkeys((*notes.KINDS, *notes.AMENDING), timedelta(days=30))
GOOD_FOR_OTHERS = timedelta(minutes=15)
"""How long a request waits for the program: a note stays true, a wish for mist or quiet does not."""
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
    animal: str = Field("", max_length=40)
    outcome: str = Field("", max_length=20)
    remark: str = Field("", max_length=500)
    about: int | None = Field(None, ge=1, le=2**62)
    probe: int | None = Field(None, ge=1, le=9)
    rh_gain: float | None = Field(None, ge=0.1, le=10)
    rh_offset_pct: float | None = Field(None, ge=-100, le=100)


def good_for(kind: str) -> timedelta:
    return GOOD_FOR.get(kind, GOOD_FOR_OTHERS)


class Spool:
    """Implements ``ports.Inbox`` over a folder, and is what a command uses to ask."""

    def __init__(self, folder: Path, say: Callable[[str], None] = lambda words: None) -> None:
        """``say`` hears, in words, of files that were no requests."""
        self._asked = folder / "asked"
        self._taken = folder / "taken"
        self._answered = folder / "answered"
        self._refused = folder / "refused"
        self._say = say
        self._obeyed: deque[str] = deque(maxlen=256)
        self._waiting: deque[str] = deque(maxlen=256)
        self._left_over: list[str] | None = None  # in ``taken`` when the program began; None: not looked yet

    def prepare(self) -> None:
        """Makes the folders. Raises RequestError."""
        try:
            for folder in (self._asked.parent, self._asked, self._taken, self._answered, self._refused):
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

    def waiting(self) -> int:
        """How many requests the program has not taken yet."""
        return len(_names(self._asked))

    def poll(self, now: datetime) -> tuple[Request, ...]:
        """What is new, and at the first look what was taken before the program ended without an answer."""
        if self._left_over is None:
            self._left_over = _names(self._taken)
        found = []
        for name in self._left_over[:MOST_PER_TICK]:
            self._left_over.remove(name)
            self._obeyed.append(name)
            if (self._answered / name).exists():  # only the tidying was missing
                self._done_with(name)
            elif request := self._read(self._taken / name, now):
                found.append(request)
        new = [name for name in _names(self._asked) if name not in self._obeyed]
        for name in new[: MOST_PER_TICK - len(found)]:
            try:
                (self._asked / name).rename(self._taken / name)  # what cannot be taken would come again
            except OSError as error:
                if name not in self._waiting:  # said once, tried at each look: a full disk has its end
                    self._waiting.append(name)
                    self._say(f"{name} waits, since it cannot be taken yet: {error.strerror}")
                continue
            self._obeyed.append(name)
            if request := self._read(self._taken / name, now):
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
                continue  # it stays in ``taken``, and is answered at the next start
            self._done_with(f"{answer.request.id}.json")
        self._sweep()

    def _done_with(self, name: str) -> None:
        try:
            (self._taken / name).unlink(missing_ok=True)
        except OSError as error:  # harmless: at the next start it is known to be answered
            self._say(f"{self._taken / name} could not be removed: {error.strerror}")

    def _read(self, path: Path, now: datetime) -> Request | None:
        """None where it is no request: it is then set aside, and that was said."""
        try:
            asked = _Asked.model_validate_json(read_small(path, LARGEST_BYTES, os.O_NOFOLLOW))
            for moment in (asked.expires, asked.at):
                if moment is not None and moment.tzinfo is None:
                    raise ValueError("a time in it has no offset from UTC")
            if asked.expires > now + 2 * good_for(asked.kind):
                raise ValueError("it wants to be good for too long")
        except (OSError, ValueError) as error:
            self._put_aside(path, error)
            return None
        return Request(**{**asked.model_dump(), "id": path.stem})

    def _sweep(self) -> None:
        """Old answers and refused files go; a day is enough for whoever asked."""
        for folder in (self._answered, self._refused):
            with suppress(OSError):
                for entry in os.scandir(folder):
                    if entry.stat(follow_symlinks=False).st_mtime < time.time() - ANSWER_AGE_S:
                        with suppress(OSError):  # a folder of that name: the others go all the same
                            Path(entry.path).unlink(missing_ok=True)


def _names(folder: Path) -> list[str]:
    try:
        return sorted(
            entry.name
            for entry in os.scandir(folder)
            if entry.name.endswith(".json") and not entry.name.startswith(".")
        )
    except OSError:
        return []


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
