import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from controller.errors import HistoryError
from controller.history import HistoryReader, SqliteHistory, schema, thin

V1, V2, V3 = (Path(__file__).with_name(f"v{n}.sql") for n in (1, 2, 3))
SAMPLE = {
    "at_s": 1.78e9,
    "clock_trusted": 1,
    "rh_pct": 61.5,
    "target_rh_pct": 60.0,
    "is_day": 1,
    "on_s": 0.0,
    "reason": "enough",
}


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(schema.open_to_write(None)) as connection:
        yield connection


def put(db: sqlite3.Connection, **changes: object) -> None:
    row = {**SAMPLE, **changes}
    db.execute(f"INSERT INTO sample ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", [*row.values()])


def layout(db: sqlite3.Connection) -> list[tuple[str, str]]:
    return db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()


def test_every_table_is_strict_and_has_the_columns_that_are_written(db: sqlite3.Connection) -> None:
    tables = dict(db.execute("SELECT name, strict FROM pragma_table_list WHERE name NOT LIKE 'sqlite_%'"))
    written = {**schema.COLUMNS, "day_total": thin.COLUMNS}
    assert tables == dict.fromkeys(written, 1)
    for table, columns in written.items():
        there = [name for (name,) in db.execute("SELECT name FROM pragma_table_info(?)", (table,))]
        assert set(there) - {"id"} == set(columns)


def test_text_is_no_number(db: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in REAL column"):
        put(db, rh_pct="damp")


@pytest.mark.parametrize("column", ["at_s", "target_rh_pct", "on_s"])
@pytest.mark.parametrize("figure", [math.nan, math.inf, -math.inf, None])
def test_a_figure_that_must_be_there_must_be_finite(
    db: sqlite3.Connection, column: str, figure: float | None
) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        put(db, **{column: figure})


@pytest.mark.parametrize("figure", [math.inf, -math.inf])
def test_infinity_is_refused_where_null_is_allowed(db: sqlite3.Connection, figure: float) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        put(db, tank_l=figure)


@pytest.mark.parametrize("truth", [2, -1, None])
def test_a_truth_is_0_or_1(db: sqlite3.Connection, truth: int | None) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        put(db, clock_trusted=truth)


def test_the_file_is_set_up_for_power_cuts(tmp_path: Path) -> None:
    with closing(schema.open_to_write(tmp_path / "history.sqlite")) as db:
        asked = ("journal_mode", "synchronous", "wal_autocheckpoint", "mmap_size", "busy_timeout")
        assert [db.execute(f"PRAGMA {name}").fetchone()[0] for name in asked] == ["wal", 2, 200, 0, 1000]


@pytest.mark.parametrize("dump", [V1, V2, V3], ids=lambda dump: dump.stem)
def test_a_file_of_each_version_is_brought_up_to_date(
    tmp_path: Path, db: sqlite3.Connection, dump: Path
) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(dump.read_text())
    history = SqliteHistory.open(path)
    assert history.trouble() == ""
    assert history.set_aside == ""
    history.close()
    with closing(sqlite3.connect(path)) as upgraded:
        assert upgraded.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
        assert layout(upgraded) == layout(db)
    reader = HistoryReader(path)
    minutes = list(reader.minutes())
    assert [(m.at_s, m.clock_trusted, m.rh_pct, m.on_s, m.reason) for m in minutes] == [
        (1780000020.0, False, 61.5, 0.0, "shortest_off"),
        (1780000080.0, True, None, 0.0, "shortest_off"),
        (1780000200.0, True, 61.5, 50.0, ""),
    ]
    assert reader.reason_seconds(strictest_only=False) == {"enough": 120.0, "shortest_off": 120.0}
    assert reader.notes()[0].happened_at_s == 1779999420.0
    assert reader.notes()[0][-5:] == ("", "", "", None, 1)  # what a note of an older version does not tell
    assert [(m.code, m.raised, m.detail) for m in reader.messages()] == [("probe", True, "silent")]
    assert [event.kind for event in reader.events()] == ["start", "stop"]


@pytest.mark.parametrize(("version", "dump"), [(1, V1), (2, V2), (3, V3)])
def test_the_migrations_are_the_released_ones(version: int, dump: Path) -> None:
    """Whoever edits one breaks the files that are out there: each dump was made once and stays."""
    with closing(sqlite3.connect(":memory:")) as db, closing(sqlite3.connect(":memory:")) as dumped:
        for statement in (line for step in schema.MIGRATIONS[:version] for line in step):
            db.execute(statement)
        dumped.executescript(dump.read_text())
        assert layout(db) == layout(dumped)


def test_each_version_has_its_dump() -> None:
    names = {path.name for path in V1.parent.glob("v*.sql")}
    assert names == {f"v{n}.sql" for n in range(1, len(schema.MIGRATIONS) + 1)}


def test_the_totals_of_a_file_of_version_2_are_read(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(V2.read_text())
    SqliteHistory.open(path).close()
    ((day, tally),) = HistoryReader(path).day_totals().items()
    assert day == date(2026, 5, 27)
    assert (tally.minutes, tally.known, tally.on_s, tally.rh_sum_pct) == (3, 2, 60.0, 121.55)
    assert tally.rh_minutes == {(True, 1200): 1, (False, 1231): 1}  # exactly 60.0; between 61.5 and 61.6
    assert tally.reasons == {"enough": 2}


def test_what_version_3_added_is_read(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(V3.read_text())
    SqliteHistory.open(path).close()
    reader = HistoryReader(path)
    _, shed, correction = sorted(reader.notes(), key=lambda note: note.number)
    assert (shed.animal, shed.outcome, shed.remark, shed.about) == ("Juno", "whole", "eyes clear", None)
    assert (correction.kind, correction.about, correction.litres) == ("correct", 1, 2.0)
    assert [tuple(row) for row in reader.surface()] == [(1780000200.0, True, 17.5, 82.5, False, None, 0.125)]
    older, newer = reader.day_totals().values()
    assert older.air == {True: [0, 0.0, 0.0, 0.0, 0.0], False: [0, 0.0, 0.0, 0.0, 0.0]}  # NULL: not known
    assert newer.air == {True: [1, 59.0, 24.0, 1.76, 1.22], False: [1, 61.0, 24.0, 1.82, 1.16]}


def test_a_later_migration_is_applied_once_and_whole(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    schema.open_to_write(path).close()
    newest = len(schema.MIGRATIONS)
    half = ("ALTER TABLE event ADD COLUMN extra TEXT", "INSERT INTO nowhere VALUES (1)")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, half))
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        schema.open_to_write(path)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (newest,)
        assert "extra" not in str(layout(db))
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS[:-1], half[:1]))
    for _ in range(2):
        with closing(schema.open_to_write(path)) as db:
            assert db.execute("PRAGMA user_version").fetchone() == (newest + 1,)
            assert "extra" in str(layout(db))


def test_the_file_says_whose_it_is(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    schema.open_to_write(path).close()
    # sqlite.org/fileformat2.html, 1.3: the application id is the big-endian integer at offset 68.
    assert path.read_bytes()[68:72] == b"hygh"


def test_an_empty_file_is_a_record_not_yet_begun(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    path.touch()
    assert schema.put_aside_if_damaged(path) == ""
    schema.open_to_write(path).close()
    assert [part.name for part in tmp_path.iterdir()] == [path.name]


def test_another_program_s_database_is_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE theirs (x)")
    before = path.read_bytes()
    with pytest.raises(HistoryError, match="another program"):
        schema.put_aside_if_damaged(path)
    assert path.read_bytes() == before
