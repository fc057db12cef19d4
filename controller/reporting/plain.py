"""PLAIN: a report for programs: CSV and JSON, figures unrounded and in SI units.

In: a report. Out: text. Never: shows a figure in a keeper's own units.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from io import StringIO
from typing import Any

from controller.reporting.figures import DayFigures
from controller.reporting.gather import Report
from controller.reporting.section import Section
from controller.reporting.sections import SECTIONS
from controller.reporting.sections_air import of_air

_PLAIN = tuple(name for name in DayFigures._fields if name not in ("reasons_h", "day_air", "night_air"))
_AIR = ("air_h", "rh_pct", "temp_c", "dew_c", "vpd_kpa")


def as_csv(figures: Sequence[DayFigures]) -> str:
    """A line a day, figures unrounded, an empty field for what is not known."""
    rows = (
        [*(_of(day, name) for name in _PLAIN), *day.longest_reason, *_airs(day).values()] for day in figures
    )
    return _csv((*_PLAIN, "longest_reason", "longest_reason_h", *_air_names()), rows)


def section_csv(section: Section) -> str:
    """A line a row. What people wrote is in it: a program that reads it must not take it for formulas."""
    return _csv(
        [column.name for column in section.columns], ([_text(each) for each in row] for row in section.rows)
    )


def _csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return out.getvalue()


def days_json(figures: Sequence[DayFigures]) -> list[dict[str, Any]]:
    """Days, each with all its reasons in hours."""
    return [
        {
            **{name: _text(_of(day, name)) for name in _PLAIN},
            "reasons_h": dict(day.reasons_h),
            **_airs(day),
        }
        for day in figures
    ]


def as_json(report: Report) -> str:
    asked = report.asked
    found: dict[str, Any] = {
        "room": asked.room,
        "from": asked.span.first.isoformat(),
        "to": asked.span.last.isoformat(),
        "time_zone": str(asked.tz),
        "output_l_per_h": asked.output_l_per_h,
        "thinned_days": [day.isoformat() for day in report.thinned],
        "days": days_json(report.days),
        "months": days_json(report.rows) if asked.span.monthly else [],
        "total": days_json([report.total])[0] if report.total is not None else None,
    }
    for name, make in SECTIONS.items():
        if name not in ("band", "air", "running"):  # they are in the days
            found[name] = _rows(make(report))
    return json.dumps(found, indent=2, allow_nan=False) + "\n"


def _rows(section: Section) -> list[dict[str, Any]]:
    names = [column.name for column in section.columns]
    return [dict(zip(names, map(_text, row), strict=True)) for row in section.rows]


def _of(day: DayFigures, name: str) -> Any:
    return getattr(day, name)


def _airs(day: DayFigures) -> dict[str, float | None]:
    figures = []
    for air in (day.day_air, day.night_air):
        figures += [None if air is None else air.hours, *of_air(air)]
    return dict(zip(_air_names(), figures, strict=True))


def _air_names() -> list[str]:
    return [f"{part}_{name}" for part in ("day", "night") for name in _AIR]


def _text(value: Any) -> Any:
    """Times with their offset, so that none comes twice in autumn."""
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    return value.isoformat() if isinstance(value, date) else value
