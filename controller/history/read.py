"""Reads the record beside the running program: for status, report and pages.

In: a path and a span of time (UTC, seconds since 1970). Out: rows, as they were written.
It must never write, and never hold a read open while it waits for somebody: an open read keeps the
writer's log from being folded back into the file. So ``minutes`` lets go after each batch of rows, and
``at_one_moment`` is for reckoning; whoever prints inside it holds the read as long as a pager is open.

A minute belongs to the span in which it ended (``from_s`` not included, ``to_s``
included); anything else to the span in which it happened (``from_s`` included).
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from controller.errors import HistoryError
from controller.history.rows import Event, Note, RecordedMessage, Stretch, SurfaceRow, Switching
from controller.history.schema import COLUMNS, MIGRATIONS, check_origin, error_kind
from controller.history.thin import totals_of
from controller.ports import Sample
from controller.tally import COLUMNS as COUNTED
from controller.tally import MINUTE_S, Row, Tally

__all__ = [
    "Event",
    "HistoryReader",
    "Note",
    "RecordedMessage",
    "Stretch",
    "SurfaceRow",
    "Switching",
    "open_to_read",
]

_ROWS_AT_ONCE = 1440
_SAMPLE = ", ".join(Sample._fields)
_TRUTHS = (Sample._fields.index("clock_trusted"), Sample._fields.index("is_day"))


class HistoryReader:
    """Each call opens the file, reads and lets go. Raises HistoryError, in plain words."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._shared: sqlite3.Connection | None = None

    @classmethod
    def over(cls, db: sqlite3.Connection, path: Path = Path(":memory:")) -> HistoryReader:
        """Reads over a connection that somebody else owns: a record in memory has no file."""
        reader = cls(path)
        reader._shared = db
        return reader

    @contextmanager
    def at_one_moment(self) -> Iterator[HistoryReader]:
        """A reader that sees the record as it is now, whatever is written or thinned out meanwhile.

        What fails in the caller's hands meanwhile, like a closed pipe, comes out as it is.
        """
        with self._in_words():
            db = self._shared or open_to_read(self._path)
        try:
            with self._in_words():
                db.execute("BEGIN")
            try:
                yield HistoryReader.over(db, self._path)
            finally:
                with self._in_words():
                    db.execute("ROLLBACK")
        finally:
            if db is not self._shared:
                db.close()

    def day_totals(self, first: date = date.min, last: date = date.max) -> dict[date, Tally]:
        """The local days whose minutes are thinned out, in whole or in part; ``minutes`` has the rest."""
        with self._open() as db:
            return totals_of(db, first, last)

    def minutes(self, from_s: float = -math.inf, to_s: float = math.inf) -> Iterator[Sample]:
        """The minutes in the order of writing. Takes the same memory for a day and for years.

        Outside ``at_one_moment`` no read is held between two batches: minutes that are thinned out while the
        caller takes its time are then missing, and are in ``day_totals`` of afterwards.
        """
        for rows in self._batches(_SAMPLE, from_s, to_s):
            yield from map(_sample, rows)

    def _batches(self, columns: str, from_s: float, to_s: float) -> Iterator[list[Any]]:
        bounds = "SELECT min(id), max(id) FROM sample WHERE at_s > ? AND at_s <= ?"
        # "+" keeps the index on time out of it: the rows come in the order of id without sorting.
        rows_after = (
            f"SELECT {columns}, id FROM sample WHERE id >= ? AND id <= ? AND +at_s > ? AND +at_s <= ? "
            f"ORDER BY id LIMIT {_ROWS_AT_ONCE}"
        )
        with self._open() as db:
            next_id, last_id = db.execute(bounds, (from_s, to_s)).fetchone()
            while next_id is not None and next_id <= last_id:
                rows = db.execute(rows_after, (next_id, last_id, from_s, to_s)).fetchall()
                yield [row[:-1] for row in rows]
                next_id = rows[-1][-1] + 1 if rows else None

    def rows(self, from_s: float = -math.inf, to_s: float = math.inf) -> Iterator[list[Row]]:
        """The minutes as ``tally.COLUMNS``, in the order of writing, many at once: for a year."""
        return self._batches(", ".join(COUNTED), from_s, to_s)

    def last_sample(self) -> Sample | None:
        with self._open() as db:
            row = db.execute(f"SELECT {_SAMPLE} FROM sample ORDER BY id DESC LIMIT 1").fetchone()
        return None if row is None else _sample(row)

    def switchings(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[Switching]:
        rows = self._rows("switching", from_s, to_s)
        return [Switching(at_s, bool(trusted), bool(on), because) for at_s, trusted, on, because in rows]

    def messages(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[RecordedMessage]:
        rows = self._rows("message", from_s, to_s)
        return [RecordedMessage(r[0], bool(r[1]), r[2], r[3], bool(r[4]), *r[5:]) for r in rows]

    def notes(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[Note]:
        """By when it happened, which may be before it was answered."""
        rows = self._rows("note", from_s, to_s, when="coalesce(happened_at_s, at_s)", more=", id")
        return [Note._make((r[0], bool(r[1]), *r[2:9], bool(r[9]), *r[10:])) for r in rows]

    def surface(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[SurfaceRow]:
        """The hours of the coldest surface that ended in the span; ``from_s`` not included."""
        columns = ", ".join(COLUMNS["surface"])
        query = f"SELECT {columns} FROM surface WHERE at_s > ? AND at_s <= ? ORDER BY id"
        with self._open() as db:
            rows = db.execute(query, (from_s, to_s)).fetchall()
        return [SurfaceRow._make((r[0], bool(r[1]), *r[2:4], bool(r[4]), *r[5:])) for r in rows]

    def times_on(self) -> int:
        """How often the relay was switched on in the whole record: switchings are never thinned out."""
        with self._open() as db:
            return int(db.execute("SELECT count(*) FROM switching WHERE relay_on").fetchone()[0])

    def stretches(self, from_s: float, to_s: float, each_s: float) -> list[Stretch]:
        """The minutes of a span in pieces of ``each_s``, those without a minute left out."""
        query = (
            "SELECT ? + ? * CAST((at_s - 60 - ?) / ? AS INTEGER) AS from_s, min(rh_pct), avg(rh_pct), "
            "max(rh_pct), avg(temp_c), avg(target_rh_pct) FROM sample WHERE at_s > ? AND at_s <= ? "
            "GROUP BY from_s ORDER BY from_s"
        )
        with self._open() as db:
            found = db.execute(query, (from_s, each_s, from_s, each_s, from_s, to_s))
            return [Stretch._make(row) for row in found]

    def events(self, from_s: float = -math.inf, to_s: float = math.inf) -> list[Event]:
        return [Event(r[0], bool(r[1]), *r[2:]) for r in self._rows("event", from_s, to_s)]

    def reason_seconds(
        self, from_s: float = -math.inf, to_s: float = math.inf, *, strictest_only: bool = True
    ) -> dict[str, float]:
        """How long each reason held the humidifier off: as the strictest, or at all; the longest first.

        Counted in recorded minutes by what held at each minute's end, so that neither a power
        cut nor a step of the clock can stretch it. One spell may be out by a minute. Minutes that
        are thinned out are not in it: of those, ``day_totals`` has the strictest.
        """
        source = "sample JOIN reason USING (change_id)"
        code = "reason.code"
        if strictest_only:
            source, code = "sample", "sample.reason"
        query = (
            f"SELECT {code}, count(*) AS minutes FROM {source} WHERE sample.at_s > ? AND sample.at_s <= ? "
            f"AND {code} <> '' GROUP BY {code} ORDER BY minutes DESC, {code}"
        )
        with self._open() as db:
            return {code: minutes * MINUTE_S for code, minutes in db.execute(query, (from_s, to_s))}

    def _rows(self, table: str, from_s: float, to_s: float, when: str = "at_s", more: str = "") -> list[Any]:
        columns = ", ".join(COLUMNS[table]) + more
        query = f"SELECT {columns} FROM {table} WHERE {when} >= ? AND {when} < ? ORDER BY id"
        with self._open() as db:
            return db.execute(query, (from_s, to_s)).fetchall()

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with self._in_words():
            if self._shared is not None:
                yield self._shared
                return
            db = open_to_read(self._path)
            try:
                yield db
            finally:
                db.close()

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError, UnicodeError) as error:
            raise HistoryError(f"the record {self._path} cannot be read: {error}") from error


def open_to_read(path: Path, older_too: bool = False) -> sqlite3.Connection:
    """A connection that cannot write. Raises HistoryError in plain words, or sqlite3.Error.

    ``older_too``: a record of an older version as well, whose tables may not be all there.
    """
    if not path.exists():
        raise HistoryError(f"no record yet at {path}: it begins with the first `hygrohold run`")
    if not path.is_file():
        raise HistoryError(f"{path} is not a file: name the file of the record")
    try:
        return _checked(path, "mode=ro", older_too)
    except sqlite3.OperationalError as error:
        # Beside a record that was closed in good order a reader has to make two small files, which a
        # keeper who may only read cannot. Nobody writes then, so it can be read as a file at rest.
        barred = error_kind(error) in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not barred or path.with_name(path.name + "-wal").exists():
            raise
        return _checked(path, "mode=ro&immutable=1", older_too)


def _checked(path: Path, how: str, older_too: bool) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, isolation_level=None)
    try:
        version = check_origin(db, path)
        if version < len(MIGRATIONS) and not older_too:
            raise HistoryError(
                f"the record {path} was made by an older version of this program: "
                "the next `hygrohold run` brings it up to date"
            )
    except BaseException:
        db.close()
        raise
    return db


def _sample(row: Any) -> Sample:
    values = list(row)
    for truth in _TRUTHS:  # SQLite has no truth values, only 0 and 1
        values[truth] = values[truth] != 0
    return Sample._make(values)
