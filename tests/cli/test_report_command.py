"""report: over a real record, written by the real loop."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.cli import DONE, FAILED, WRONG
from controller.cli import report as report_command
from controller.core.records import Request
from controller.core.state import State
from controller.core.tank import TankMemory
from controller.core.tank_model import Learned
from controller.history.schema import open_to_write
from controller.history.store import SqliteHistory
from controller.history.thin import bite
from controller.loop import Loop
from controller.reporting.sections import SECTIONS
from tests.cli.conftest import Run
from tests.loop.helpers import Bench, FakeProbe, flat

FIRST = datetime(2026, 1, 10, tzinfo=UTC)
DAYS = 2.5


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two and a half days in UTC: half of each hour dry and half humid; one filling."""
    folder = tmp_path_factory.mktemp("kept")
    large_tank = {"tank_l": 100.0, "full_tank_lasts_h": 1000.0}
    bench = Bench(flat(loop={"tick_s": 60.0}, tank=large_tank), for_s=DAYS * 86400.0)
    bench.clock.wall = FIRST
    probe = bench.probe
    assert isinstance(probe, FakeProbe)

    def swing(since_s: float) -> None:
        probe.rh_pct = 58.0 if since_s % 3600.0 < 1800.0 else 67.0
        if since_s == 36000.0:
            bench.inbox.asked.append(Request("refilled", id="f"))

    bench.clock.hooks.append(swing)
    history = SqliteHistory.open(folder / "room" / "history.sqlite")
    Loop(bench.parts(history=history), 60.0).run()
    return folder


@pytest.fixture
def report(run: Run, record: Path, tmp_path: Path) -> Callable[..., tuple[int, str, str]]:
    path = tmp_path / "room.toml"
    path.write_text(f'settings_version = 1\n[room]\nstate_dir = "{record}"\ntimezone = "UTC"\n')

    def command(*words: str) -> tuple[int, str, str]:
        return run("report", "--settings", str(path), *words)

    return command


Report = Callable[..., tuple[int, str, str]]


def test_the_text(report: Report) -> None:
    code, out, err = report("--from", "2026-01-10", "--to", "2026-01-12")
    assert (code, err) == (DONE, "")
    for day in ("2026-01-10", "2026-01-11", "2026-01-12"):
        assert day in out
    assert max(map(len, out.splitlines())) <= 100


def test_json_and_csv_agree_with_the_scene(report: Report) -> None:
    code, out, _ = report("--from", "2026-01-10", "--to", "2026-01-12", "--format", "json")
    assert code == DONE
    days = json.loads(out)["days"]
    assert [day["date"] for day in days] == ["2026-01-10", "2026-01-11", "2026-01-12"]
    assert [day["minutes"] for day in days] == [1440, 1440, 720]
    assert [day["refills"] for day in days] == [1, 0, 0]
    # Dry half of every hour, and the demand follows within the shortest off of two minutes. The scene's air
    # does not follow the mist, so that now and then the tank counts as dry and is only tried for an hour.
    assert days[1]["run_h"] == pytest.approx(12.0, abs=24 * 3 / 60 + 1.0)
    assert 20 <= days[1]["switchings"] <= 24
    assert days[1]["lowest_rh_pct"] == pytest.approx(58.0, abs=0.1)
    assert days[1]["highest_rh_pct"] == pytest.approx(67.0, abs=0.1)
    _, out, _ = report("--from", "2026-01-10", "--to", "2026-01-12", "--format", "csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert [row["minutes"] for row in rows] == ["1440", "1440", "720"]
    assert float(rows[1]["run_h"]) == days[1]["run_h"]


def test_water_goes_by_the_output_that_was_learned(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """As status and the tank do: 0.8 of the 0.4 L/h of the settings."""
    words = ("--from", "2026-01-10", "--to", "2026-01-12", "--format", "json")
    plain = json.loads(report(*words)[1])["days"][1]
    learned = State(tank=TankMemory(learned=Learned(0.4, 0.8, 0.05, 3)))
    monkeypatch.setattr("controller.keep.peek", lambda folder: learned)
    taught = json.loads(report(*words)[1])["days"][1]
    assert plain["used_l"] == pytest.approx(plain["run_h"] * 0.4)
    assert taught["used_l"] == pytest.approx(plain["run_h"] * 0.32)


def test_the_minutes_themselves(report: Report, record: Path) -> None:
    code, out, err = report("--from", "2026-01-11", "--to", "2026-01-11", "--minutes")
    assert (code, err) == (DONE, "")
    rows = list(csv.DictReader(out.splitlines()))
    assert len(rows) == 1440
    assert rows[0]["ended_at"] == "2026-01-11T00:01:00+00:00"
    assert rows[-1]["ended_at"] == "2026-01-12T00:00:00+00:00"
    assert {round(float(row["rh_pct"])) for row in rows} == {58, 67}
    assert (rows[0]["clock_trusted"], rows[0]["is_day"], rows[0]["outdoor_c"]) == ("1", "0", "")
    code, _, err = report("--minutes", "--format", "json")
    assert code == WRONG
    assert "--minutes" in err or "--format" in err


def test_whoever_reads_it_may_have_seen_enough(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in `report --minutes | head`: no complaint about the record."""

    class Closed(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr("sys.stdout", Closed())
    code, _, err = report("--from", "2026-01-11", "--minutes")
    assert (code, err) == (DONE, "")


def test_minutes_that_are_thinned_out_are_told_of(
    run: Run, record: Path, tmp_path: Path, room: Callable[..., Path]
) -> None:
    path = room('timezone = "UTC"')
    copy = tmp_path / "state" / "room" / "history.sqlite"
    copy.parent.mkdir(parents=True)
    copy.write_bytes((record / "room" / "history.sqlite").read_bytes())
    span = ("--from", "2026-01-10", "--to", "2026-01-12")
    before = run("report", "--settings", str(path), *span, "--format", "csv")
    with closing(open_to_write(copy)) as db:
        while bite(db, 1440, UTC):
            pass
    code, out, err = run("report", "--settings", str(path), *span, "--minutes")
    assert code == DONE
    assert len(out.splitlines()) == 1 + 3600 - 9 * 240  # a head, and what nine bites of 3600 minutes leave
    assert "the minutes of 2 days are no longer there" in err
    assert run("report", "--settings", str(path), *span, "--format", "csv") == before


def test_a_part_of_it(report: Report) -> None:
    _, out, _ = report("--from", "2026-01-11", "--to", "2026-01-11", "--format", "json")
    assert [day["date"] for day in json.loads(out)["days"]] == ["2026-01-11"]
    _, out, _ = report("--days", "2", "--to", "2026-01-12", "--format", "json")
    assert [day["date"] for day in json.loads(out)["days"]] == ["2026-01-11", "2026-01-12"]


def test_nothing_recorded_is_said_so(report: Report) -> None:
    code, out, _ = report("--from", "2001-01-01", "--to", "2001-01-02")
    assert code == DONE
    assert out == "Nothing was recorded from 2001-01-01 to 2001-01-02.\n"
    code, out, _ = report("--from", "2001-01-01", "--to", "2001-01-02", "--format", "json")
    assert (code, json.loads(out)["days"], json.loads(out)["total"]) == (DONE, [], None)


def test_no_record_at_all_is_said_so(run: Run, room: Callable[..., Path]) -> None:
    code, out, err = run("report", "--settings", str(room()))
    assert (code, out) == (FAILED, "")
    assert "no record yet" in err
    assert "hygrohold run" in err


def test_a_file_that_is_no_record(run: Run, room: Callable[..., Path], tmp_path: Path) -> None:
    path = tmp_path / "state" / "room" / "history.sqlite"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"nonsense" * 100)
    code, out, err = run("report", "--settings", str(room()))
    assert (code, out) == (FAILED, "")
    assert str(path) in err


@pytest.mark.parametrize(
    "words",
    [
        ("--days", "0"),
        ("--days", "-3"),
        ("--days", "x"),
        ("--days", "99999999"),
        ("--from", "2026-13-01"),
        ("--to", "tomorrow"),
        ("--format", "xml"),
        ("--day", "14"),
        ("--week", "2026-02-30"),
        ("--month", "2026-13"),
        ("--month", "January"),
        ("--year", "26"),
        ("--year", "1969"),
        ("--section", "nothing"),
        ("--section", "runs"),  # without --format csv
    ],
)
def test_a_mistake_is_2(report: Report, words: tuple[str, str]) -> None:
    code, out, err = report(*words)
    assert (code, out) == (WRONG, "")
    assert words[0] in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--month", "2026-13"), "'2026-13' is not a month (year-month) like 2026-01"),
        (("--day", "14.1.2026"), "'14.1.2026' is not a date (year-month-day) like 2026-01-14"),
        (("--year", "1969"), "'1969' is not a year like 2026"),
    ],
)
def test_a_wrong_date_is_named_as_it_was_typed_in_the_last_line(
    report: Report, words: tuple[str, str], said: str
) -> None:
    _, _, err = report(*words)
    assert err.splitlines()[-1].endswith(said)


@pytest.mark.parametrize("words", [("--to", "9999-12-31"), ("--from", "0001-01-01"), ("--to", "0001-01-05")])
def test_the_ends_of_the_calendar_bring_no_traceback(report: Report, words: tuple[str, str]) -> None:
    code, _, _ = report(*words)
    assert code in (DONE, WRONG)


@pytest.mark.parametrize(
    ("words", "first", "last"),
    [
        (("--day", "2026-01-11"), "2026-01-11", "2026-01-11"),
        (("--week", "2026-01-11"), "2026-01-05", "2026-01-11"),  # a Sunday
        (("--month", "2026-02"), "2026-02-01", "2026-02-28"),
        (("--month", "2028-02"), "2028-02-01", "2028-02-29"),
        (("--month", "2026-12"), "2026-12-01", "2026-12-31"),
        (("--year", "2026"), "2026-01-01", "2026-12-31"),
        (("--week", "1970-01-01"), "1970-01-01", "1970-01-04"),  # it began in 1969
    ],
)
def test_spans(report: Report, words: tuple[str, str], first: str, last: str) -> None:
    code, out, err = report(*words, "--format", "json")
    assert (code, err) == (DONE, "")
    found = json.loads(out)
    assert (found["from"], found["to"], found["room"]) == (first, last, "room")


def test_a_year_is_told_by_month(report: Report) -> None:
    _, out, _ = report("--year", "2026")
    assert "\n2026-01 " in out
    _, out, _ = report("--year", "2026", "--format", "csv")
    (row,) = csv.DictReader(out.splitlines())
    assert (row["date"], row["minutes"]) == ("2026-01-01", "3600")
    _, out, _ = report("--year", "2026", "--format", "json")
    found = json.loads(out)
    assert [month["minutes"] for month in found["months"]] == [3600]
    assert [day["minutes"] for day in found["days"]] == [1440, 1440, 720]


def test_each_run_of_a_day_is_listed_and_of_a_month_not(report: Report) -> None:
    _, out, _ = report("--day", "2026-01-11", "--format", "json")
    found = json.loads(out)
    assert len(found["runs"]) == found["days"][0]["switchings"] >= 20
    assert sum(run["run_min"] for run in found["runs"]) == pytest.approx(
        60 * found["days"][0]["run_h"], abs=40
    )
    _, out, _ = report("--month", "2026-01", "--format", "json")
    assert json.loads(out)["runs"] == []
    _, out, _ = report("--month", "2026-01")
    assert "Each run is listed in a report of up to 7 days." in out


@pytest.mark.parametrize("name", report_command.SECTION_NAMES)
def test_each_section_as_csv(report: Report, name: str) -> None:
    code, out, err = report("--day", "2026-01-11", "--format", "csv", "--section", name)
    assert (code, err) == (DONE, "")
    rows = list(csv.reader(out.splitlines()))
    assert all(len(row) == len(rows[0]) for row in rows)
    if name in ("days", "band", "air", "running", "runs", "relay", "refusals"):
        assert len(rows) > 1


def test_the_names_of_sections_are_those_there_are() -> None:
    assert sorted(report_command.SECTION_NAMES) == sorted(["days", *SECTIONS])


def test_the_page_goes_into_a_file(report: Report, tmp_path: Path) -> None:
    page = tmp_path / "january.html"
    code, out, err = report("--month", "2026-01", "--format", "html", "--out", str(page))
    assert (code, err) == (DONE, "")
    assert out.startswith(f"Written: {page} (")
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    _, shown, _ = report("--month", "2026-01", "--format", "html")
    assert shown.startswith("<!doctype html>")


def test_a_file_that_cannot_be_written_is_said_so(report: Report, tmp_path: Path) -> None:
    code, _, err = report("--out", str(tmp_path / "no" / "file"))
    assert code == WRONG
    assert "make it first" in err
    code, _, err = report("--out", str(tmp_path))
    assert code == FAILED
    assert "cannot be written" in err
    code, _, err = report("--minutes", "--out", str(tmp_path / "file"))
    assert code == WRONG
    assert "--out" in err


def test_the_relay_s_life(report: Report, tmp_path: Path, run: Run, record: Path) -> None:
    path = tmp_path / "rated.toml"
    path.write_text(
        f'settings_version = 1\n[room]\nstate_dir = "{record}"\ntimezone = "UTC"\n'
        "[relay]\nrated_operations = 1000\n"
    )
    _, out, _ = run("report", "--settings", str(path), "--day", "2026-01-11", "--format", "json")
    (relay,) = json.loads(out)["relay"]
    ever, own = relay["switchings_ever"], relay["switchings"]
    assert ever > own >= 20
    assert relay["used_pct"] == pytest.approx(ever / 10.0)
    assert relay["years_left"] == pytest.approx((1000 - ever) / (own * 365.25))
    _, out, _ = report("--day", "2026-01-11", "--format", "json")
    (relay,) = json.loads(out)["relay"]
    assert (relay["rated_operations"], relay["used_pct"], relay["years_left"]) == (None, None, None)


def test_in_other_units_for_people_only(run: Run, record: Path, tmp_path: Path) -> None:
    path = tmp_path / "us.toml"
    path.write_text(f'settings_version = 1\n[room]\nstate_dir = "{record}"\ntimezone = "UTC"\nunits = "us"\n')
    _, out, _ = run("report", "--settings", str(path), "--day", "2026-01-11")
    assert "dew °F" in out
    assert "°C" not in out
    _, page, _ = run("report", "--settings", str(path), "--day", "2026-01-11", "--format", "html")
    assert "°F" in page
    assert "°C" not in page
    _, out, _ = run("report", "--settings", str(path), "--day", "2026-01-11", "--format", "json")
    assert json.loads(out)["days"][0]["day_temp_c"] == pytest.approx(24.0, abs=1.0)


def test_days_the_wrong_way_round_are_told(report: Report) -> None:
    code, _, err = report("--from", "2026-01-12", "--to", "2026-01-10")
    assert code == WRONG
    assert "--from" in err


def test_today_is_the_last_day_by_default(report: Report) -> None:
    """The record above is of another year, unless the clock of this machine stands there."""
    today = datetime.now(UTC).date()
    wanted = [
        day for day in range(14) if FIRST.date() <= today - timedelta(days=day) <= FIRST.date() + timedelta(2)
    ]
    _, out, _ = report("--format", "json")
    assert len(json.loads(out)["days"]) == len(wanted)
