"""SPOOL: requests as small files in a folder, each with an expiry; answers beside them.

In:    a Request from a command, a button or a page.
Out:   the same Request in the loop, once; its Answer back to whoever waits.
Never: lets a file do more than ask. A file that is no request is refused by name and set aside.
"""

from __future__ import annotations

import json
import os
import time
import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from controller.core.records import Answer, Request
from controller.errors import RequestError
from controller.files import write_whole

GOOD_FOR = timedelta(minutes=15)
LARGEST_BYTES = 16 * 1024
MOST_PER_TICK = 16
ANSWER_AGE_S = 86400.0


class _Asked(BaseModel):
    """What a request file may hold."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    kind: str = Field(max_length=40)
    by: str = Field("", max_length=80)
    expires: datetime
    at: datetime | None = None
    for_s: float | None = Field(None, gt=0, le=366 * 86400)
    litres: float | None = Field(None, gt=0, le=1000)
    rh_pct: float | None = Field(None, gt=0, le=100)


class Spool:
    """Implements ``ports.Inbox`` over a folder, and is what a command uses to ask."""

    def __init__(self, folder: Path) -> None:
        self._asked = folder / "asked"
        self._answered = folder / "answered"
        self.refused: list[str] = []
        """Words about files that were no requests, for the log; the caller empties it."""

    def prepare(self) -> None:
        """Makes the folders. Raises RequestError."""
        try:
            self._asked.mkdir(parents=True, exist_ok=True)
            self._answered.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RequestError(f"{self._asked.parent} cannot be made: {error.strerror}") from error

    def leave(self, request: Request, now: datetime) -> str:
        """Leaves a request for the loop; its id. Raises RequestError."""
        identity = f"{now:%Y%m%dT%H%M%S}-{uuid.uuid4().hex[:8]}"
        expires = request.expires if request.expires is not None else now + GOOD_FOR
        plain = {
            "kind": request.kind,
            "by": request.by,
            "expires": expires.isoformat(),
            "at": request.at.isoformat() if request.at is not None else None,
            "for_s": request.for_s,
            "litres": request.litres,
            "rh_pct": request.rh_pct,
        }
        self.prepare()
        try:
            write_whole(self._asked / f"{identity}.json", json.dumps(plain))
        except OSError as error:
            raise RequestError(f"the request could not be left in {self._asked}: {error.strerror}") from error
        return identity

    def answer_to(self, identity: str) -> tuple[bool, str] | None:
        """(done, words), or None while the loop has not answered."""
        try:
            plain = json.loads((self._answered / f"{identity}.json").read_text(encoding="utf-8"))
            return bool(plain["done"]), str(plain["words"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def take_back(self, identity: str) -> bool:
        """Removes a request that nobody has read yet."""
        try:
            (self._asked / f"{identity}.json").unlink()
        except OSError:
            return False
        return True

    def poll(self, now: datetime) -> tuple[Request, ...]:
        try:
            names = sorted(entry.name for entry in os.scandir(self._asked) if entry.name.endswith(".json"))
        except OSError:
            return ()
        found = []
        for name in names[:MOST_PER_TICK]:
            path = self._asked / name
            if name.startswith("."):
                continue
            try:
                request = self._read(path)
            except (OSError, ValueError, ValidationError) as error:
                words = str(error).splitlines()[0] if str(error) else type(error).__name__
                self.refused.append(f"{name} is no request ({words})")
            else:
                found.append(request)
            path.unlink(missing_ok=True)
        return tuple(found)

    def answer(self, answers: Sequence[Answer]) -> None:
        for answer in answers:
            plain: dict[str, Any] = {"done": answer.done, "words": answer.words}
            try:
                write_whole(self._answered / f"{answer.request.id}.json", json.dumps(plain), durable=False)
            except OSError as error:
                self.refused.append(
                    f"the answer to {answer.request.id} could not be written: {error.strerror}"
                )
        self._sweep()

    def _read(self, path: Path) -> Request:
        if path.stat().st_size > LARGEST_BYTES:
            raise ValueError("it is far too large")
        asked = _Asked.model_validate_json(path.read_bytes())
        for moment in (asked.expires, asked.at):
            if moment is not None and moment.tzinfo is None:
                raise ValueError("a time in it has no offset from UTC")
        return Request(id=path.stem, **asked.model_dump())

    def _sweep(self) -> None:
        """Old answers go; a day is enough for whoever asked."""
        try:
            old = [
                entry.path
                for entry in os.scandir(self._answered)
                if entry.stat().st_mtime < time.time() - ANSWER_AGE_S
            ]
            for path in old:
                Path(path).unlink(missing_ok=True)
        except OSError:
            return
