"""DRAFT: the answers given so far, so that whoever leaves, or loses the connection, need not begin again.

In:    the settings file that is wanted; answers as they would be typed, after each one.
Out:   ``larch.toml.draft`` beside it, in the form that ``setup --answers`` reads; what is taken up again.
Never: takes the place of another file, be it an earlier draft; stops the questions where it cannot be
       written.

Not named .toml: each such file in the service's folder is a room's. The probe is left out: it is answered
by its number in a list, which may be another one on another day.
"""

from __future__ import annotations

import json
import os
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any, NamedTuple

from controller.files import read_small, write_whole

MARK = "# A draft of hygrohold setup"
HEAD = f"""{MARK}: answers as they were typed. To go on from it:
#   hygrohold setup {{file}}
# This draft is removed when that file is written.
"""
LARGEST_BYTES = 64 * 1024
LEFT_OUT = ("probe",)


class Found(NamedTuple):
    """A draft that was left. ``at``: when it was last written, by this machine's clock."""

    path: Path
    at: datetime
    answers: Mapping[str, str]


class Draft:
    """Of one settings file. Nothing is written before ``keep``."""

    def __init__(self, settings_file: Path) -> None:
        self._for = settings_file
        self._path: Path | None = None
        self._count = 0
        self.trouble = ""
        """Why the answers could not be kept; "" where they could."""

    def found(self) -> tuple[list[Found], list[str]]:
        """Those that were left, the newest first; and a word on each that cannot be read as one."""
        drafts, remarks = [], []
        for path in self._names():
            if not os.path.lexists(path):
                break
            try:
                text = read_small(path, LARGEST_BYTES).decode()
                if not text.startswith(MARK):
                    continue
                answers = {key: as_typed(value) for key, value in tomllib.loads(text).items()}
                at = datetime.fromtimestamp(path.stat().st_mtime, UTC).astimezone()
            except (OSError, ValueError) as error:
                remarks.append(f"{path} is left as it is: {getattr(error, 'strerror', None) or error}.")
                continue
            if answers:
                drafts.append(Found(path, at, answers))
        return sorted(drafts, key=lambda draft: draft.at, reverse=True), remarks

    def go_on(self, found: Found) -> None:
        """Further answers go into that one."""
        self._path, self._count = found.path, len(found.answers)

    def keep(self, answers: Mapping[str, str]) -> None:
        """All answers so far, in place of those that were kept before. Never raises OSError."""
        kept = {key: text for key, text in answers.items() if key not in LEFT_OUT}
        if not kept:
            return
        path = self._path or next(path for path in self._names() if not os.path.lexists(path))
        lines = [f"{key} = {json.dumps(text, ensure_ascii=False)}\n" for key, text in kept.items()]
        try:
            write_whole(path, HEAD.format(file=shlex.quote(str(self._for))) + "".join(lines))
        except OSError as error:
            self.trouble = f"{path} cannot be written: {error.strerror}"
            return
        self._path, self._count, self.trouble = path, len(kept), ""

    def remove(self) -> None:
        """The settings file is there: all drafts of it have done their work."""
        for draft in self.found()[0]:
            with suppress(OSError):
                draft.path.unlink(missing_ok=True)

    def left(self) -> str:
        """What to tell whoever has left."""
        if self.trouble:
            return f"The settings file is not written. Your answers could not be kept: {self.trouble}."
        if self._path is None:
            return "Nothing was written."
        count = f"{self._count} answer{' is' if self._count == 1 else 's are'}"
        again = f"hygrohold setup {shlex.quote(str(self._for))}"
        return f"The settings file is not written. {count} kept in {self._path}. To go on: {again}"

    def _names(self) -> Iterator[Path]:
        yield self._for.with_name(f"{self._for.name}.draft")
        for number in range(2, 1000):
            yield self._for.with_name(f"{self._for.name}.draft-{number}")


def as_typed(value: Any) -> str:
    """A value of a TOML file, as somebody would have typed it."""
    if isinstance(value, bool):
        return "y" if value else "n"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return " ".join(map(as_typed, value)) if isinstance(value, list) else str(value)
