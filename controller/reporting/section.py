"""SECTION: a part of a report as a table, one form for text, CSV, JSON and the page.

In: nothing. Out: columns and rows of plain figures, and sentences beside them.
Never: rounds a figure or formats one: how a kind of figure is shown is told by ``shown.py``.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Any, NamedTuple

from controller import journal


class Column(NamedTuple):
    name: str  # in CSV and JSON, with its unit
    head: str  # over a table; "" for what only programs read
    kind: str = "text"  # or when, day, hours, minutes, pct, temp, kpa, litres, count, index, share, years
    group: str = ""  # stands over the heads of those that share it


class Section(NamedTuple):
    name: str
    title: str
    columns: tuple[Column, ...]
    rows: list[tuple[Any, ...]]
    remarks: tuple[str, ...] = ()


DATE = Column("date", "date", "day")


def heads(section: Section) -> Iterator[tuple[int, Column]]:
    """The columns that people see, with their places."""
    return ((place, column) for place, column in enumerate(section.columns) if column.head)


def moment(at_s: float, tz: tzinfo) -> datetime:
    """What no calendar has is shown at its edge."""
    return datetime.fromtimestamp(min(max(at_s, 0.0), journal.LAST_S), tz)
