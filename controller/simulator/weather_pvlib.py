"""EPW and TMY3 files, read through pvlib: the one door to it and to pandas.

In:    a path (for messages) and the file's lines.
Out:   ``Weather``.
Never: imports pvlib before such a file is met, or hands it a line it would misread in silence
       (a row too long shifts every column, a stray quote swallows rows).

Both formats give temperature and dew point at the moment of the stamp, at the end of its
hour: a year begins at 01:00 on 1 January and ends at midnight. pvlib keeps that for TMY3 and
takes an hour off for EPW; the hour is put back, so both begin at 01:00. Stamps are local
standard time. The months of a typical year come from different years; such a file is laid
onto one year. Where the year changes within the file, the year is only a label.
"""

from __future__ import annotations

import calendar
import io
import re
import warnings
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from controller.core.air import standard_pressure_pa
from controller.errors import DataFileError
from controller.simulator.weather import Weather
from controller.simulator.weather_rows import LONGEST_GAP_H, YEARS, Row, bad, build, number

EPW_HEADER_LINES = 8
EPW_FIELDS = 35  # EnergyPlus weather data dictionary
EPW_MISSING: dict[str, frozenset[float]] = {  # the dictionary's markers, and two seen in its stead
    "temp_air": frozenset((99.9, 999.0, 9999.0)),
    "temp_dew": frozenset((99.9, 999.0, 9999.0)),
    "relative_humidity": frozenset((999.0,)),
    "atmospheric_pressure": frozenset((999999.0,)),
}
TMY3_MISSING = frozenset((-9900.0,))  # NREL/TP-581-43156
EPW_RH_MAX_PCT = 110.0  # the dictionary's own limit; above 100 is read as saturated
ELEVATION_RANGE_M = (-1000.0, 9999.9)
TMY3_COLUMNS = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)", "Pressure (mbar)")
_WHOLE = re.compile(r"[0-9]{1,4}")
_DATE = re.compile(r"([0-9]{2})/([0-9]{2})/([0-9]{4})")
_TIME = re.compile(r"([0-9]{2}):([0-9]{2})")

Numbered = list[tuple[int, str]]


def load_epw(path: Path, lines: Sequence[str]) -> Weather:
    """The open EnergyPlus weather format: 8 header lines, then a row an hour."""
    if not lines[0].upper().startswith("LOCATION,"):
        raise bad(path, 1, f"an EPW file begins with LOCATION; found {lines[0][:40]!r}")
    if len(lines) < EPW_HEADER_LINES:
        raise bad(path, len(lines), f"the file ends within the {EPW_HEADER_LINES} header lines of EPW")
    periods = lines[EPW_HEADER_LINES - 1].upper().split(",")
    if periods[0].strip() != "DATA PERIODS" or len(periods) < 3:
        raise bad(path, EPW_HEADER_LINES, f"DATA PERIODS belongs here; found {','.join(periods)[:40]!r}")
    if periods[2].strip() != "1":
        raise bad(path, EPW_HEADER_LINES, f"{periods[2].strip()[:20]!r} records an hour; only 1 is read")
    rows = _numbered(path, lines, EPW_HEADER_LINES, _check_epw)
    frame, meta = _through_pvlib(path, "read_epw", [lines[0], *["-"] * (EPW_HEADER_LINES - 1)], rows)
    times = [stamp + timedelta(hours=1) for stamp in _one_year(path, rows, frame.index)]
    columns = [_column(path, rows, frame, name, missing) for name, missing in EPW_MISSING.items()]
    return _build(path, rows, times, columns, meta, (meta.get("city"), meta.get("country")))


def load_tmy3(path: Path, lines: Sequence[str]) -> Weather:
    """NREL's typical meteorological year, third edition: two header lines, then a row an hour."""
    header = lines[1].split(",")
    if '"' in lines[1]:
        raise bad(path, 2, "a quotation mark does not belong in the names of TMY3's columns")
    for name in TMY3_COLUMNS:
        if name not in header:
            raise bad(path, 2, f"column {name!r} of TMY3 is missing")
    rows = _numbered(path, lines, 2, lambda cells: _check_tmy3(cells, len(header)))
    frame, meta = _through_pvlib(path, "read_tmy3", lines[:2], rows, map_variables=False)
    times = _one_year(path, rows, frame.index)
    columns = [_column(path, rows, frame, name, TMY3_MISSING) for name in TMY3_COLUMNS]
    columns[3] = [None if value is None else value * 100.0 for value in columns[3]]  # mbar
    return _build(path, rows, times, columns, meta, (meta.get("Name"), meta.get("State")))


def _numbered(path: Path, lines: Sequence[str], skip: int, check: Callable[[list[str]], str]) -> Numbered:
    """The data lines with their numbers; blank ones dropped, each checked for what misleads a reader."""
    rows = [(at, line) for at, line in enumerate(lines[skip:], skip + 1) if line.strip()]
    if not rows:
        raise bad(path, len(lines), "no row of weather after the header")
    for line_number, line in rows:
        trouble = "a quotation mark does not belong in a row" if '"' in line else check(line.split(","))
        if trouble:
            raise bad(path, line_number, trouble)
    return rows


def _check_epw(cells: list[str]) -> str:
    """What is wrong with a row's shape or stamp; "" when nothing is."""
    if not 10 <= len(cells) <= EPW_FIELDS:
        return f"{len(cells)} fields; an EPW row has {EPW_FIELDS} (10 at least, up to the pressure)"
    year, month, day, hour = (cell.strip() for cell in cells[:4])
    if not all(_WHOLE.fullmatch(cell) for cell in (year, month, day, hour)):
        return f"year, month, day, hour are {','.join(cells[:4])[:40]!r}; whole numbers are needed"
    return _check_stamp(int(year), int(month), int(day)) or (
        "" if 1 <= int(hour) <= 24 else f"hour is {int(hour)}; EPW counts from 1 to 24"
    )


def _check_tmy3(cells: list[str], width: int) -> str:
    if len(cells) != width:
        return f"{len(cells)} fields; the header names {width}"
    day, time = _DATE.fullmatch(cells[0]), _TIME.fullmatch(cells[1])
    if day is None or time is None:
        return f"date and time are {','.join(cells[:2])[:40]!r}; MM/DD/YYYY,HH:MM is needed"
    if (day[1], day[2]) == ("02", "29"):
        return "29 February; a TMY3 year has 365 days"
    if int(time[1]) > 24 or int(time[2]) > 59 or (time[1] == "24" and time[2] != "00"):
        return f"time is {cells[1]!r}; 00:00 to 24:00 is allowed"
    return _check_stamp(int(day[3]), int(day[1]), int(day[2]))


def _check_stamp(year: int, month: int, day: int) -> str:
    try:
        date(year, month, day)
    except ValueError:
        return f"there is no day {year}-{month}-{day}"
    return "" if YEARS[0] <= year <= YEARS[1] else f"year is {year}; {YEARS[0]} to {YEARS[1]} is allowed"


def _through_pvlib(
    path: Path, reader: str, header: Sequence[str], rows: Numbered, **options: Any
) -> tuple[Any, dict[str, Any]]:
    try:
        from pvlib import iotools
    except ImportError:
        kind = path.suffix if path.suffix.lower() == ".epw" else reader.removeprefix("read_").upper()
        raise DataFileError(
            f"{path}: reading {kind} needs pvlib: pip install '.[weather]' in the program's folder"
        ) from None
    text = "\n".join([*header, *(line for _, line in rows)]) + "\n"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of pandas, about a file that is checked right after
            frame, meta = getattr(iotools, reader)(io.StringIO(text), **options)
    except Exception as error:  # pvlib lets out whatever pandas meets; the header is all that is unchecked
        raise bad(path, 1, f"pvlib cannot read the header: {type(error).__name__}: {error}"[:300]) from None
    if len(frame) != len(rows):
        raise bad(path, rows[0][0], f"pvlib read {len(frame)} rows where the file has {len(rows)}")
    return frame, meta


def _column(
    path: Path, rows: Numbered, frame: Any, name: str, missing: frozenset[float]
) -> list[float | None]:
    values: list[float | None] = []
    over_full = name in ("relative_humidity", "RHum (%)")
    for (line, _), cell in zip(rows, frame[name].tolist(), strict=True):
        value = number(path, line, name, str(cell))
        if value in missing:
            value = None
        elif over_full and value is not None and 100.0 < value <= EPW_RH_MAX_PCT:
            value = 100.0
        values.append(value)
    return values


def _one_year(path: Path, rows: Numbered, index: Any) -> list[datetime]:
    """The stamps as they are where they run on, else laid onto one year (and over its end).

    The year has a 29 February when a row has one; else a common year is taken, for in a leap year
    the step from 28 February to 1 March would be a day too long. pvlib's own ``coerce_year`` is
    not used: it moves the last row a year on whatever its date.
    """
    stamps: list[datetime] = [stamp.to_pydatetime() for stamp in index]
    longest = timedelta(hours=LONGEST_GAP_H + 1)
    if all(timedelta() < later - sooner <= longest for sooner, later in pairwise(stamps)):
        return stamps
    leap = any((stamp.month, stamp.day) == (2, 29) for stamp in stamps)
    year = stamps[0].year
    while calendar.isleap(year) != leap:
        year += 1
    laid: list[datetime] = []
    before = stamps[0].month
    for (line, _), stamp in zip(rows, stamps, strict=True):
        year += before == 12 and stamp.month == 1
        before = stamp.month
        try:
            laid.append(stamp.replace(year=year))
        except ValueError:
            raise bad(path, line, "29 February, and the year changes within the file") from None
    return laid


def _build(
    path: Path,
    rows: Numbered,
    times: Sequence[datetime],
    columns: Sequence[Sequence[float | None]],
    meta: dict[str, Any],
    place: tuple[str | None, str | None],
) -> Weather:
    elevation_m = float(meta["altitude"])
    low, high = ELEVATION_RANGE_M
    if not low <= elevation_m <= high:
        raise bad(path, 1, f"elevation is {elevation_m:g} m; {low:g} to {high:g} is allowed")
    words = ", ".join(part.strip(' "') for part in place if part and part.strip(' "-'))
    made = [
        Row(line, at, temp_c, dew_c, rh_pct, pressure_pa)
        for (line, _), at, temp_c, dew_c, rh_pct, pressure_pa in zip(rows, times, *columns, strict=True)
    ]
    name = f"{words} ({path.name})" if words else path.name
    return build(path, made, name=name, usual_pressure_pa=standard_pressure_pa(elevation_m))
