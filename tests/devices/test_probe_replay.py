"""Replay of a CSV on a clock that only the test moves."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.core.records import Reading
from controller.devices.probe_replay import ReplayProbe
from controller.errors import DataFileError


class Now:
    s = 5000.0

    def __call__(self) -> float:
        return self.s


def replay(tmp_path: Path, text: str | bytes) -> tuple[ReplayProbe, Now]:
    path = tmp_path / "room.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    now = Now()
    return ReplayProbe(path, now), now


def test_rows_fall_due_from_the_first_reading_on(tmp_path: Path) -> None:
    probe, now = replay(tmp_path, "time,rh_pct,temp_c\n0,50,20\n60,51.5,-1.25\n300,52,21\n")
    now.s = 9000.0
    assert probe.read() == Reading(50.0, 20.0, 0.0)
    now.s += 59.0
    assert probe.read() == Reading(50.0, 20.0, 59.0)
    now.s += 1.0
    assert probe.read() == Reading(51.5, -1.25, 0.0)
    now.s += 200.0  # a gap in the file ages
    assert probe.read() == Reading(51.5, -1.25, 200.0)
    now.s += 40.0
    assert probe.read() == Reading(52.0, 21.0, 0.0)
    now.s += 0.001
    assert probe.read() == Reading(failure="the replay file has ended")


def test_dates_with_offsets_are_elapsed_time(tmp_path: Path) -> None:
    # Spring change of Central Europe, 29 March 2026, 01:00 UTC (Directive 2000/84/EC): from 01:59:30+01:00
    # to 03:00:30+02:00 is a minute.
    probe, now = replay(
        tmp_path,
        "time,rh_pct,temp_c\n2026-03-29T01:59:30+01:00,50,20\n2026-03-29T03:00:30+02:00,51,20\n"
        "2026-03-29T01:01:30Z,52,20\n",
    )
    assert probe.read().rh_pct == 50.0
    now.s += 60.0
    assert probe.read() == Reading(51.0, 20.0, 0.0)
    now.s += 60.0
    assert probe.read() == Reading(52.0, 20.0, 0.0)


def test_seconds_need_not_begin_at_zero(tmp_path: Path) -> None:
    probe, now = replay(tmp_path, "time,rh_pct,temp_c\n-30.5,50,20\n29.5,51,20\n")
    assert probe.read() == Reading(50.0, 20.0, 0.0)
    now.s += 60.0
    assert probe.read() == Reading(51.0, 20.0, 0.0)


def test_columns_in_any_order_with_others_beside(tmp_path: Path) -> None:
    text = '\ufeffnote, Temp_C ,rh_pct,time\r\n\r\n"door, open",20,50,0\r\n'
    probe, _ = replay(tmp_path, text)
    assert probe.read() == Reading(50.0, 20.0, 0.0)


def test_empty_humidity_is_a_failed_reading(tmp_path: Path) -> None:
    probe, now = replay(tmp_path, "time,rh_pct,temp_c\n0,50,20\n60,,20\n120,52,\n")
    probe.read()
    now.s += 60.0
    reading = probe.read()
    assert reading.rh_pct is None
    assert "room.csv:3" in reading.failure
    now.s += 60.0
    assert probe.read() == Reading(52.0, None, 0.0)


def test_is_read_at_the_start_only(tmp_path: Path) -> None:
    probe, _ = replay(tmp_path, "time,rh_pct,temp_c\n0,50,20\n")
    (tmp_path / "room.csv").unlink()
    assert probe.read().rh_pct == 50.0


def test_a_clock_that_goes_back_is_borne(tmp_path: Path) -> None:
    probe, now = replay(tmp_path, "time,rh_pct,temp_c\n0,50,20\n60,51,20\n")
    probe.read()
    now.s -= 100.0
    assert probe.read() == Reading(50.0, 20.0, 0.0)


HEAD = "time,rh_pct,temp_c\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", r"room\.csv: the file is empty"),
        ("\n\n", r"room\.csv: the file is empty"),
        (HEAD, r"room\.csv: no rows"),
        ("time,temp_c\n0,20\n", r"room\.csv:1: there is no column 'rh_pct'.*first line must be"),
        ("0,50,20\n", r"room\.csv:1: there is no column 'time'"),
        ("time,rh_pct,rh_pct,temp_c\n0,1,2,3\n", r"room\.csv:1: there is more than one column 'rh_pct'"),
        (HEAD + "0,50,20\n60,damp,20\n", r"room\.csv:3: rh_pct 'damp' is not a number"),
        (HEAD + "0,50,nan\n", r"room\.csv:2: temp_c 'nan' is not a number"),
        (HEAD + "0,inf,20\n", r"room\.csv:2: rh_pct 'inf' is not a number"),
        (HEAD + "0,50,20\n0,51,20\n", r"room\.csv:3: time '0' is not later.*sort"),
        (HEAD + "60,50,20\n\n0,51,20\n", r"room\.csv:4: time '0' is not later"),
        (HEAD + "2026-01-01T10:00:00,50,20\n", r"room\.csv:2: time .* offset from UTC; add Z"),
        (HEAD + "yesterday,50,20\n", r"room\.csv:2: time 'yesterday' is neither a date"),
        (HEAD + ",50,20\n", r"room\.csv:2: time '' is neither"),
        (HEAD + "0,50,20\n2026-01-01T10:00:00Z,50,20\n", r"room\.csv:3: .*seconds in every row"),
        (HEAD + "0,50\n", r"room\.csv:2: 2 cells where the first line has 3"),
        (HEAD + "0,50,5,20\n", r"room\.csv:2: 4 cells .* decimal point"),
        (HEAD + '0,"50,20\n', r"room\.csv: this is not a CSV file"),
        (b"\xff\xfe\x00time", r"room\.csv: this is not text"),
        (b"time,rh_pct,temp_c\n0,\x00,20\n", r"room\.csv: this is not text"),
    ],
)  # fmt: skip
def test_a_bad_file_is_named_with_line_and_remedy(tmp_path: Path, text: str | bytes, words: str) -> None:
    with pytest.raises(DataFileError, match=words):
        replay(tmp_path, text)


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match=r"nowhere\.csv: there is no such file"):
        ReplayProbe(tmp_path / "nowhere.csv", Now())
    with pytest.raises(DataFileError, match="cannot be read"):
        ReplayProbe(tmp_path, Now())
