"""The tables of the record, and how a file comes to have them.

In: a path, or None for memory. Out: an open connection whose tables are those that this
program knows. It must never change a file that a newer version or another program made,
and never edit a migration that has been released: append one.

Each row has an ``id`` (reasons: a ``change_id``) that only grows. Order by it: the wall
clock of a board without a battery may step back. ``clock_trusted`` is 0 where ``at_s``
may be wrong. SQLite turns NaN into NULL, which NOT NULL refuses; the bounds refuse infinity.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from controller.errors import HistoryError
from controller.files import aside_name
from controller.ports import Sample

APPLICATION_ID = 0x68796768
"""Marks the file as ours (SQLite keeps it in the header): the letters "hygh"."""

# The comments inside the statements are kept by SQLite: `.schema` shows them to whoever looks.
_SAMPLE = """CREATE TABLE sample (  -- one row is one recorded minute
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),  -- the minute's end, UTC, seconds since 1970
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  rh_pct REAL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- mean of the believed, corrected readings
  temp_c REAL CHECK (temp_c BETWEEN -1e300 AND 1e300),
  raw_rh_1_pct REAL CHECK (raw_rh_1_pct BETWEEN -1e300 AND 1e300),  -- first probe's last reading, as it came
  raw_temp_1_c REAL CHECK (raw_temp_1_c BETWEEN -1e300 AND 1e300),
  raw_rh_2_pct REAL CHECK (raw_rh_2_pct BETWEEN -1e300 AND 1e300),
  raw_temp_2_c REAL CHECK (raw_temp_2_c BETWEEN -1e300 AND 1e300),
  target_rh_pct REAL NOT NULL CHECK (target_rh_pct BETWEEN -1e300 AND 1e300),
  is_day INTEGER NOT NULL CHECK (is_day IN (0, 1)),
  on_s REAL NOT NULL CHECK (on_s BETWEEN 0 AND 1e300),  -- on-time of the relay within the minute
  tank_l REAL CHECK (tank_l BETWEEN -1e300 AND 1e300),  -- litres left by estimate
  outdoor_c REAL CHECK (outdoor_c BETWEEN -1e300 AND 1e300),
  reason TEXT NOT NULL,  -- the strictest reason for off at the minute's end; '' while on
  change_id INTEGER  -- all reasons that held then: reason.change_id; NULL: not told yet
) STRICT"""
_SWITCHING = """CREATE TABLE switching (  -- the relay was switched
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  relay_on INTEGER NOT NULL CHECK (relay_on IN (0, 1)),
  because TEXT NOT NULL
) STRICT"""
_REASON = """CREATE TABLE reason (  -- the reasons for off that hold from now, a row each; code '' while on
  change_id INTEGER NOT NULL,  -- only grows; rows of one moment share it
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  rank INTEGER NOT NULL CHECK (rank >= 0),  -- 0: the strictest
  code TEXT NOT NULL,
  action INTEGER NOT NULL,  -- 0 nothing is asked for, 1 a matter of time, 2 a condition must change
  seen REAL CHECK (seen BETWEEN -1e300 AND 1e300),  -- the figure met
  limit_figure REAL CHECK (limit_figure BETWEEN -1e300 AND 1e300),  -- the one it broke
  clears_at REAL CHECK (clears_at BETWEEN -1e300 AND 1e300),  -- the figure that ends it
  clears_in_s REAL CHECK (clears_in_s BETWEEN -1e300 AND 1e300),  -- when it can be, where time alone decides
  detail TEXT NOT NULL,
  PRIMARY KEY (change_id, rank)
) STRICT, WITHOUT ROWID"""
_MESSAGE = """CREATE TABLE message (  -- an alarm or a notice was raised or cleared
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,  -- alarm or notice
  code TEXT NOT NULL,
  raised INTEGER NOT NULL CHECK (raised IN (0, 1)),  -- 0: cleared
  since_s REAL NOT NULL CHECK (since_s BETWEEN -1e300 AND 1e300),
  seen REAL CHECK (seen BETWEEN -1e300 AND 1e300),
  limit_figure REAL CHECK (limit_figure BETWEEN -1e300 AND 1e300),
  detail TEXT NOT NULL
) STRICT"""
_NOTE = """CREATE TABLE note (  -- a person's request was answered
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,  -- refilled, pause, resume, raise_target, ...
  request_id TEXT NOT NULL,
  by_whom TEXT NOT NULL,
  litres REAL CHECK (litres BETWEEN -1e300 AND 1e300),  -- refilled: how much; NULL: to the top
  for_s REAL CHECK (for_s BETWEEN -1e300 AND 1e300),
  rh_pct REAL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- raise_target: by how much
  happened_at_s REAL CHECK (happened_at_s BETWEEN -1e300 AND 1e300),  -- NULL: when it was answered
  done INTEGER NOT NULL CHECK (done IN (0, 1)),  -- 0: refused
  words TEXT NOT NULL
) STRICT"""
_EVENT = """CREATE TABLE event (  -- the program itself: start, stop, settings, state lost
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  kind TEXT NOT NULL,
  words TEXT NOT NULL
) STRICT"""
_DAY = """CREATE TABLE day_total (  -- one local day: those of its minutes that are no longer in sample
  day TEXT NOT NULL PRIMARY KEY,  -- like 2026-01-14, by the room's own time zone
  minutes INTEGER NOT NULL CHECK (minutes > 0),
  clock_doubtful_minutes INTEGER NOT NULL,
  known INTEGER NOT NULL,  -- minutes whose rh_pct was known
  temp_known INTEGER NOT NULL,
  on_s REAL NOT NULL CHECK (on_s BETWEEN 0 AND 1e300),  -- sums: divide by the minutes known for a mean
  rh_sum_pct REAL NOT NULL CHECK (rh_sum_pct BETWEEN -1e300 AND 1e300),
  temp_sum_c REAL NOT NULL CHECK (temp_sum_c BETWEEN -1e300 AND 1e300),
  lowest_rh_pct REAL CHECK (lowest_rh_pct BETWEEN -1e300 AND 1e300),
  highest_rh_pct REAL CHECK (highest_rh_pct BETWEEN -1e300 AND 1e300),
  lowest_temp_c REAL CHECK (lowest_temp_c BETWEEN -1e300 AND 1e300),
  highest_temp_c REAL CHECK (highest_temp_c BETWEEN -1e300 AND 1e300),
  fallen_l REAL CHECK (fallen_l BETWEEN 0 AND 1e300),  -- what tank_l fell by, within the day
  first_tank_l REAL CHECK (first_tank_l BETWEEN -1e300 AND 1e300),
  last_tank_l REAL CHECK (last_tank_l BETWEEN -1e300 AND 1e300),
  rh_by_day TEXT NOT NULL,  -- JSON: minutes at each tenth of %RH; "61.5" exactly, "61.5+" above it
  rh_by_night TEXT NOT NULL,
  reasons TEXT NOT NULL  -- JSON: minutes of each strictest reason for off
) STRICT"""

# Columns are added at the end, where SQLite's ALTER TABLE puts them; an old row has their defaults.
_JOURNAL = (
    # of whom a note tells; a shed: 'whole' or 'pieces'; what else was said; the note it corrects or withdraws
    "ALTER TABLE note ADD COLUMN animal TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE note ADD COLUMN outcome TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE note ADD COLUMN remark TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE note ADD COLUMN about_id INTEGER",
)
_SURFACE = """CREATE TABLE surface (  -- the coldest surface, a row for each hour that was judged
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL CHECK (at_s BETWEEN -1e300 AND 1e300),  -- the hour's end
  clock_trusted INTEGER NOT NULL CHECK (clock_trusted IN (0, 1)),
  temp_c REAL NOT NULL CHECK (temp_c BETWEEN -1e300 AND 1e300),  -- mean of the hour
  rh_pct REAL NOT NULL CHECK (rh_pct BETWEEN -1e300 AND 1e300),  -- at the surface, mean of the hour
  measured INTEGER NOT NULL CHECK (measured IN (0, 1)),  -- 0: estimated
  mean_rh_pct REAL CHECK (mean_rh_pct BETWEEN -1e300 AND 1e300),  -- of 30 days; NULL: not so long yet
  mould_index REAL NOT NULL CHECK (mould_index BETWEEN 0 AND 6)
) STRICT"""
# By day and by night, over the minutes whose RH and temperature were both known; NULL where older than them.
_AIR_SUMS = ("air_rh_sum_pct", "air_temp_sum_c", "vapour_sum_kpa", "vpd_sum_kpa")
_DAY_AIR = tuple(
    f"ALTER TABLE day_total ADD COLUMN {column}"
    for part in ("day", "night")
    for column in (
        f"{part}_air_known INTEGER",
        *(f"{part}_{name} REAL CHECK ({part}_{name} BETWEEN -1e300 AND 1e300)" for name in _AIR_SUMS),
    )
)
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        f"PRAGMA application_id = {APPLICATION_ID}",
        *(_SAMPLE, _SWITCHING, _REASON, _MESSAGE, _NOTE, _EVENT),
        "CREATE INDEX sample_at ON sample (at_s)",
    ),
    (_DAY,),
    (*_JOURNAL, _SURFACE, *_DAY_AIR),
)
"""Append only: number n takes a file from version n to n + 1, in one transaction."""

_AT, _FIGURES = ("at_s", "clock_trusted"), ("seen", "limit_figure")
COLUMNS: dict[str, tuple[str, ...]] = {
    "sample": (*Sample._fields, "change_id"),
    "switching": (*_AT, "relay_on", "because"),
    "reason": ("change_id", *_AT, "rank", "code", "action", *_FIGURES, "clears_at", "clears_in_s", "detail"),
    "message": (*_AT, "kind", "code", "raised", "since_s", *_FIGURES, "detail"),
    "note": (
        *(*_AT, "kind", "request_id", "by_whom", "litres", "for_s", "rh_pct"),
        *("happened_at_s", "done", "words", "animal", "outcome", "remark", "about_id"),
    ),
    "event": (*_AT, "kind", "words"),
    "surface": (*_AT, "temp_c", "rh_pct", "measured", "mean_rh_pct", "mould_index"),
}
"""What the loop writes today, in order. The day totals come of it by thinning (``thin.py``)."""


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, for a connection that does not begin transactions by itself."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:  # SQLite itself rolls back after some errors
            db.execute("ROLLBACK")
        raise


def migrate(db: sqlite3.Connection) -> None:
    (version,) = db.execute("PRAGMA user_version").fetchone()
    for number, statements in enumerate(MIGRATIONS[version:], start=version + 1):
        with transaction(db):
            for statement in statements:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number}")


def check_origin(db: sqlite3.Connection, path: Path) -> int:
    """The schema version of our file, 0 for an empty one; HistoryError for a newer or a foreign one."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    (application_id,) = db.execute("PRAGMA application_id").fetchone()
    (objects,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application_id != APPLICATION_ID and (version or objects):
        raise HistoryError(
            f"{path} is a database of another program: it is left as it is. Name another file for the record."
        )
    if version > len(MIGRATIONS):
        raise HistoryError(
            f"the record {path} was made by a newer version of this program (its tables are version "
            f"{version}, this program knows {len(MIGRATIONS)}): it is left as it is. Update the program, "
            "or move the file away."
        )
    return int(version)


def open_to_write(path: Path | None, busy_ms: int = 1000) -> sqlite3.Connection:
    """The one writing connection, its tables up to date.

    Raises HistoryError when the file is not ours to write, sqlite3.Error or OSError when
    it cannot be opened at all.
    """
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        _share(path)
    db = sqlite3.connect(path or ":memory:", isolation_level=None, timeout=busy_ms / 1000)
    try:
        for pragma in (
            f"busy_timeout = {busy_ms}",
            "mmap_size = 0",  # a read error would be a signal that kills, not an error code
            "journal_mode = WAL",
            "synchronous = FULL",
            "wal_autocheckpoint = 200",
            "foreign_keys = ON",
        ):
            db.execute(f"PRAGMA {pragma}").close()
        migrate(db)
    except BaseException:
        db.close()
        raise
    return db


def _share(path: Path) -> None:
    """Has a new record writable by the folder's group, as far as the umask lets it.

    SQLite gives its two files beside the record the record's own mode. A keeper who reads while nobody
    writes makes them, and the service, another user, must be able to go on with them.
    """
    with suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o664))


def put_aside_if_damaged(path: Path) -> str:
    """Renames a file that is no readable database, and says so in words; "" when nothing had to be done.

    Raises like ``open_to_write``, whose first step it is.
    """
    damage = _damage(path)
    return _put_aside(path, damage) if damage else ""


def _damage(path: Path) -> str:
    """Why the file cannot be read as a database; "" when it can. Looks without writing."""
    if path.exists() and not path.is_file():
        raise OSError("there is something of that name that is not a file")
    if not path.exists() or path.stat().st_size == 0:
        return ""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
        try:
            check_origin(db, path)
            (answer,) = db.execute("PRAGMA quick_check(1)").fetchone()
        except (sqlite3.DatabaseError, UnicodeError) as error:
            if not is_damage(error):
                raise
            return str(error)
    return "" if answer == "ok" else str(answer).splitlines()[-1]


def is_damage(error: BaseException) -> bool:
    """Whether the file's contents are at fault, and not the disk, the permissions or another program."""
    # UnicodeError: Python's own, over a name in a damaged header
    return isinstance(error, UnicodeError) or error_kind(error) in (
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
    )


def error_kind(error: BaseException) -> int:
    """SQLite's primary result code, the low byte of the one it gave; 0 where there is none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def _put_aside(path: Path, damage: str) -> str:
    aside = aside_name(path)
    # The log first: should this be cut short, the damaged file is still found under its name.
    for ending in ("-wal", "-shm", ""):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    return f"the record {path} was damaged ({damage}): it was set aside as {aside.name} and a new one begun"
