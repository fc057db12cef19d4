"""PAGE: a report as one HTML file that needs nothing else: no script, no network.

In:    a report, how figures are shown, when it is made.
Out:   HTML. Without the drawing library: tables only, and how to get the charts.
Never: lets what a person wrote be anything but text.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from html import escape
from itertools import groupby
from typing import Any

from controller.core.keeper import duration_words
from controller.reporting import charts
from controller.reporting.gather import Report, Span
from controller.reporting.plots import Plot, plots
from controller.reporting.section import Column, Section, heads
from controller.reporting.sections import sections
from controller.reporting.shown import Look, is_figure
from controller.reporting.style import css

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
CHARTS_OF = {"band": ("band", "humidity"), "running": ("run", "water"), "surface": ("surface", "mould")}
"""Section -> its charts; otherwise one of its own name."""


def as_html(report: Report, look: Look, made_at: datetime) -> str:
    look = look._replace(near=report.asked.span.last, one_day=report.asked.span.days == 1)
    told = [each for each in sections(report) if each.rows or each.remarks]
    title = f"{title_of(report.asked.span)}, {report.asked.room}"
    body = [_head(report, look, told), *sections_html(report, look, told), _foot(report, made_at, look)]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{css()}\n</style></head>\n<body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def sections_html(report: Report, look: Look, told: Iterable[Section]) -> list[str]:
    """The sections with their charts, as parts of a page."""
    drawn = {plot.chart.name: plot for plot in plots(report, look).values()} if charts.available() else {}
    return [
        _section(each, [drawn[name] for name in _charts(each.name) if name in drawn], look) for each in told
    ]


def title_of(span: Span) -> str:
    """As in: Wednesday 14 January 2026; 12 to 18 January 2026; January 2026; 2026."""
    first, last = span.first, span.last
    if first == last:
        return f"{first:%A} {first.day} {first:%B %Y}"
    if span.monthly and (first.month, first.day, last.month, last.day) == (1, 1, 12, 31):
        return f"{first.year}" if first.year == last.year else f"{first.year} to {last.year}"
    if first.day == 1 and first.month == last.month and (last + timedelta(days=1)).day == 1:
        return f"{first:%B %Y}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {last.day} {last:%B %Y}"
    year = "" if first.year == last.year else f" {first.year}"
    return f"{first.day} {first:%B}{year} to {last.day} {last:%B %Y}"


def _charts(name: str) -> tuple[str, ...]:
    return CHARTS_OF.get(name, (name,))


def summary(report: Report) -> list[str]:
    """The span in a few sentences."""
    total = report.total
    if total is None:
        return ["Nothing was recorded in that time."]
    low, high = report.asked.band_rh_pct
    recorded_h = total.minutes / 60.0
    words = [
        f"Of {recorded_h:.1f} recorded hours the air was in the band of {low:g} to {high:g} %RH for "
        f"{total.in_h:.1f} h ({_share(total.in_h, recorded_h)}), below it for {total.below_h:.1f} h and "
        f"above it for {total.above_h:.1f} h"
        + (f"; for {total.unknown_h:.1f} h no reading was believed." if total.unknown_h else ".")
    ]
    if report.dry is not None:
        where = "" if report.asked.span.days == 1 else f", from {_at(report, report.dry.from_s)}"
        words.append(
            f"The longest time below it on end was {duration_words(report.dry.minutes * 60.0)}{where}."
        )
    used = "" if total.used_l is None else f", and used about {total.used_l:.2f} L of water"
    times = "once" if total.switchings == 1 else f"{total.switchings} times"
    words.append(f"The humidifier was switched on {times}, ran for {total.run_h:.1f} h{used}.")
    alarms = sum(1 for each in report.messages if each.kind == "alarm")
    if alarms:
        words.append(f"Alarms: {alarms}.")
    return words


def _share(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.0f} %" if whole else "-"


def _at(report: Report, at_s: float) -> str:
    when = datetime.fromtimestamp(at_s, report.asked.tz)
    return f"{when.day} {when:%B, %H:%M}"


def _head(report: Report, look: Look, told: Iterable[Section]) -> str:
    links = "".join(f'<a href="#{each.name}">{escape(_short(each))}</a>' for each in told)
    words = " ".join(summary(report))
    return (
        f'<header><p class="room">Room {escape(report.asked.room)}</p>'
        f"<h1>{escape(title_of(report.asked.span))}</h1><p>{escape(look.said(words))}</p>"
        f'<nav aria-label="Sections">{links}</nav></header>'
    )


MANY = 8
"""Columns that are set in small letters on a phone."""
SIDES = {"day": "w n", "when": "w t"}
SHORT = {
    **{"band": "The band", "air": "The air", "dry": "Dry spell", "running": "Running", "relay": "Relay"},
    **{"refusals": "Why off", "runs": "Runs", "alarms": "Alarms", "surface": "Surface", "notes": "Notes"},
}


def _short(section: Section) -> str:
    return SHORT.get(section.name, section.title)


def _section(section: Section, drawn: Iterable[Plot], look: Look) -> str:
    parts = [f'<section id="{section.name}"><h2>{escape(section.title)}</h2>']
    parts += [_figure(plot) for plot in drawn]
    if section.rows:
        parts.append(_table(section, look))
    parts += [f'<p class="remark">{escape(look.said(words))}</p>' for words in section.remarks]
    return "\n".join((*parts, "</section>"))


def _figure(plot: Plot) -> str:
    keys = "".join(
        f'<span class="key"><i class="{style}"></i>{escape(name)}</span>' for style, name in plot.keys
    )
    return (
        f"<figure><figcaption><b>{escape(plot.chart.title)}</b>{keys}</figcaption>"
        f"{charts.draw(plot.chart)}</figure>"
    )


def _table(section: Section, look: Look) -> str:
    seen = list(heads(section))
    groups = [column.group for _, column in seen]
    first = [bool(group) and group != before for before, group in zip(["", *groups], groups, strict=False)]
    sides = [_side(column.kind, new) for (_, column), new in zip(seen, first, strict=True)]
    titles = [escape(look.head(column)) for _, column in seen]
    head = "".join(f'<th scope="col"{side}>{title}</th>' for title, side in zip(titles, sides, strict=True))
    rows = "".join(f"<tr>{_cells(row, seen, sides, look)}</tr>\n" for row in section.rows)
    over = "".join(
        f'<th colspan="{len(list(same))}" scope="colgroup" class="g">{escape(group)}</th>'
        if group
        else f'<td colspan="{len(list(same))}" class="o"></td>'
        for group, same in groupby(groups)
    )
    many = ' class="many"' if len(seen) >= MANY else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(section.title)}"><table{many}>'
        f"<thead>{f'<tr>{over}</tr>' if any(groups) else ''}<tr>{head}</tr></thead>\n"
        f"<tbody>\n{rows}</tbody></table></div>"
    )


def _cells(row: tuple[Any, ...], seen: list[tuple[int, Column]], sides: list[str], look: Look) -> str:
    cells: list[str] = []
    for (place, column), side in zip(seen, sides, strict=True):
        text = escape(look.cell(row[place], column.kind))
        tag = 'th scope="row"' if not cells else "td"
        cells.append(f"<{tag}{side}>{text}</{tag[:2]}>")
    return "".join(cells)


def _side(kind: str, new: bool) -> str:
    """``new``: it begins a group."""
    if is_figure(kind):
        return ' class="s"' if new else ""
    return f' class="{SIDES.get(kind, "w")}"'


def _foot(report: Report, made_at: datetime, look: Look) -> str:
    asked, words = report.asked, []
    if not charts.available():
        words.append(f"Charts need a small library: {charts.MISSING}")
    if report.total is not None and report.total.clock_doubtful_minutes:
        words.append("For a part of the time the board could not tell whether its clock was right.")
    if asked.output_l_per_h is not None:
        words.append(f"Water is by estimate, at {asked.output_l_per_h:.2f} L/h.")
    words.append(f"Made by hygrohold on {made_at:%Y-%m-%d at %H:%M}; times are those of {asked.tz}.")
    return f"<footer>{''.join(f'<p>{escape(look.said(each))}</p>' for each in words)}</footer>"
