import math
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from controller.core.records import Action, Answer, Message, Request
from controller.history import HistoryReader, SqliteHistory, store
from controller.ports import History

Make = Callable[..., Any]
START_S = 1_780_000_020.0  # where the fixtures begin
_conforms: type[History] = SqliteHistory


def on_disk(path: Path, query: str = "SELECT count(*) FROM sample") -> Any:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return db.execute(query).fetchone()[0]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


def test_all_that_is_told_is_read_again(path: Path, sample: Make, at: Make) -> None:
    history = SqliteHistory.open(path)
    minute = sample(
        1, rh_pct=None, raw_rh_2_pct=63.0, is_day=False, clock_trusted=False, on_s=12.5, reason=""
    )
    history.sample(minute)
    history.switched(at(5), True, "too dry")
    raised = Message("probe", datetime.fromtimestamp(START_S - 30, UTC), 3.0, 2.0, "silent")
    history.message(at(6), "alarm", raised, True)
    asked = Request("refilled", "r1", "Jörg", None, datetime.fromtimestamp(START_S - 600, UTC), None, 2.5)
    history.note(at(7, False), Answer(asked, False, "too late"))
    history.event(at(8), "start", "version 0.1.0")
    history.close()
    reader = HistoryReader(path)
    assert list(reader.minutes()) == [minute]
    assert reader.switchings() == [(START_S + 5, True, True, "too dry")]
    assert reader.messages() == [
        (START_S + 6, True, "alarm", "probe", True, START_S - 30, 3.0, 2.0, "silent"),
    ]
    answered = (
        START_S + 7,
        False,
        "refilled",
        "r1",
        "Jörg",
        2.5,
        None,
        None,
        START_S - 600,
        False,
        "too late",
    )
    assert reader.notes() == [(*answered, "", "", "", None, 1)]
    assert reader.events() == [(START_S + 8, True, "start", "version 0.1.0")]
    assert history.trouble() == ""
    assert (history.failures, history.rows_lost) == (0, 0)


def test_reasons_share_a_change_and_their_order(path: Path, decision: Make, reason: Make) -> None:
    history = SqliteHistory.open(path)
    strict = reason("ceiling", Action.OFF, seen=81.0, limit=78.0, clears_at=75.0, detail="two probes")
    wait = reason("shortest_off", seen=100.0, limit=300.0, clears_in_s=200.0)
    history.reasons(decision(strict, wait))
    history.reasons(decision(offset_s=60.0))
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT * FROM reason ORDER BY change_id, rank").fetchall()
    assert rows == [
        (1, START_S, 1, 0, "ceiling", 2, 81.0, 78.0, 75.0, None, "two probes"),
        (1, START_S, 1, 1, "shortest_off", 1, 100.0, 300.0, None, 200.0, ""),
        (2, START_S + 60, 1, 0, "", 0, None, None, None, None, ""),
    ]
    history.close()


def test_changes_are_counted_on_after_a_restart(
    path: Path, decision: Make, reason: Make, sample: Make
) -> None:
    for n in range(2):
        history = SqliteHistory.open(path)
        history.sample(sample(2 * n))  # nothing is told of reasons yet: this run's, not the last one's
        history.reasons(decision(reason("paused")))
        history.sample(sample(2 * n + 1))
        history.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT change_id FROM sample ORDER BY id").fetchall() == [
            (None,),
            (1,),
            (None,),
            (2,),
        ]


def test_samples_wait_for_ten_and_all_else_is_written_at_once(path: Path, sample: Make, at: Make) -> None:
    history = SqliteHistory.open(path)
    for n in range(9):
        history.sample(sample(n))
    assert on_disk(path) == 0
    history.sample(sample(9))
    assert on_disk(path) == 10
    history.switched(at(700), True, "too dry")
    assert on_disk(path, "SELECT count(*) FROM switching") == 1
    history.close()


def test_a_power_cut_loses_less_than_ten_minutes(path: Path, tmp_path: Path, sample: Make, at: Make) -> None:
    """What is on the disk at any moment is copied from under the living writer."""
    history = SqliteHistory.open(path)
    for n in range(1, 24):
        history.sample(sample(n))
        if n == 17:
            history.switched(at(17 * 60), True, "too dry")
        cut = tmp_path / f"cut{n}"
        cut.mkdir()
        for part in (path, path.with_name("history.sqlite-wal")):
            shutil.copy(part, cut)
        after = SqliteHistory.open(cut / "history.sqlite")
        minutes = list(after.reader().minutes())
        assert n - 10 < len(minutes) <= n
        assert minutes == [sample(k) for k in range(1, len(minutes) + 1)]
        assert len(after.reader().switchings()) == (n >= 17)
        assert after.set_aside == after.trouble() == ""
        after.close()
    history.close()


def test_what_is_no_figure_is_kept_as_unknown(sample: Make, at: Make) -> None:
    history = SqliteHistory.in_memory()
    history.sample(sample(0))
    history.sample(sample(1, rh_pct=math.nan, temp_c=math.inf, raw_rh_1_pct=-math.inf))
    history.message(at(), "alarm", Message("probe", at().wall, math.nan, math.inf), True)
    minutes = list(history.reader().minutes())
    assert minutes == [sample(0), sample(1, rh_pct=None, temp_c=None, raw_rh_1_pct=None)]
    assert [(m.seen, m.limit) for m in history.reader().messages()] == [(None, None)]
    assert history.trouble() == ""


@pytest.mark.parametrize("column", ["target_rh_pct", "on_s", "at_s"])
def test_a_row_that_is_not_fit_is_left_out_alone(sample: Make, column: str) -> None:
    history = SqliteHistory.in_memory()
    history.sample(sample(0))
    history.sample(sample(1, **{column: math.nan}))
    history.sample(sample(2))
    assert list(history.reader().minutes()) == [sample(0), sample(2)]
    assert (history.failures, history.rows_lost) == (1, 1)
    assert history.trouble().startswith("1 rows were not fit")
    assert column in history.trouble()


def test_names_with_stray_bytes_and_times_at_the_edge_do_no_harm(at: Make) -> None:
    history = SqliteHistory.in_memory()
    for hours in (14, -14):
        zone = timezone(timedelta(hours=hours))
        for edge in (datetime(1, 1, 1, tzinfo=zone), datetime(9999, 12, 31, 23, 59, tzinfo=zone)):
            now = at()._replace(wall=edge)
            number = f"p{hours}{edge.year}"
            history.note(now, Answer(Request("pause", number, "Ren\udce9", at=now.wall), True, "ü"))
    notes = history.reader().notes()
    assert [(note.by, note.words) for note in notes] == [("Ren?", "ü")] * 4
    assert history.trouble() == ""


def test_close_writes_what_waits_and_later_rows_are_only_counted(path: Path, sample: Make, at: Make) -> None:
    history = SqliteHistory.open(path)
    history.sample(sample(0))
    history.close()
    history.close()
    assert [part.name for part in path.parent.iterdir()] == [path.name]  # its log is folded back
    history.sample(sample(1))
    history.switched(at(), False, "")
    assert history.rows_lost == 2
    assert on_disk(path) == 1


def test_memory_keeps_a_storm_of_changes_whole(at: Make) -> None:
    history = SqliteHistory.in_memory()
    many = 3 * store.ROWS_KEPT + 1
    for n in range(many):
        history.switched(at(n), n % 2 == 0, "")
    assert [row.at_s - START_S for row in history.reader().switchings()] == list(range(many))
    assert history.rows_lost == 0


def test_the_folder_is_made(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "history.sqlite"
    history = SqliteHistory.open(path)
    assert history.trouble() == ""
    history.close()
    assert path.is_file()


def test_what_one_tick_brings_is_one_writing(path: Path, at: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    history = SqliteHistory.open(path)
    writings: list[int] = []
    real = store._write
    monkeypatch.setattr(store, "_write", lambda *rest: (writings.append(1), real(*rest))[1])
    with history.together():
        history.switched(at(0), True, "demand")
        history.event(at(0), "start", "a")
        assert writings == []
    assert writings == [1]
    assert [row.on for row in HistoryReader(path).switchings()] == [True]
    history.event(at(1), "stop", "b")
    assert writings == [1, 1]
    history.close()


def test_a_request_that_is_answered_again_after_a_kill_is_one_row(at: Make) -> None:
    history = SqliteHistory.in_memory()
    for number in ("one", "one", "", "", "two"):
        history.note(at(), Answer(Request("pause", number), True, "ü"))
    rows = [note.request_id for note in history.reader().notes()]
    assert sorted(rows) == ["", "", "one", "two"]
    assert history.trouble() == ""
