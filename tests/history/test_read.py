import os
import sqlite3
import tempfile
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.core.records import Action, Answer, Request
from controller.errors import HistoryError
from controller.history import HistoryReader, SqliteHistory, read, schema, store

Make = Callable[..., Any]
START_S = 1_780_000_020.0  # where the fixtures begin


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


def test_minutes_belong_to_the_span_in_which_they_ended(sample: Make) -> None:
    history = SqliteHistory.in_memory()
    for n in range(10):
        history.sample(sample(n))
    got = history.reader().minutes(START_S + 120, START_S + 300)
    assert list(got) == [sample(3), sample(4), sample(5)]
    assert list(history.reader().minutes(START_S + 540)) == []


def test_things_belong_to_the_span_in_which_they_happened(at: Make) -> None:
    history = SqliteHistory.in_memory()
    for n in range(5):
        history.switched(at(n), n % 2 == 0, "")
        history.note(at(n), Answer(Request("refilled", at=at(n - 3).wall), True, ""))
        history.note(at(n), Answer(Request("pause"), True, ""))
    reader = history.reader()
    assert [row.at_s - START_S for row in reader.switchings(START_S + 1, START_S + 3)] == [1, 2]
    assert [row.on for row in reader.switchings(START_S + 1, START_S + 3)] == [False, True]
    # Refills happened three seconds before they were answered, pauses when they were.
    notes = reader.notes(START_S + 1, START_S + 3)
    assert [(note.kind, note.at_s - START_S) for note in notes] == [
        ("pause", 1),
        ("pause", 2),
        ("refilled", 4),
    ]


def test_rows_come_in_the_order_of_writing_when_the_clock_steps_back(sample: Make) -> None:
    history = SqliteHistory.in_memory()
    order = [5000, 5001, 10, 11, 5002]
    for n in order:
        history.sample(sample(n))
    reader = history.reader()
    assert [round((row.at_s - START_S) / 60) for row in reader.minutes()] == order
    assert [row.at_s for row in reader.minutes(START_S + 3600)] == [
        START_S + 60 * n for n in (5000, 5001, 5002)
    ]
    assert reader.last_sample() == sample(5002)


def test_more_rows_than_are_fetched_at_once(sample: Make) -> None:
    history = SqliteHistory.in_memory()
    for n in range(4000):
        history.sample(sample(n))
    assert list(history.reader().minutes(START_S, START_S + 60 * 3500)) == [sample(n) for n in range(1, 3501)]


def test_reading_takes_the_same_memory_for_any_span(
    path: Path, sample: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    def peak_bytes(to_s: float) -> int:
        tracemalloc.start()
        for _ in HistoryReader(path).minutes(to_s=to_s):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    monkeypatch.setattr(read, "_ROWS_AT_ONCE", 50)
    monkeypatch.setattr(store, "SAMPLES_PER_BATCH", 1000)
    history = SqliteHistory.open(path)
    for n in range(2000):
        history.sample(sample(n))
    history.close()
    # Were the rows gathered first, five times as many would take five times as much.
    assert peak_bytes(START_S + 60 * 2000) < 2 * peak_bytes(START_S + 60 * 400)


def test_how_long_each_reason_refused(sample: Make, decision: Make, reason: Make) -> None:
    """By hand: 3 min ceiling over rest, 2 min rest alone, 1 min on, 4 min rest over enough."""
    history = SqliteHistory.in_memory()
    ceiling, rest = reason("ceiling", Action.OFF), reason("shortest_off")
    enough = reason("enough", Action.CONTENT)
    n = 0
    for held, minutes in (((ceiling, rest), 3), ((rest,), 2), ((), 1), ((rest, enough), 4)):
        history.reasons(decision(*held))
        for _ in range(minutes):
            history.sample(sample(n, reason=held[0].code if held else ""))
            n += 1
    reader = history.reader()
    assert reader.reason_seconds() == {"shortest_off": 360.0, "ceiling": 180.0}
    assert list(reader.reason_seconds()) == ["shortest_off", "ceiling"]
    held_at_all = {"shortest_off": 540.0, "enough": 240.0, "ceiling": 180.0}
    assert reader.reason_seconds(strictest_only=False) == held_at_all
    # The span cuts off the first minute and the last.
    span = START_S, START_S + 60 * 8
    assert reader.reason_seconds(*span) == {"shortest_off": 300.0, "ceiling": 120.0}


def test_a_power_cut_does_not_stretch_the_reason_that_held(
    path: Path, sample: Make, decision: Make, reason: Make
) -> None:
    for start in (0, 100_000):  # off without power for ten weeks in between
        history = SqliteHistory.open(path)
        history.reasons(decision(reason("tank_empty", Action.OFF), offset_s=60.0 * start))
        for n in range(10):
            history.sample(sample(start + n, reason="tank_empty"))
        history.close()
    assert HistoryReader(path).reason_seconds() == {"tank_empty": 1200.0}
    assert HistoryReader(path).reason_seconds(strictest_only=False) == {"tank_empty": 1200.0}


def test_an_empty_record_has_no_last_minute(path: Path) -> None:
    SqliteHistory.open(path).close()
    reader = HistoryReader(path)
    assert reader.last_sample() is None
    assert list(reader.minutes()) == []
    assert reader.reason_seconds() == {}


def test_what_fails_in_the_caller_s_hands_comes_out_as_it_is(path: Path, sample: Make) -> None:
    history = SqliteHistory.open(path)
    history.sample(sample(0))
    history.close()
    reader = HistoryReader(path)
    with pytest.raises(BrokenPipeError), reader.at_one_moment():
        raise BrokenPipeError
    memory = SqliteHistory.in_memory().reader()
    with pytest.raises(BrokenPipeError), memory.at_one_moment():
        raise BrokenPipeError
    assert memory.last_sample() is None  # the connection is its owner's, and still open


def test_between_two_batches_no_read_is_held(path: Path, sample: Make) -> None:
    """As with a pager open: the writer's log can be folded back whole, and old minutes may go."""
    history = SqliteHistory.open(path)
    for n in range(3 * 1440):
        history.sample(sample(n))
    history.close()
    rows = HistoryReader(path).minutes()
    next(rows)
    with closing(schema.open_to_write(path)) as db:
        db.execute("DELETE FROM sample WHERE id <= 2000")
        # sqlite.org/pragma.html#pragma_wal_checkpoint: the first column is 1 where a reader was in the way
        assert db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone() == (0, 0, 0)
    assert [row.at_s for row in rows][1439:] == [sample(n).at_s for n in range(2000, 3 * 1440)]


def test_no_record_yet(path: Path) -> None:
    with pytest.raises(HistoryError) as caught:
        HistoryReader(path).last_sample()
    assert str(caught.value) == f"no record yet at {path}: it begins with the first `hygrohold run`"
    assert not path.exists()


def test_a_folder_is_no_record(path: Path) -> None:
    path.mkdir()
    with pytest.raises(HistoryError, match="is not a file"):
        HistoryReader(path).events()


def test_what_cannot_be_read_is_said_in_words(path: Path) -> None:
    path.write_bytes(b"no database at all " * 500)
    with pytest.raises(HistoryError, match=r"cannot be read: file is not a database"):
        HistoryReader(path).events()


@pytest.mark.parametrize(("version", "words"), [(7, "newer version"), (0, "older version")])
def test_a_record_of_another_version(path: Path, version: int, words: str) -> None:
    SqliteHistory.open(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {version}")
    assert len(schema.MIGRATIONS) < 7
    with pytest.raises(HistoryError, match=words):
        HistoryReader(path).events()


def test_a_name_with_signs_of_a_uri(tmp_path: Path, at: Make) -> None:
    path = tmp_path / "50% of #1?.sqlite"
    history = SqliteHistory.open(path)
    history.event(at(), "start", "")
    assert len(HistoryReader(path).events()) == 1
    history.close()
    assert [part.name for part in tmp_path.iterdir()] == [path.name]


def test_reading_beside_the_writer_and_halfway_through(path: Path, sample: Make) -> None:
    history = SqliteHistory.open(path)
    for n in range(10):
        history.sample(sample(n))
    half_read = HistoryReader(path).minutes()
    next(half_read)
    for n in range(10, 20):
        history.sample(sample(n))
    assert history._db is not None
    # No read is left open: the log can be folded back whole (busy 0) while somebody is halfway through.
    busy, _, _ = history._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    assert sum(1 for _ in half_read) == 9
    history.close()


@contextmanager
def as_a_keeper_who_may_only_read(folder: Path) -> Iterator[None]:
    folder.chmod(0o555)
    root = os.geteuid() == 0
    try:
        if root:
            os.seteuid(65534)
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)


def test_a_keeper_who_may_only_read_can_read_while_it_runs_and_after(at: Make) -> None:
    with tempfile.TemporaryDirectory() as name:  # tmp_path is closed to other users
        path = Path(name) / "history.sqlite"
        history = SqliteHistory.open(path)
        history.event(at(), "start", "")
        with as_a_keeper_who_may_only_read(path.parent):
            assert len(HistoryReader(path).events()) == 1
        history.close()
        with as_a_keeper_who_may_only_read(path.parent):
            assert len(HistoryReader(path).events()) == 1
        assert [part.name for part in path.parent.iterdir()] == ["history.sqlite"]
