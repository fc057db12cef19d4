"""Copies of the record: a whole one beside a writer, a look at one, a change of files.

In:    the record's path, and where to.
Out:   a database in one file, checked; what is in it; the name under which a file was set aside.
Never: copies the file while somebody writes: half of it may be in the log beside it; SQLite's own online
       backup reads through both. Leaves a reader open for longer than the copy takes.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from controller.errors import HistoryError
from controller.history.read import open_to_read
from controller.history.schema import MIGRATIONS, check_origin, is_damage

NEWEST_VERSION = len(MIGRATIONS)
FILES = ("", "-wal", "-shm")
"""What the names of a record's files end with: the record itself, and its log."""
MOST_FREE = 0.25
"""A copy with a larger share of free pages than this, left by thinning, is written anew without them."""


class Contents(NamedTuple):
    """What a record holds. Times are UTC, seconds since 1970; None: no minute is in it."""

    version: int
    minutes: int
    thinned_days: int
    thinned_from: str  # the first of them, like 2026-01-14; "" for none
    from_s: float | None
    to_s: float | None


def copy_record(source: Path, target: Path) -> Contents:
    """A copy of the record as it is at one moment, checked. ``target``: a new or empty file.

    In one step, not page by page: between steps the running program may write, and then SQLite begins anew.
    Meanwhile the program writes on undisturbed. Raises HistoryError.
    """
    with (
        _in_words(source, "cannot be copied"),
        closing(open_to_read(source, older_too=True)) as old,
        closing(sqlite3.connect(target, isolation_level=None)) as new,
    ):
        old.backup(new)
        new.execute("PRAGMA journal_mode = DELETE").close()  # all in one file
        (pages,) = new.execute("PRAGMA page_count").fetchone()
        (free,) = new.execute("PRAGMA freelist_count").fetchone()
        if free > pages * MOST_FREE:
            new.execute("VACUUM").close()
    return check_record(target)


def check_record(path: Path) -> Contents:
    """Reads all of a record that nobody has open. Raises HistoryError: damaged, newer, or none of ours."""
    at_rest = f"{path.absolute().as_uri()}?mode=ro"
    with _in_words(path, "cannot be read"), closing(sqlite3.connect(at_rest, uri=True)) as db:
        version = check_origin(db, path)
        if version < 1:
            raise HistoryError(f"{path} is no record: it is empty")
        (answer,) = db.execute("PRAGMA integrity_check(1)").fetchone()
        if answer != "ok":
            raise HistoryError(f"the record {path} is damaged: {str(answer).splitlines()[-1]}")
        return _contents(db, version)


def _contents(db: sqlite3.Connection, version: int) -> Contents:
    minutes, from_s, to_s = db.execute("SELECT count(*), min(at_s) - 60, max(at_s) FROM sample").fetchone()
    days, first = 0, None
    if version >= 2:
        days, first = db.execute("SELECT count(*), min(day) FROM day_total").fetchone()
    return Contents(version, minutes, days, first or "", from_s, to_s)


def rename_record(path: Path, to: Path) -> None:
    """With its log, where it has one, the log first: cut short, the record itself still has its name."""
    for ending in (*FILES[1:], FILES[0]):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(to.with_name(to.name + ending))


@contextmanager
def _in_words(path: Path, what: str) -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError, UnicodeError) as error:
        raise HistoryError(
            f"the record {path} {'is damaged' if is_damage(error) else what}: {error}"
        ) from error
