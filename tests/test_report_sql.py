"""Every figure of a report again, by the plain SQL that the developers' page shows."""

from __future__ import annotations

import math
import random
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.core import air
from controller.core.records import Answer, Instant, Message, Request, SurfaceHour
from controller.history import HistoryReader, SqliteHistory, store
from controller.history.schema import open_to_write
from controller.history.thin import bite
from controller.ports import Sample
from controller.reporting.gather import Asked, Report, Span, gather
from controller.reporting.sections import SECTIONS

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
QUERIES = dict(re.findall(r"```sql (\w+)\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL))
FIRST = date(2026, 5, 28)
FIRST_S = datetime(2026, 5, 28, tzinfo=UTC).timestamp()
LOW, HIGH, RATE = 60.0, 72.5, 0.37
SPANS = [Span(FIRST + timedelta(days=n), FIRST + timedelta(days=n)) for n in range(4)]
SPANS.append(Span(FIRST, FIRST + timedelta(days=6)))


def at(since_s: float) -> Instant:
    return Instant(since_s, datetime.fromtimestamp(FIRST_S + since_s, UTC), True)


def note(history: SqliteHistory, since_s: float, kind: str, **more: Any) -> None:
    history.note(at(since_s), Answer(Request(kind, by="Ann", id=f"{kind}{since_s}", **more), True, "noted"))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five days of everything, the last one broken off, one with a hole."""
    path = tmp_path_factory.mktemp("kept") / "history.sqlite"
    rng = random.Random(3)
    with pytest.MonkeyPatch.context() as quick:
        quick.setattr(store, "SAMPLES_PER_BATCH", 1000)
        history = SqliteHistory.open(path)
        with history.together():
            for n in range(1, 4 * 1440 + 700):
                on = n % 47 < 15
                if n % 47 in (0, 15):
                    history.switched(at(60.0 * n), n % 47 == 0, "demand" if n % 47 == 0 else "enough")
                if 2000 < n < 2100:
                    continue  # the program was away
                rh_pct = 66.0 + 9.0 * math.sin(n / 150.0) + rng.gauss(0.0, 0.5)
                history.sample(
                    Sample(
                        FIRST_S + 60.0 * n,
                        rng.random() < 0.9,
                        None
                        if rng.random() < 0.01
                        else rng.choice([rh_pct, round(rh_pct, 1), round(rh_pct)]),
                        None if rng.random() < 0.01 else 22.0 + 4.0 * math.sin(n / 300.0),
                        *(None, None, None, None, 65.0, 480 <= n % 1440 < 1200),
                        rng.choice([60.0, 31.7]) if on else 0.0,
                        *(3.0, None, "" if on else rng.choice(["enough", "shortest_off", "ceiling"])),
                    )
                )
                if n % 60 == 0:
                    month = None if n < 3000 else 71.0 + n / 1e4
                    hour = SurfaceHour(
                        16.0 + rng.random(), rng.uniform(60, 95), n % 120 == 0, month, n / 5000.0
                    )
                    history.surface(at(60.0 * n), hour)
            for n, code in enumerate(("no_mist", "room_cold", "no_mist", "probe_lost")):
                message = Message(code, at(70000.0 * n).wall)
                history.message(at(70000.0 * n + 600.0), "alarm", message, True)
                if n < 3:
                    history.message(at(70000.0 * n + 30000.0), "alarm", message, False)
            note(history, 1000.0, "refilled", litres=2.0)  # note 1
            note(history, 90000.0, "refilled", at=at(80000.0).wall)  # 2
            note(history, 95000.0, "shed", animal="Juno", outcome="whole")  # 3
            note(history, 96000.0, "correct", about=1, litres=3.0, at=at(4000.0).wall)  # 4
            note(history, 97000.0, "withdraw", about=2)  # 5
            note(history, 180000.0, "refilled")  # 6
            note(history, 181000.0, "correct", about=4, litres=3.5)  # 7
            history.note(at(182000.0), Answer(Request("refilled", id="no"), False, "refused"))
            note(history, 200000.0, "pause", for_s=60.0)
        history.close()
    return path


@pytest.fixture(params=SPANS, ids=lambda span: f"{span.days}-from-{span.first.day}")
def report(request: pytest.FixtureRequest, path: Path) -> Report:
    return gather(HistoryReader(path), asked(request.param))


def asked(span: Span) -> Asked:
    return Asked("larch", span, UTC, (LOW, HIGH), RATE, 5000)


@pytest.fixture
def plain(path: Path, report: Report) -> Iterator[Any]:
    """Runs a query of the page over the report's span: a list of rows by name."""
    with closing(opened(path)) as db:
        yield lambda name: asked_of(db, name, report.asked.span)


def opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path)
    db.row_factory = sqlite3.Row
    for name in ("exp", "ln"):  # not every build of SQLite has them
        db.create_function(name, 1, math.log if name == "ln" else math.exp, deterministic=True)
    return db


def asked_of(db: sqlite3.Connection, name: str, span: Span) -> list[dict[str, Any]]:
    from_s, to_s = span.bounds_s(UTC)
    values = {"from_s": from_s, "to_s": to_s, "low": LOW, "high": HIGH, "output_l_per_h": RATE}
    values |= {"first": span.first.isoformat(), "last": span.last.isoformat()}
    used = {key: value for key, value in values.items() if f":{key}" in QUERIES[name]}
    return [dict(row) for row in db.execute(QUERIES[name], used)]


def named(report: Report, name: str) -> list[dict[str, Any]]:
    """The rows of a section by the names of their columns."""
    section = SECTIONS[name](report)
    return [dict(zip((column.name for column in section.columns), row, strict=True)) for row in section.rows]


def close(figure: float | None) -> Any:
    return None if figure is None else pytest.approx(figure, rel=1e-9, abs=1e-12)


def test_the_page_has_them_all() -> None:
    assert set(QUERIES) == {
        *("band", "day", "air", "dry", "refusals", "relay", "runs", "alarms", "surface", "notes", "thinned")
    }


def test_band_hours_and_the_day(plain: Any, report: Report) -> None:
    assert report.total is not None
    for name in ("band", "day"):
        (row,) = plain(name)
        for figure, value in row.items():
            assert getattr(report.total, figure) == close(value), figure
    assert report.total.below_h > 0.5
    assert report.total.above_h > 0.5


def test_the_air(plain: Any, report: Report) -> None:
    total = report.total
    assert total is not None
    by_sql = {row["is_day"]: row for row in plain("air")}
    for is_day, ours in ((1, total.day_air), (0, total.night_air)):
        assert ours is not None
        row = by_sql[is_day]
        assert (ours.hours, ours.rh_pct, ours.temp_c) == (
            close(row["hours"]), close(row["rh_pct"]), close(row["temp_c"]),
        )  # fmt: skip
        for name in ("vapour_kpa", "vpd_kpa"):
            assert getattr(ours, name) == pytest.approx(row[name], rel=6e-6)
        assert air.saturation_pressure_pa(ours.dew_c) / 1000.0 == pytest.approx(row["vapour_kpa"], rel=1e-5)
    (shown,) = named(report, "air") if report.asked.span.days == 1 else [None]
    if shown is not None:
        assert shown["day_vpd_kpa"] == total.day_air.vpd_kpa  # type: ignore[union-attr]


def test_the_longest_dry_spell(plain: Any, report: Report) -> None:
    (row,) = plain("dry")
    (ours,) = named(report, "dry")
    assert ours["dry_h"] == close(row["dry_h"])
    assert ours["from"].timestamp() == row["from_s"]
    assert ours["to"].timestamp() == row["to_s"]


def test_refusals(plain: Any, report: Report) -> None:
    ours = [(row["code"], close(row["off_h"])) for row in named(report, "refusals")]
    assert ours == [(row["code"], row["off_h"]) for row in plain("refusals")]
    assert len(ours) == 3


def test_the_relay_and_its_runs(plain: Any, report: Report) -> None:
    (row,) = plain("relay")
    (ours,) = named(report, "relay")
    assert (ours["switchings"], ours["switchings_ever"]) == (row["switchings"], row["switchings_ever"])
    assert ours["used_pct"] == close(100.0 * row["switchings_ever"] / 5000)
    by_sql = plain("runs")
    listed = named(report, "runs")
    assert len(listed) == len(by_sql) == ours["switchings"] > 10
    for one, other in zip(listed, by_sql, strict=True):
        assert one["from"].timestamp() == other["from_s"]
        assert one["run_min"] == close(other["run_min"])
        assert one["why_on_code"] == other["why_on_code"]
        assert one["why_off_code"] == (other["why_off_code"] or "")


def test_alarms(plain: Any, report: Report) -> None:
    ours = [(row["code"], row["raised"].timestamp(), row["cleared"]) for row in named(report, "alarms")]
    by_sql = [
        (row["code"], row["raised_s"], None if row["cleared_s"] is None else row["cleared_s"])
        for row in plain("alarms")
    ]
    to_s = report.asked.span.bounds_s(UTC)[1]
    assert [(code, raised_s) for code, raised_s, _ in ours] == [
        (code, raised_s) for code, raised_s, _ in by_sql
    ]
    for (_, _, cleared), (_, _, cleared_s) in zip(ours, by_sql, strict=True):
        # What was cleared after the span still stood at its end.
        later = cleared_s is not None and cleared_s > to_s
        assert (None if cleared is None else cleared.timestamp()) == (None if later else cleared_s)


def test_the_surface_day_by_day(path: Path, report: Report) -> None:
    listed = named(report, "surface")
    assert listed
    with closing(opened(path)) as db:
        for ours in listed:
            day = ours.pop("date")
            (row,) = asked_of(db, "surface", Span(day, day))
            assert ours == {name: close(value) for name, value in row.items()}


def test_notes_as_they_stand(plain: Any, report: Report) -> None:
    by_sql = plain("notes")
    ours = [
        (row["number"], row["kind"], row["litres"], row["when"].timestamp()) for row in named(report, "notes")
    ]
    assert ours == [(row["id"], row["kind"], row["litres"], row["happened_s"]) for row in by_sql]
    sheds = [(row["animal"], row["outcome"]) for row in by_sql if row["kind"] == "shed"]
    assert sheds == [(row["animal"], row["outcome"]) for row in named(report, "sheds")]
    assert report.total is not None
    assert report.total.refills == sum(1 for row in by_sql if row["kind"] == "refilled")


def test_days_that_are_thinned_out(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "history.sqlite"
    copy.write_bytes(path.read_bytes())
    span = Span(FIRST, FIRST + timedelta(days=1))
    before = gather(HistoryReader(copy), asked(span)).total
    with closing(open_to_write(copy)) as db:
        while bite(db, 1000, UTC):
            pass
    report = gather(HistoryReader(copy), asked(span))
    assert report.thinned == (FIRST, FIRST + timedelta(days=1))
    assert report.total == before
    assert before is not None
    assert before.day_air is not None
    assert report.dry is None
    (told,) = SECTIONS["dry"](report).remarks[-1:]
    assert told.startswith("Not known for 2 of the days")
    with closing(opened(copy)) as db:
        (row,) = asked_of(db, "thinned", span)
    assert row == {
        "minutes": before.minutes,
        "run_h": close(before.run_h),
        "mean_rh_pct": close(before.mean_rh_pct),
        "day_vpd_kpa": close(before.day_air.vpd_kpa),
        "day_below_h": close(before.day_below_h),
    }
