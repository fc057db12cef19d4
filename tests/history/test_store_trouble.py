"""The record in trouble: control must not notice, and nothing may be lost that need not be."""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.history import HistoryReader, SqliteHistory, schema, store
from controller.ports import Sample

Make = Callable[..., Any]


class FailingDisk:
    """A connection whose chosen statements fail while ``error`` is set."""

    def __init__(self, db: sqlite3.Connection, failing: str) -> None:
        self._db = db
        self._failing = failing
        self.error: Exception | None = None
        self.attempts = 0

    def _meet(self, statement: str) -> None:
        if statement.startswith(self._failing):
            self.attempts += 1
            if self.error is not None:
                raise self.error

    def execute(self, statement: str, *values: Any) -> Any:
        self._meet(statement)
        return self._db.execute(statement, *values)

    def executemany(self, statement: str, rows: Any) -> Any:
        self._meet(statement)
        return self._db.executemany(statement, rows)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._db, name)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


def on_failing_disk(path: Path, failing: str, error: Exception) -> tuple[SqliteHistory, FailingDisk]:
    history = SqliteHistory.open(path)
    assert history._db is not None
    disk = FailingDisk(history._db, failing)
    history._db = disk  # type: ignore[assignment]
    disk.error = error
    return history, disk


def recorded(path: Path) -> list[Sample]:
    return list(HistoryReader(path).minutes())


@pytest.mark.parametrize("failing", ["BEGIN", "INSERT INTO sample", "COMMIT"])
@pytest.mark.parametrize("words", ["disk I/O error", "database or disk is full"])
def test_nothing_is_lost_when_the_disk_comes_back(
    path: Path, failing: str, words: str, sample: Make, at: Make
) -> None:
    history, disk = on_failing_disk(path, failing, sqlite3.OperationalError(words))
    for n in range(25):
        history.sample(sample(n))
        if n == 12:
            history.switched(at(720), True, "too dry")
    assert words in history.trouble()
    assert "none lost" in history.trouble()
    assert history.failures == 2
    assert recorded(path) == []
    disk.error = None
    for n in range(25, 30):
        history.sample(sample(n))
    assert history.trouble() == ""
    assert recorded(path) == [sample(n) for n in range(30)]
    assert len(HistoryReader(path).switchings()) == 1
    assert history.rows_lost == 0
    history.close()


def test_a_disk_in_trouble_is_left_alone_until_the_next_batch(path: Path, sample: Make, at: Make) -> None:
    """An attempt may cost a busy wait, and a tick may bring many rows: the relay must not wait for them."""
    history, disk = on_failing_disk(path, "BEGIN", sqlite3.OperationalError("disk I/O error"))
    for n in range(100):
        history.switched(at(n), n % 2 == 0, "")
    assert disk.attempts == 1
    for n in range(20):
        history.sample(sample(n))
    assert disk.attempts == 3
    disk.error = None
    history.close()
    assert len(HistoryReader(path).switchings()) == 100


def test_what_waits_is_bounded_and_the_oldest_goes_first(path: Path, sample: Make, at: Make) -> None:
    history, disk = on_failing_disk(path, "BEGIN", sqlite3.OperationalError("disk I/O error"))
    history.switched(at(), True, "too dry")
    total = store.ROWS_KEPT + 25
    for n in range(total):
        history.sample(sample(n))
    assert history.rows_lost == 25
    assert "25 lost" in history.trouble()
    disk.error = None
    history.close()
    assert recorded(path) == [sample(n) for n in range(25, total)]
    assert len(HistoryReader(path).switchings()) == 1


def test_a_disk_that_is_really_full(path: Path, sample: Make) -> None:
    """SQLite's own limit on pages gives the error of a full disk, not an imitation of it."""
    history = SqliteHistory.open(path)
    assert history._db is not None
    (pages,) = history._db.execute("PRAGMA page_count").fetchone()
    history._db.execute(f"PRAGMA max_page_count = {pages}")
    for n in range(300):
        history.sample(sample(n))
    assert "database or disk is full. Free some room" in history.trouble()
    history._db.execute("PRAGMA max_page_count = 1000000")
    for n in range(300, 310):
        history.sample(sample(n))
    assert history.trouble() == ""
    assert recorded(path) == [sample(n) for n in range(310)]
    history.close()


def test_another_program_that_holds_the_file_is_waited_out(path: Path, sample: Make) -> None:
    history = SqliteHistory.open(path)
    assert history._db is not None
    history._db.execute("PRAGMA busy_timeout = 0")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for n in range(10):
            history.sample(sample(n))
        assert "locked" in history.trouble()
        other.execute("ROLLBACK")
    history.close()
    assert recorded(path) == [sample(n) for n in range(10)]


def record_of(path: Path, sample: Make, rows: int) -> None:
    history = SqliteHistory.open(path)
    for n in range(rows):
        history.sample(sample(n))
    history.close()


def spoil(path: Path, how: str) -> None:
    whole = bytearray(path.read_bytes())
    if how == "no database":
        whole[:] = b"This is a shopping list, and a rather long one. " * 100
    elif how == "cut short":
        del whole[len(whole) // 2 :]
    else:  # a bad page in the middle, its neighbours good
        page = len(whole) // 2 // 4096 * 4096
        whole[page : page + 4096] = b"\xa5" * 4096
    path.write_bytes(whole)


@pytest.mark.parametrize("how", ["no database", "cut short", "bad page"])
def test_a_damaged_file_is_set_aside_and_a_new_record_begun(path: Path, how: str, sample: Make) -> None:
    record_of(path, sample, 500)
    spoil(path, how)
    damaged = path.read_bytes()
    history = SqliteHistory.open(path)
    for n in range(10):
        history.sample(sample(n))
    (aside,) = path.parent.glob("history.sqlite.unreadable-????????T??????Z")
    assert aside.read_bytes() == damaged
    assert aside.name in history.set_aside
    assert str(path) in history.set_aside
    assert history.trouble() == ""
    history.close()
    assert recorded(path) == [sample(n) for n in range(10)]
    assert SqliteHistory.open(path).set_aside == ""


def test_the_log_is_set_aside_with_its_file(path: Path, tmp_path: Path, sample: Make) -> None:
    record_of(tmp_path / "living.sqlite", sample, 500)
    living = SqliteHistory.open(tmp_path / "living.sqlite")
    for n in range(500, 510):
        living.sample(sample(n))
    for ending in ("", "-wal", "-shm"):
        shutil.copy(f"{tmp_path / 'living.sqlite'}{ending}", f"{path}{ending}")
    living.close()
    spoil(path, "bad page")
    history = SqliteHistory.open(path)
    assert history.trouble() == ""
    (aside,) = path.parent.glob("history.sqlite.unreadable-*Z")
    assert Path(f"{aside}-wal").stat().st_size > 0
    assert Path(f"{aside}-shm").exists()
    assert list(history.reader().minutes()) == []
    history.close()


def test_two_files_set_aside_in_one_second_are_both_kept(path: Path) -> None:
    for n in range(3):
        path.write_bytes(b"%d: no database " % n * 500)
        SqliteHistory.open(path).close()
        path.unlink()
    assert len({aside.read_bytes() for aside in path.parent.glob("*.unreadable-*")}) == 3


def test_a_file_set_aside_is_not_forgotten_when_no_new_one_can_be_begun(
    path: Path, sample: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.write_bytes(b"no database at all " * 500)
    with monkeypatch.context() as full:
        full.setattr(schema, "MIGRATIONS", (("SELECT * FROM room_on_the_disk",),))
        history = SqliteHistory.open(path)
        assert "room_on_the_disk" in history.trouble()
    for n in range(10):
        history.sample(sample(n))
    assert history.trouble() == ""
    assert "was damaged" in history.set_aside
    history.close()


def test_damage_met_while_running_is_set_aside_with_the_next_batch(path: Path, sample: Make) -> None:
    record_of(path, sample, 500)
    history = SqliteHistory.open(path)
    spoil(path, "no database")
    for n in range(500, 520):
        history.sample(sample(n))
    assert history.failures >= 1
    assert "was damaged" in history.set_aside
    assert history.trouble() == ""
    history.close()
    assert recorded(path) == [sample(n) for n in range(500, 520)]


def contents(path: Path) -> dict[str, bytes]:
    return {part.name: part.read_bytes() for part in path.parent.iterdir() if part.stat().st_size}


def test_a_newer_record_is_not_touched(path: Path, sample: Make, at: Make) -> None:
    record_of(path, sample, 20)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    before = path.read_bytes()
    history = SqliteHistory.open(path)
    for n in range(20):
        history.sample(sample(n))
    history.switched(at(), True, "")
    assert "newer version" in history.trouble()
    assert "Update the program" in history.trouble()
    history.close()
    assert "newer version" in history.trouble()
    assert path.read_bytes() == before
    assert {name for name, data in contents(path).items() if data} <= {path.name, f"{path.name}-shm"}
    assert history.rows_lost == 21
    assert history.set_aside == ""


def test_another_program_s_database_is_not_touched(path: Path, at: Make) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE theirs (x)")
    before = contents(path)
    history = SqliteHistory.open(path)
    history.event(at(), "start", "")
    history.close()
    assert "another program" in history.trouble()
    assert contents(path) == before


def use_everything(history: SqliteHistory, sample: Make, at: Make, decision: Make, reason: Make) -> None:
    for n in range(25):
        history.sample(sample(n))
    history.switched(at(), True, "")
    history.reasons(decision(reason("paused")))
    history.event(at(), "start", "")


def test_a_folder_in_the_way_is_said_and_does_no_harm(
    path: Path, sample: Make, at: Make, decision: Make, reason: Make
) -> None:
    path.mkdir()
    history = SqliteHistory.open(path)
    use_everything(history, sample, at, decision, reason)
    assert str(path) in history.trouble()
    assert "not a file" in history.trouble()
    history.close()
    assert history.rows_lost == 28
    assert path.is_dir()


def test_a_folder_that_cannot_be_made_is_said_and_does_no_harm(
    tmp_path: Path, sample: Make, at: Make, decision: Make, reason: Make
) -> None:
    (tmp_path / "file").touch()
    history = SqliteHistory.open(tmp_path / "file" / "history.sqlite")
    use_everything(history, sample, at, decision, reason)
    assert "cannot be written" in history.trouble()
    history.close()
    assert history.rows_lost == 28


def test_a_file_that_opens_late_gets_what_has_waited(path: Path, sample: Make) -> None:
    path.mkdir()
    history = SqliteHistory.open(path)
    for n in range(15):
        history.sample(sample(n))
    path.rmdir()
    for n in range(15, 20):
        history.sample(sample(n))
    assert history.trouble() == ""
    assert recorded(path) == [sample(n) for n in range(20)]
    history.close()
