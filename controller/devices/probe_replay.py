"""A probe that replays a CSV file, row by row as its times say.

In:    a file with the columns ``time,rh_pct,temp_c`` (others are ignored), and the loop's clock.
       ``time`` is ISO 8601 with an offset or Z, or seconds; the first row falls on the first reading.
Out:   the last row whose time has come, and how old it is, so that a gap in the file ages like
       a silent probe. An empty humidity, or the time after the last row, is a failed reading.
Never: raises at a reading, or reads the file again after the start.
"""

from __future__ import annotations

import csv
import re
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from pathlib import Path

from controller.core.records import Reading
from controller.errors import DataFileError
from controller.files import read_small

LARGEST_BYTES = 64 * 1024 * 1024
_COLUMNS = ("time", "rh_pct", "temp_c")
_HEADER_HINT = "the first line must be time,rh_pct,temp_c"
_PLAIN_NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{0,15})?", re.ASCII)


class ReplayProbe:
    """``now`` gives the loop's elapsed seconds, real or simulated."""

    def __init__(self, path: Path, now: Callable[[], float], name: str = "") -> None:
        self.name = name or f"replay of {path.name}"
        self._now = now
        self._times_s, self._readings = _load(path)
        self._began_s: float | None = None

    def read(self) -> Reading:
        now_s = self._now()
        if self._began_s is None:
            self._began_s = now_s
        at_s = max(0.0, now_s - self._began_s)
        if at_s > self._times_s[-1]:
            return Reading(failure="the replay file has ended")
        row = bisect_right(self._times_s, at_s) - 1
        return self._readings[row]._replace(age_s=at_s - self._times_s[row])


def _load(path: Path) -> tuple[list[float], list[Reading]]:
    """Every row, times counted from the first."""
    try:
        text = read_small(path, LARGEST_BYTES).decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except FileNotFoundError:
        raise DataFileError(f"{path}: there is no such file; look at the probe's file setting") from None
    except UnicodeDecodeError:
        raise DataFileError(f"{path}: this is not text in UTF-8; save it as CSV, encoding UTF-8") from None
    except OSError as error:
        raise DataFileError(f"{path}: cannot be read ({error.strerror or error})") from None
    except ValueError as error:
        raise DataFileError(f"{path}: cannot be read ({error})") from None
    if "\0" in text:
        raise DataFileError(f"{path}: this is not text; save it as CSV, encoding UTF-8")
    try:
        return _rows(path, text)
    except csv.Error as error:
        raise DataFileError(
            f"{path}: this is not a CSV file ({error}); save it as CSV, encoding UTF-8"
        ) from None


def _rows(path: Path, text: str) -> tuple[list[float], list[Reading]]:
    lines = _numbered(text)
    line, header = next(lines, (1, []))
    where = _columns(path, line, header)
    times: list[float] = []
    readings: list[Reading] = []
    iso: bool | None = None
    for line, cells in lines:
        at = f"{path}:{line}"
        if len(cells) != len(header):
            raise DataFileError(
                f"{at}: {len(cells)} cells where the first line has {len(header)}; numbers need a "
                "decimal point, not a comma"
            )
        when, rh, temp = (cells[index].strip() for index in where)
        seconds, this_iso = _seconds(at, when)
        if iso not in (None, this_iso):
            raise DataFileError(f"{at}: time {when!r}: use dates in every row, or seconds in every row")
        if times and seconds <= times[-1]:
            raise DataFileError(
                f"{at}: time {when!r} is not later than the row before; sort the rows by time"
            )
        iso = this_iso
        times.append(seconds)
        readings.append(_reading(at, rh, temp))
    if not times:
        raise DataFileError(f"{path}: no rows below the first line; at least one is needed")
    return [seconds - times[0] for seconds in times], readings


def _numbered(text: str) -> Iterator[tuple[int, list[str]]]:
    """Rows that hold anything, with the line each ends on."""
    reader = csv.reader(text.splitlines(keepends=True), strict=True)
    for cells in reader:
        if any(cell.strip() for cell in cells):
            yield reader.line_num, cells


def _columns(path: Path, line: int, header: Iterable[str]) -> list[int]:
    names = [cell.strip().lower() for cell in header]
    if not names:
        raise DataFileError(f"{path}: the file is empty; {_HEADER_HINT}")
    for column in _COLUMNS:
        if names.count(column) != 1:
            trouble = "there is no column" if column not in names else "there is more than one column"
            raise DataFileError(f"{path}:{line}: {trouble} {column!r}; {_HEADER_HINT}")
    return [names.index(column) for column in _COLUMNS]


def _seconds(at: str, when: str) -> tuple[float, bool]:
    if _PLAIN_NUMBER.fullmatch(when):
        return float(when), False
    try:
        moment = datetime.fromisoformat(when)
    except ValueError:
        raise DataFileError(
            f"{at}: time {when!r} is neither a date such as 2026-01-31T18:00:00+01:00 nor a number of seconds"
        ) from None
    if moment.utcoffset() is None:
        raise DataFileError(
            f"{at}: time {when!r} does not say its offset from UTC; add Z or an offset such as +01:00"
        )
    return moment.timestamp(), True


def _reading(at: str, rh: str, temp: str) -> Reading:
    temp_c = _figure(at, "temp_c", temp) if temp else None
    if not rh:
        return Reading(temp_c=temp_c, failure=f"the replay file has no humidity here ({at})")
    return Reading(_figure(at, "rh_pct", rh), temp_c)


def _figure(at: str, column: str, text: str) -> float:
    if not _PLAIN_NUMBER.fullmatch(text):
        raise DataFileError(
            f"{at}: {column} {text!r} is not a number; write it like 55.2, or leave the cell empty"
        )
    return float(text)
