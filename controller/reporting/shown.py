"""SHOWN: how each kind of figure is shown to people, in the units that they chose.

In: plain figures. Out: short texts. Never: used for CSV or JSON, which carry figures as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any, NamedTuple

from controller.core import units
from controller.core.units import UnitSystem
from controller.reporting.section import Column

UNKNOWN = "-"


class Look(NamedTuple):
    """In which form figures are shown."""

    units: UnitSystem = "si"
    monthly: bool = False
    near: date | None = None  # days of that year need no year
    one_day: bool = False  # nothing but that day is told of: its times need no date

    def cell(self, value: Any, kind: str) -> str:
        if value is None or value == "":
            return UNKNOWN
        if kind == "day":
            return self.day(value)
        if kind == "when":
            return self.when(value)
        if kind == "temp":
            return self.said(f"{value:.1f} °C").rpartition(" ")[0]
        if kind == "litres":
            return self.said(f"{value:.2f} L")
        return PLAIN[kind](value) if kind in PLAIN else self.said(str(value))

    def when(self, moment: datetime) -> str:
        if self.one_day and moment.date() == self.near:
            return f"{moment:%H:%M}"
        return f"{self.day(moment)} {moment:%H:%M}"

    def head(self, column: Column) -> str:
        return column.head.replace("°C", "°F") if self.units == "us" else column.head

    def day(self, day: date) -> str:
        if self.monthly and not isinstance(day, datetime):
            return f"{day:%Y-%m}"
        if self.near is not None and day.year == self.near.year:
            return f"{day.day} {day:%b}"
        return f"{day:%Y-%m-%d}"

    def said(self, words: str) -> str:
        return units.said(words, self.units)


PLAIN: dict[str, Callable[[Any], str]] = {
    "hours": lambda value: f"{value:.1f}",
    "minutes": lambda value: f"{value:.0f}",
    "pct": lambda value: f"{value:.0f}",
    "kpa": lambda value: f"{value:.2f}",
    "count": lambda value: f"{value:.0f}",
    "index": lambda value: f"{value:.2f}",
    "share": lambda value: f"{value:.1f} %",
    "years": lambda value: f"{value:.1f}" if value < 100.0 else "over 100",
}


def is_figure(kind: str) -> bool:
    """Whether it stands at the right of its column."""
    return kind not in ("text", "when", "day")
