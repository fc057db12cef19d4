"""Thinning: minutes become day totals in small bites; nothing that a report says may change by it."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.core.records import Action
from controller.errors import SettingsError
from controller.history import HistoryReader, SqliteHistory, schema, store, thin
from controller.history.thin import BITE_ROWS, Thinner, bite
from controller.reporting.figures import DayFigures
from controller.settings import Settings
from tests.history.test_store_trouble import FailingDisk
from tests.reported import day_figures

Make = Callable[..., Any]
BERLIN = ZoneInfo("Europe/Berlin")
DAY = 1440


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


@pytest.fixture(autouse=True)
def large_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Days of rows are written here: not in commits of ten."""
    monkeypatch.setattr(store, "SAMPLES_PER_BATCH", 1000)


@pytest.fixture
def lived(path: Path, sample: Make, at: Make, decision: Make, reason: Make) -> Callable[..., Path]:
    """A record of so many days, with everything in it that a report counts."""

    def live(days: float, seed: int = 1) -> Path:
        rng = random.Random(seed)
        history = SqliteHistory.open(path)
        tank_l = 4.0
        with history.together():
            for n in range(int(days * DAY)):
                on = n // 13 % 2 == 0
                if n % 13 == 0:
                    history.switched(at(60.0 * n), on, "too dry")
                    held = () if on else (reason("shortest_off"), reason("enough", Action.CONTENT))
                    history.reasons(decision(*held, offset_s=60.0 * n))
                tank_l = 4.0 if tank_l < 0.1 else tank_l - 0.4 / 60 * on
                history.sample(
                    sample(
                        n,
                        rh_pct=None
                        if rng.random() < 0.02
                        else round(rng.gauss(66, 5), rng.choice([0, 1, 5])),
                        temp_c=round(rng.gauss(24, 1), 1),
                        is_day=n // 720 % 2 == 0,
                        on_s=rng.choice([60.0, 17.3]) if on else 0.0,
                        tank_l=None if rng.random() < 0.01 else tank_l,
                        clock_trusted=rng.random() < 0.99,
                        reason="" if on else rng.choice(["shortest_off", "enough", "ceiling"]),
                    )
                )
        history.close()
        return path

    return live


Lived = Callable[..., Path]


def reported(path: Path, low: float = 60.0, high: float = 78.0, rate: float | None = 0.4) -> list[DayFigures]:
    with HistoryReader(path).at_one_moment() as reader:
        rows = reader.minutes(), reader.switchings(), reader.notes()
        return day_figures(*rows, low, high, BERLIN, rate, reader.day_totals())


def counts(path: Path) -> tuple[int, int]:
    """Minutes that are there, and minutes in totals."""
    with closing(sqlite3.connect(path)) as db:
        (there,) = db.execute("SELECT count(*) FROM sample").fetchone()
        (thinned,) = db.execute("SELECT coalesce(sum(minutes), 0) FROM day_total").fetchone()
    return there, thinned


def thin_all(path: Path, keep_rows: int) -> int:
    bites = 0
    with closing(schema.open_to_write(path)) as db:
        while bite(db, keep_rows, BERLIN):
            bites += 1
    return bites


@pytest.mark.parametrize("keep_rows", [0, 700, 2 * DAY])
def test_every_figure_of_a_report_stays(lived: Lived, keep_rows: int) -> None:
    """With parts of a day thinned out, too; for the band of today and for any other in tenths."""
    path = lived(5.5)
    bands = [(60.0, 78.0, 0.4), (63.5, 66.0, None), (66.1, 66.1, None)]
    before = [reported(path, *band) for band in bands]
    assert thin_all(path, keep_rows) > 10
    there, thinned = counts(path)
    assert keep_rows <= there < keep_rows + BITE_ROWS
    assert there + thinned == int(5.5 * DAY)
    after = [reported(path, *band) for band in bands]
    assert after == before  # to the last bit: the sums are made in the same order
    assert before[0][2].run_h > 1.0  # it is a report of something
    assert before[1][2].used_l is not None


def test_a_report_of_some_days_stays_too(lived: Lived) -> None:
    """What the tank fell by over midnight counts only where the day before is in the report."""
    path = lived(4)
    days = [datetime(2026, 5, day, tzinfo=BERLIN) for day in (29, 30, 31)]

    def second_and_third() -> list[DayFigures]:
        reader = HistoryReader(path)
        begin, end = days[0].timestamp(), days[2].timestamp()
        return day_figures(
            reader.minutes(begin, end), (), (), 60.0, 78.0, BERLIN, None,
            reader.day_totals(days[0].date(), days[1].date()),
        )  # fmt: skip

    before = second_and_third()
    assert thin_all(path, DAY) > 3
    assert second_and_third() == before
    assert [day.date.day for day in before] == [29, 30]


def test_the_newest_minutes_stay_whatever_the_clock_says(path: Path, sample: Make) -> None:
    """Counted in minutes of running: neither 1970 nor 2099 makes a minute old."""
    history = SqliteHistory.open(path)
    wrong = [sample(n, at_s=60.0 * n, clock_trusted=False) for n in range(300)]
    far = [sample(n, at_s=4.07e9 + 60.0 * n) for n in range(300)]
    for row in [*[sample(n) for n in range(300)], *wrong, *far]:
        history.sample(row)
    history.close()
    assert thin_all(path, 600) == 1
    assert list(HistoryReader(path).minutes())[60:] == [*wrong, *far]


def test_nothing_happens_before_a_whole_bite_is_due(lived: Lived) -> None:
    path = lived(1)
    with closing(schema.open_to_write(path)) as db:
        assert bite(db, DAY - BITE_ROWS + 1, BERLIN) == 0
        assert bite(db, DAY - BITE_ROWS, BERLIN) == BITE_ROWS
    with closing(schema.open_to_write(None)) as empty:
        assert bite(empty, 0, BERLIN) == 0


def test_reasons_go_with_the_minutes_that_point_to_them(lived: Lived) -> None:
    path = lived(3)
    thin_all(path, DAY)
    with closing(sqlite3.connect(path)) as db:
        (dangling,) = db.execute(
            "SELECT count(*) FROM sample WHERE change_id NOT IN (SELECT change_id FROM reason)"
        ).fetchone()
        (unused,) = db.execute(
            "SELECT count(*) FROM reason WHERE change_id < (SELECT min(change_id) FROM sample)"
        ).fetchone()
        (left,) = db.execute("SELECT count(*) FROM reason").fetchone()
        (switchings,) = db.execute("SELECT count(*) FROM switching").fetchone()
    assert (dangling, unused, left > 0) == (0, 0, True)
    assert switchings == len(range(0, 3 * DAY, 13))  # they stay: what the relay did


def test_a_new_change_gets_a_new_number_after_all_is_thinned(
    lived: Lived, sample: Make, decision: Make, reason: Make
) -> None:
    path = lived(1)
    thin_all(path, 0)
    history = SqliteHistory.open(path)
    history.reasons(decision(reason("ceiling")))
    history.sample(sample(2000))
    history.close()
    assert HistoryReader(path).reason_seconds(strictest_only=False) == {"ceiling": 60.0}


KILLED = """
import os, signal, sqlite3, sys
from zoneinfo import ZoneInfo
from controller.history import schema, thin
db = schema.open_to_write(__import__("pathlib").Path(sys.argv[1]))
left = int(sys.argv[2])
def meet(statement):
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
db.set_trace_callback(meet)
thin.bite(db, 0, ZoneInfo("Europe/Berlin"))
"""


@pytest.mark.process
@pytest.mark.parametrize("survived", [0, 3, 5, 7, 9])
def test_a_kill_leaves_the_minutes_or_their_total(lived: Lived, survived: int) -> None:
    path = lived(1)
    before = reported(path)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(path), str(survived)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        check=False,
    )
    assert done.returncode == -signal.SIGKILL
    assert sum(counts(path)) == DAY
    assert reported(path) == before
    assert thin_all(path, 0) == DAY // BITE_ROWS
    assert reported(path) == before


@pytest.mark.parametrize("failing", ["BEGIN", "INSERT", "DELETE FROM sample", "DELETE FROM reason", "COMMIT"])
def test_a_disk_that_fails_leaves_the_minutes(lived: Lived, failing: str, sample: Make) -> None:
    path = lived(1)
    before = reported(path)
    with closing(schema.open_to_write(path)) as db:
        disk: Any = FailingDisk(db, failing)
        disk.error = sqlite3.OperationalError("database or disk is full")
        thinner = Thinner(0, BERLIN)
        thinner.minute(disk)
        assert "disk is full" in thinner.trouble
        assert "None is lost" in thinner.trouble
        assert counts(path) == (DAY, 0)
        attempts, disk.error = disk.attempts, None
        for _ in range(thin.TRIED_AGAIN):
            thinner.minute(disk)
        assert disk.attempts == attempts  # left alone for an hour
        thinner.minute(disk)
        assert thinner.trouble == ""
    assert counts(path) == (DAY - BITE_ROWS, BITE_ROWS)
    assert reported(path) == before


def test_a_spoilt_total_is_said_and_loses_nothing(lived: Lived) -> None:
    path = lived(1)
    with closing(schema.open_to_write(path)) as db:
        bite(db, 0, BERLIN)
        db.execute("UPDATE day_total SET reasons = 'nonsense'")
        thinner = Thinner(0, BERLIN)
        thinner.minute(db)
        assert "cannot be thinned out" in thinner.trouble
    assert counts(path) == (DAY - BITE_ROWS, BITE_ROWS)


def test_a_damaged_page_is_told_apart(lived: Lived) -> None:
    with closing(schema.open_to_write(lived(1))) as db:
        disk: Any = FailingDisk(db, "BEGIN")
        disk.error = sqlite3.DatabaseError("database disk image is malformed")
        disk.error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        thinner = Thinner(0, BERLIN)
        thinner.minute(disk)
    assert "the next start looks it over" in thinner.trouble


def test_the_store_thins_between_its_batches(
    lived: Lived, sample: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = lived(1)
    before = reported(path)
    monkeypatch.setattr(store, "SAMPLES_PER_BATCH", 10)
    thinner = Thinner(30, BERLIN)
    thinner._keep_rows = 500
    history = SqliteHistory.open(path, thinner)
    left = []
    for n in range(DAY, DAY + 10):
        history.sample(sample(n))
        left.append(counts(path)[0])
    # a bite in each of the first three minutes, then none is due; in the tenth the batch is written
    assert left == [DAY - 240, DAY - 480, *[DAY - 720] * 7, DAY - 720 + 10]
    assert history.trouble() == ""
    history.close()
    assert reported(path)[0] == before[0]


def test_trouble_with_thinning_is_trouble_with_the_record(lived: Lived, sample: Make) -> None:
    thinner = Thinner(30, BERLIN)
    history = SqliteHistory.open(lived(1), thinner)
    thinner.trouble = "it cannot"
    thinner._rest_minutes = 5
    history.sample(sample(DAY))
    assert history.trouble() == "it cannot"
    history.close()


def test_so_few_days_are_hardly_meant(tmp_path: Path) -> None:
    assert Settings().history.keep_minutes_days == 400
    path = tmp_path / "room.toml"
    for days, fine in ((0, True), (30, True), (29, False), (-1, False), (4, False)):
        path.write_text(f"settings_version = 1\n[history]\nkeep_minutes_days = {days}\n")
        if fine:
            assert Settings.load(path, {}).history.keep_minutes_days == days
        else:
            with pytest.raises(SettingsError, match="keep_minutes_days"):
                Settings.load(path, {})


def test_free_pages_are_used_again(path: Path, sample: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """With as many minutes thinned out as come in, the file stays as large as it is."""
    monkeypatch.setattr(store, "SAMPLES_PER_BATCH", 240)
    thinner = Thinner(30, UTC)
    thinner._keep_rows = 3 * DAY
    history = SqliteHistory.open(path, thinner)
    assert history._db is not None
    history._db.execute("PRAGMA synchronous = OFF")
    pages = []
    for n in range(12 * DAY):
        history.sample(sample(n))
        if n % DAY == DAY - 1:
            pages.append(history._db.execute("PRAGMA page_count").fetchone()[0])
    history.close()
    assert pages[11] - pages[4] <= 7 + 1  # a row of totals a day
    assert counts(path)[0] <= 3 * DAY + BITE_ROWS + 240


def test_a_reader_sees_one_moment_while_a_bite_is_taken(lived: Lived) -> None:
    path = lived(1)
    before = reported(path)
    with HistoryReader(path).at_one_moment() as reader:
        totals = reader.day_totals()
        with closing(schema.open_to_write(path)) as db:
            assert bite(db, 0, BERLIN) == BITE_ROWS
        rows = reader.minutes(), reader.switchings(), reader.notes()
        assert day_figures(*rows, 60.0, 78.0, BERLIN, 0.4, totals) == before
    assert reported(path) == before
