"""The record as the loop writes it: one connection, one file (or memory).

In: what ``controller.ports.History`` names. Out: rows. It must never raise and never
hold the loop up for longer than one busy wait: rows that cannot be written wait in a
bounded buffer, and are tried again with the next batch only.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from math import isfinite
from pathlib import Path
from typing import Any

from controller.core.records import Answer, Decision, Instant, Message, SurfaceHour
from controller.errors import HistoryError
from controller.history.read import HistoryReader
from controller.history.schema import (
    COLUMNS,
    error_kind,
    is_damage,
    open_to_write,
    put_aside_if_damaged,
    transaction,
)
from controller.history.thin import Thinner
from controller.ports import Sample

SAMPLES_PER_BATCH = 10
"""Minutes that a power cut may lose. Ten in one commit wear a card a tenth as much as ten commits."""
SAMPLES_PER_BATCH_IN_MEMORY = 360
ROWS_KEPT = 1440
"""Rows of each table that may wait for the disk to come back: of samples, a day."""

Row = tuple[Any, ...]

_INSERT = {
    table: f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    for table, columns in COLUMNS.items()
}
# A request that a killed program had recorded is answered again by the next one: one row for it is enough.
_UNKNOWN = " WHERE NOT EXISTS (SELECT 1 FROM note WHERE request_id <> '' AND request_id = ?4)"
_INSERT["note"] = _INSERT["note"].replace("VALUES (", "SELECT ")[:-1] + _UNKNOWN
# A row that is itself at fault: trying it again would not help.
_REFUSED = (
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
    sqlite3.DataError,
    ValueError,
    OverflowError,
)
_FAILED = (sqlite3.Error, OSError, UnicodeError)
_ADVICE = {
    sqlite3.SQLITE_FULL: "Free some room on that disk.",
    sqlite3.SQLITE_IOERR: "The disk or card may be failing.",
    sqlite3.SQLITE_READONLY: "Check that this user may write the file and its folder.",
    sqlite3.SQLITE_CANTOPEN: "Check that the folder is there and that this user may write in it.",
    sqlite3.SQLITE_BUSY: "Another program is holding it.",
}


class SqliteHistory:
    """Implements ``controller.ports.History``.

    ``set_aside`` says in words what became of a damaged file ("" when there was none);
    ``failures`` and ``rows_lost`` only count up.
    """

    def __init__(self, path: Path | None, thinner: Thinner | None = None) -> None:
        self.set_aside = ""
        self.failures = 0
        self.rows_lost = 0
        self._path = path
        self._thinner = thinner
        self._db: sqlite3.Connection | None = None
        self._waiting: dict[str, deque[Row]] = {table: deque() for table in COLUMNS}
        self._batch = SAMPLES_PER_BATCH if path is not None else SAMPLES_PER_BATCH_IN_MEMORY
        self._samples_to_go = self._batch
        self._change_id: int | None = None
        self._next_change_id = 1
        self._error = ""  # of the last writing; "" when it went well
        self._refused = ""
        self._unfit = 0
        self._given_up = ""  # why nothing will be written any more
        self._closed = False
        self._together = False
        self._flush()

    @classmethod
    def open(cls, path: Path, thinner: Thinner | None = None) -> SqliteHistory:
        """The record at ``path``, begun if there is none. Does not raise: see ``trouble``.

        Without a ``thinner`` every minute is kept for ever.
        """
        return cls(path, thinner)

    @classmethod
    def in_memory(cls) -> SqliteHistory:
        """A record that is gone with the program: for rehearsals."""
        return cls(None)

    def sample(self, row: Sample) -> None:
        self._add("sample", (*row, self._change_id))
        self._samples_to_go -= 1
        if self._samples_to_go <= 0:
            self._flush()
        elif self._thinner is not None and self._db is not None and not self._error:
            self._thinner.minute(self._db)  # never in the minute in which a batch is written

    @contextmanager
    def together(self) -> Iterator[None]:
        self._together = True
        try:
            yield
        finally:
            self._together = False
            if self._path is not None and not self._error:
                self._flush()

    def switched(self, at: Instant, on: bool, because: str) -> None:
        self._at_once("switching", (*_stamp(at), on, because))

    def reasons(self, decision: Decision) -> None:
        self._change_id = self._next_change_id
        self._next_change_id += 1
        head = (self._change_id, *_stamp(decision.at))
        rows: list[Row] = [
            (*head, rank, r.code, int(r.action), r.seen, r.limit, r.clears_at, r.clears_in_s, r.detail)
            for rank, r in enumerate(decision.reasons)
        ]
        # While on nothing holds: a row says so, or the last reasons would seem to hold on.
        self._at_once("reason", *(rows or [(*head, 0, "", 0, None, None, None, None, "")]))

    def message(self, at: Instant, kind: str, message: Message, raised: bool) -> None:
        since_s = message.since.timestamp()
        figures = (message.seen, message.limit, message.detail)
        self._at_once("message", (*_stamp(at), kind, message.code, raised, since_s, *figures))

    def note(self, at: Instant, answer: Answer) -> None:
        asked = answer.request
        happened_at_s = None if asked.at is None else asked.at.timestamp()
        what = (asked.kind, asked.id, asked.by, asked.litres, asked.for_s, asked.rh_pct, happened_at_s)
        told = (asked.animal, asked.outcome, asked.remark, asked.about)
        self._at_once("note", (*_stamp(at), *what, answer.done, answer.words, *told))

    def surface(self, at: Instant, hour: SurfaceHour) -> None:
        self._at_once("surface", (*_stamp(at), *hour))

    def event(self, at: Instant, kind: str, words: str) -> None:
        self._at_once("event", (*_stamp(at), kind, words))

    def trouble(self) -> str:
        """What is wrong with the record now, in words; "" when nothing is."""
        if self._given_up:
            return f"{self._given_up} Nothing is recorded."
        if self._error:
            waiting = sum(map(len, self._waiting.values()))
            lost = f"{self.rows_lost} lost" if self.rows_lost else "none lost"
            return (
                f"{self._error} {waiting} rows wait to be written, {lost}; it is tried again with each batch."
            )
        return self._refused or (self._thinner.trouble if self._thinner is not None else "")

    def reader(self) -> HistoryReader:
        """Reads what has been recorded so far, the batch that waits included."""
        self._flush()
        if self._path is None and self._db is not None:
            return HistoryReader.over(self._db)
        return HistoryReader(self._path or Path(":memory:"))

    def close(self) -> None:
        """Writes what waits, and lets go. May be called twice; rows that come later are only counted."""
        if self._closed:
            return
        self._flush()
        if self._error:
            self._give_up(self._error)
        self._let_go()
        self._closed = True

    def _add(self, table: str, row: Row) -> None:
        waiting = self._waiting[table]
        if self._given_up or self._closed:
            self.failures += 1
            self.rows_lost += 1
            return
        if len(waiting) >= ROWS_KEPT and not self._error:
            self._flush()
        if len(waiting) >= ROWS_KEPT:
            waiting.popleft()
            self.rows_lost += 1
        waiting.append(row)

    def _at_once(self, table: str, *rows: Row) -> None:
        for row in rows:
            self._add(table, tuple([_text(value) if isinstance(value, str) else value for value in row]))
        # Memory loses nothing by waiting. A disk in trouble is left alone until the next batch: each
        # attempt may cost a busy wait, and one tick may bring several rows.
        if self._path is not None and not self._error and not self._together:
            self._flush()

    def _flush(self) -> None:
        """Tries to write everything that waits."""
        self._samples_to_go = self._batch
        if self._given_up or self._closed:
            return
        try:
            refused = _write(self._db or self._begin(), self._waiting)
        except HistoryError as error:
            self._give_up(str(error))
        except _FAILED as error:
            self._failed(error)
        else:
            self._written(refused)

    def _written(self, refused: list[str]) -> None:
        for rows in self._waiting.values():
            rows.clear()
        self._error = ""
        if refused:
            self.failures += 1
            self.rows_lost += len(refused)
            self._unfit += len(refused)
            # Stays until the end: only a defect of the program brings it, and the record has a hole.
            self._refused = (
                f"{self._unfit} rows were not fit for the record and are lost (the last: {refused[-1]})"
            )

    def _begin(self) -> sqlite3.Connection:
        if self._path is not None:
            self.set_aside = put_aside_if_damaged(self._path) or self.set_aside
        db = open_to_write(self._path)
        (last,) = db.execute("SELECT coalesce(max(change_id), 0) FROM reason").fetchone()
        self._next_change_id = max(self._next_change_id, last + 1)
        self._db = db
        return db

    def _failed(self, error: Exception) -> None:
        self.failures += 1
        advice = _ADVICE.get(error_kind(error), "")
        self._error = " ".join(
            filter(None, [f"the record {self._path or 'in memory'} cannot be written: {error}.", advice])
        )
        if is_damage(error):
            self._let_go()  # opened afresh with the next batch, which sets the damaged file aside

    def _give_up(self, why: str) -> None:
        self.failures += 1
        self._given_up = why
        for rows in self._waiting.values():
            self.rows_lost += len(rows)
            rows.clear()

    def _let_go(self) -> None:
        if self._db is not None:
            with suppress(*_FAILED):
                self._db.close()
            self._db = None


def _stamp(at: Instant) -> tuple[float, bool]:
    return at.wall.timestamp(), at.wall_trusted


def _write(db: sqlite3.Connection, waiting: Mapping[str, Iterable[Row]]) -> list[str]:
    """Writes all or nothing; but leaves out rows that the tables refuse, and says why for each."""
    try:
        with transaction(db):
            for table, rows in waiting.items():
                if rows:
                    db.executemany(_INSERT[table], rows)
    except _REFUSED:
        return _write_one_by_one(db, waiting)
    return []


def _write_one_by_one(db: sqlite3.Connection, waiting: Mapping[str, Iterable[Row]]) -> list[str]:
    """For the batch with a figure that is none: it becomes NULL where the column allows that."""
    refused = []
    with transaction(db):
        for table, row in ((table, row) for table, rows in waiting.items() for row in rows):
            try:
                db.execute(_INSERT[table], [_finite(value) for value in row])
            except _REFUSED as why:
                refused.append(str(why))
    return refused


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not isfinite(value) else value


def _text(words: str) -> str:
    """A name may come from a command line with bytes that are no UTF-8: "?" takes their place."""
    return words if words.isascii() else words.encode("utf-8", "replace").decode()
