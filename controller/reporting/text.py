"""TEXT: a report for a terminal, at most 100 columns wide: the table of days, then a table each.

In: a report. Out: text. Never: shows a section that has nothing to say.
"""

from __future__ import annotations

import textwrap

from controller.reporting import days_text
from controller.reporting.gather import Report
from controller.reporting.section import Section, heads
from controller.reporting.sections import sections
from controller.reporting.shown import Look, is_figure

WIDTH = 100
BETWEEN = 2
"""Blanks between two columns."""
IN_THE_TABLE_OF_DAYS = ("band", "running")


def as_text(report: Report, look: Look) -> str:
    parts = [days_text.as_text(report.rows, look.monthly, look.units)]
    for section in sections(report):
        if section.name not in IN_THE_TABLE_OF_DAYS and (section.rows or section.remarks):
            parts.append(section_text(section, look))
    return "\n".join(parts)


def section_text(section: Section, look: Look) -> str:
    lines = [section.title, "=" * len(section.title)]
    if section.rows:
        lines += _table(section, look)
    for remark in section.remarks:
        lines += textwrap.wrap(look.said(remark), WIDTH)
    return "\n".join(lines) + "\n"


def _table(section: Section, look: Look) -> list[str]:
    seen = list(heads(section))
    cells = [[look.cell(row[place], column.kind) for place, column in seen] for row in section.rows]
    titles = [look.head(column) for _, column in seen]
    kinds = [column.kind for _, column in seen]
    widths = _fitting([max(map(len, each)) for each in zip(titles, *cells, strict=True)], kinds)
    lines = [_groups([column.group for _, column in seen], widths)]
    for row in (titles, ["-" * width for width in widths], *cells):
        lines += _lines(row, widths, kinds)
    return [line for line in lines if line]


def _fitting(widths: list[int], kinds: list[str]) -> list[int]:
    """Takes from the widest column of words until the table fits."""
    fitting = list(widths)
    words = [place for place, kind in enumerate(kinds) if kind == "text"]
    while words and sum(fitting) + BETWEEN * (len(fitting) - 1) > WIDTH:
        fitting[max(words, key=lambda place: fitting[place])] -= 1
    return fitting


def _groups(names: list[str], widths: list[int]) -> str:
    """Each name over the first column of its group; "" where there is none."""
    line, at = "", 0
    for before, name, width in zip(["", *names], names, widths, strict=False):
        if name and name != before:
            line = f"{line:<{at}}{name}"
        at += width + BETWEEN
    return line


def _lines(row: list[str], widths: list[int], kinds: list[str]) -> list[str]:
    """Words that do not fit go on below."""
    parts = [
        (textwrap.wrap(cell, width) or [""]) if kind == "text" else [cell]
        for cell, width, kind in zip(row, widths, kinds, strict=True)
    ]
    lines = []
    for n in range(max(map(len, parts))):
        cells = [part[n] if n < len(part) else "" for part in parts]
        padded = [
            cell.rjust(width) if is_figure(kind) else cell.ljust(width)
            for cell, width, kind in zip(cells, widths, kinds, strict=True)
        ]
        lines.append((" " * BETWEEN).join(padded).rstrip())
    return lines
