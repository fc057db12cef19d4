"""DRAWN: the last day as a chart, and where the air is now against its band.

In:    points of the record, the status.
Out:   SVG that stands in a page; colours are the style sheet's.
Never: joins points over time that nobody recorded.
"""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from html import escape
from typing import NamedTuple

from controller.page.record import DAY_S, PIECE_S, LastDay
from controller.reporting import charts
from controller.reporting.charts import Area, Band, Chart, Line, Point

HEIGHT = 128
GAP = 1.5 * PIECE_S / DAY_S
UNWRITTEN_S = 15 * 60.0
"""The program writes its minutes down in batches: so old may the newest be while it runs."""
STEP_H = 6
MISSING = "The chart needs a small library: pip install '.[page]' in the program's folder"


class Span(NamedTuple):
    """A band of RH in %."""

    low: float
    high: float


def last_day(day: LastDay, band: Span, tz: tzinfo, now_rh_pct: float | None) -> str:
    """``now_rh_pct``: what the status says now, where that is fresh: the record has it a while later."""
    known = [each for each in day.stretches if each.mean_rh_pct is not None]
    if not known:
        return none("Nothing was recorded in the last 24 hours")
    if not charts.available():
        return none(MISSING)

    def at(at_s: float) -> float:
        return min(max((at_s - day.from_s) / DAY_S, 0.0), 1.0)

    lows = [Point(at(e.from_s + PIECE_S / 2), e.low_rh_pct or 0.0) for e in known]
    highs = [Point(at(e.from_s + PIECE_S / 2), e.high_rh_pct or 0.0) for e in known]
    means = [Point(at(e.from_s + PIECE_S / 2), e.mean_rh_pct or 0.0) for e in known]
    targets = [Point(at(e.from_s), e.target_rh_pct) for e in known if e.target_rh_pct is not None]
    if now_rh_pct is not None and day.to_s - known[-1].from_s <= PIECE_S + UNWRITTEN_S:
        means.append(Point(1.0, now_rh_pct))
    told = (
        f"Relative humidity of the last 24 hours, between {min(p.value for p in lows):.0f} and "
        f"{max(p.value for p in highs):.0f} %RH; the band is {band.low:g} to {band.high:g} %RH."
    )
    parts = (
        Band(band.low, band.high, "band"),
        Area(lows, highs, "spread", GAP),
        Line(targets, "target", GAP, steps=True),
        Line(means, "rh", GAP + UNWRITTEN_S / DAY_S),
    )
    chart = Chart("lastday", "The last 24 hours", told, _ticks(day, tz), parts, height=HEIGHT)
    return charts.draw(chart)


def none(why: str) -> str:
    """In place of a chart."""
    return f'<p class="soft">{escape(why[:1].upper() + why[1:])}.</p>'


def _ticks(day: LastDay, tz: tzinfo) -> list[tuple[float, str]]:
    begin = datetime.fromtimestamp(day.from_s, tz).replace(minute=0, second=0, microsecond=0)
    found = []
    for hour in range(26):
        moment = begin + timedelta(hours=hour)
        share = (moment.timestamp() - day.from_s) / DAY_S
        if moment.hour % STEP_H == 0 and 0.0 < share <= 1.0:
            found.append((share, f"{moment.hour}:00"))
    return found


LOW, HIGH = 20.0, 100.0
"""%RH at the ends of the strip; what lies outside is shown at its end."""
WIDE, TALL = 320.0, 37.0


def strip(band: Span, target_rh_pct: float, ceiling_rh_pct: float, rh_pct: float | None) -> str:
    """A rule from 20 to 100 %RH: the band as a bar, marks at target and ceiling, a pointer at now.

    It says nothing that the words beside it do not say, so it is hidden from whoever listens.
    """

    def x(value: float) -> float:
        return round((min(max(value, LOW), HIGH) - LOW) / (HIGH - LOW) * WIDE, 1)

    left, right, target, ceiling = x(band.low), x(band.high), x(target_rh_pct), x(ceiling_rh_pct)
    parts = [
        f'<rect class="band" x="{left}" y="9" width="{max(right - left, 0.5):.1f}" height="9"/>',
        f'<line class="rule" x1="0" x2="{WIDE:g}" y1="18" y2="18"/>',
        *(f'<line class="rule" x1="{x(n)}" x2="{x(n)}" y1="15" y2="18"/>' for n in range(20, 101, 10)),
        f'<line class="aim" x1="{target}" x2="{target}" y1="7" y2="20"/>',
        f'<path class="top" d="M{ceiling} 6V21H{min(ceiling + 4, WIDE)}"/>',
    ]
    if right - left > 30.0:
        parts += [
            f'<text x="{at}" y="34">{value:g}</text>' for at, value in ((left, band.low), (right, band.high))
        ]
    if rh_pct is not None:
        at = x(rh_pct)
        parts.append(f'<path class="now" d="M{at} 17l-6 -14h12z"/>')
    return (
        f'<svg class="strip" viewBox="-8 0 {WIDE + 16:g} {TALL:g}" aria-hidden="true" focusable="false">'
        f"{''.join(parts)}</svg>"
    )
