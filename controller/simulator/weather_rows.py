"""Rows of a weather file become ``Weather``, or an error that names file and line.

In:    rows in the file's order, with None for what the file says is missing.
Out:   ``Weather``.
Never: guesses over a gap longer than ``LONGEST_GAP_H``, or takes a figure outside its range.

The dew point is preferred over the RH where a row has both: real files have rows where the
two differ by more than 5 %RH, and the dew point is the observed one. Below 0 °C both are
taken over ice, as everywhere in this program.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from statistics import median_low
from typing import NamedTuple

from controller.core.air import STANDARD_PRESSURE_PA, humidity_ratio, humidity_ratio_from_dew_point
from controller.errors import DataFileError
from controller.simulator.weather import HOUR_S, Outdoor, Weather

LONGEST_GAP_H = 6
"""How many hours may be missing between two rows and still be bridged by a straight line."""
TEMP_RANGE_C = (
    -90.0,
    60.0,
)  # a little over the records: -89.2 °C Vostok 1983, 56.7 °C Death Valley 1913 (WMO)
DEW_RANGE_C = (-99.0, 60.0)  # from where the saturation formula begins (ASHRAE HoF 2017 ch.1: -100 °C)
RH_RANGE_PCT = (0.0, 100.0)
FRACTION = 1.0
"""A file whose RH is never above this is written in fractions, not in %."""
PRESSURE_RANGE_PA = (31000.0, 120000.0)  # EnergyPlus weather data dictionary
DEW_ABOVE_TEMP_C = 1.0  # rounding and two instruments explain no more
YEARS = (1800, 2200)


class Row(NamedTuple):
    """One row of a file; ``line`` counts from 1. None: the file says it is missing."""

    line: int
    at: datetime
    temp_c: float | None
    dew_c: float | None
    rh_pct: float | None
    pressure_pa: float | None


def bad(path: Path, line: int, words: str) -> DataFileError:
    return DataFileError(f"{path}:{line}: {words}")


def number(path: Path, line: int, what: str, cell: str) -> float | None:
    """The figure in a cell, None for a blank or a word for missing."""
    text = cell.strip()
    if text.lower() in {"", "nan", "na", "n/a", "null", "none", "-"}:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if value - value != 0.0 or "_" in text:  # inf, nan, and 1_000, which only Python reads
        raise bad(path, line, f"{what} is {text[:40]!r}; a number is needed")
    return value


def build(
    path: Path, rows: Sequence[Row], *, name: str, usual_pressure_pa: float = STANDARD_PRESSURE_PA
) -> Weather:
    """Checks the rows and makes the series. ``usual_pressure_pa`` serves a file with no pressure at all."""
    humid = [row for row in rows if row.rh_pct is not None]
    if humid and max(row.rh_pct or 0.0 for row in humid) <= FRACTION:
        raise bad(path, humid[0].line, "RH is never above 1: write it in %, 80 and not 0.8")
    if len(rows) < 2:
        line = rows[0].line if rows else 1
        raise bad(path, line, f"{len(rows)} rows of weather; two are needed at least")
    for row in rows:
        _check(path, row)
    start = rows[0].at
    times_s = [(row.at - start).total_seconds() for row in rows]
    step_s = _step_s(path, rows, times_s)
    pressures_pa = _pressures(rows, times_s, usual_pressure_pa)
    known_s: list[float] = []
    points: list[Outdoor] = []
    lines: list[int] = []
    for row, time_s, pressure_pa in zip(rows, times_s, pressures_pa, strict=True):
        point = _outdoor(row, pressure_pa)
        if point is not None:
            known_s.append(time_s)
            points.append(point)
            lines.append(row.line)
    if not points:
        raise bad(path, rows[0].line, "no row has both a temperature and a dew point or RH")
    period_s = times_s[-1] + step_s
    gaps = _gaps(path, [*known_s, known_s[0] + period_s], lines, step_s)
    return Weather(known_s, points, period_s=period_s, name=name, start=start, gaps_filled=gaps)


def _check(path: Path, row: Row) -> None:
    for what, value, (low, high) in (
        ("temperature in °C", row.temp_c, TEMP_RANGE_C),
        ("dew point in °C", row.dew_c, DEW_RANGE_C),
        ("RH in %", row.rh_pct, RH_RANGE_PCT),
        ("pressure in Pa", row.pressure_pa, PRESSURE_RANGE_PA),
        ("year", row.at.year, YEARS),
    ):
        if value is not None and not low <= value <= high:
            raise bad(path, row.line, f"{what} is {value:g}; {low:g} to {high:g} is allowed")
    if row.temp_c is not None and row.dew_c is not None and row.dew_c > row.temp_c + DEW_ABOVE_TEMP_C:
        raise bad(
            path,
            row.line,
            f"dew point {row.dew_c:g} °C is above the air's {row.temp_c:g} °C;"
            f" at most {DEW_ABOVE_TEMP_C:g} °C above is allowed",
        )


def _step_s(path: Path, rows: Sequence[Row], times_s: Sequence[float]) -> float:
    """The file's usual step: the middle one, so that gaps do not count."""
    steps_s = []
    for index in range(1, len(rows)):
        step_s = times_s[index] - times_s[index - 1]
        if step_s <= 0.0:
            raise bad(
                path,
                rows[index].line,
                f"time {rows[index].at.isoformat(' ')} is not later than the row before"
                f" ({rows[index - 1].at.isoformat(' ')}); times must increase, without daylight saving",
            )
        steps_s.append(step_s)
    step_s = median_low(steps_s)
    if step_s > LONGEST_GAP_H * HOUR_S:
        raise bad(
            path,
            rows[1].line,
            f"rows are {step_s / HOUR_S:g} h apart; at most {LONGEST_GAP_H} h is allowed, one hour is usual",
        )
    return step_s


def _outdoor(row: Row, pressure_pa: float) -> Outdoor | None:
    """The row's air; None where the row does not say it."""
    if row.temp_c is None:
        return None
    if row.dew_c is not None:
        ratio = humidity_ratio_from_dew_point(min(row.dew_c, row.temp_c), pressure_pa)
    elif row.rh_pct is not None:
        ratio = humidity_ratio(row.temp_c, row.rh_pct, pressure_pa)
    else:
        return None
    return Outdoor(row.temp_c, ratio, pressure_pa)


def _gaps(path: Path, seen_s: Sequence[float], lines: Sequence[int], step_s: float) -> int:
    """How many gaps are bridged. ``seen_s`` ends with the first point of the next round."""
    gaps = 0
    for index in range(1, len(seen_s)):
        missing_s = seen_s[index] - seen_s[index - 1] - step_s
        if missing_s > LONGEST_GAP_H * HOUR_S:
            raise bad(
                path,
                lines[index - 1],
                f"after this row {missing_s / HOUR_S:g} h are missing; at most {LONGEST_GAP_H} h is bridged",
            )
        gaps += missing_s > 0.5 * step_s
    return gaps


def _pressures(rows: Sequence[Row], times_s: Sequence[float], usual_pa: float) -> list[float]:
    """Pressure for every row: straight lines between the known, the nearest at the ends.

    However long it is missing: a whole front's pressure changes the humidity ratio by 3 %.
    """
    known = [(time_s, row.pressure_pa) for row, time_s in zip(rows, times_s, strict=True)]
    seen_s = [time_s for time_s, pressure_pa in known if pressure_pa is not None]
    seen_pa = [pressure_pa for _, pressure_pa in known if pressure_pa is not None]
    if not seen_pa:
        return [usual_pa] * len(rows)
    filled = []
    for time_s, pressure_pa in known:
        if pressure_pa is None:
            after = bisect_left(seen_s, time_s)
            pressure_pa = seen_pa[min(after, len(seen_pa) - 1)]
            if 0 < after < len(seen_s):
                share = (time_s - seen_s[after - 1]) / (seen_s[after] - seen_s[after - 1])
                pressure_pa = seen_pa[after - 1] + share * (seen_pa[after] - seen_pa[after - 1])
        filled.append(pressure_pa)
    return filled
