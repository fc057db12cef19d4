"""CHARTS: lines, areas and bars over time, as SVG that stands in a page. The one door to svg.py.

In:    figures by time, the names of style classes: colours are the page's, for light, dark and paper.
Out:   SVG text. It is as wide as the page, with letters that keep their size: positions across are shares
       of the width, and what is drawn is stretched with lines that keep their weight.
Never: needs a script, a font or a network; draws a line over time that nobody recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from importlib.util import find_spec
from itertools import pairwise
from math import ceil, floor, log10
from typing import Any, NamedTuple

HEIGHT, TOP, FOOT, SIDE = 190, 8, 22, 36
"""Pixels: of a chart, above its plot, below it for the words of time, beside it for those of the scale."""
ACROSS = 1000
"""Of the plot's own width, which is stretched to the page's."""
NEAR_END = 0.9
"""Of the span: words of time that begin later stand before their mark, or they would be cut off."""
MISSING = "pip install '.[report]' in the program's folder"


class Point(NamedTuple):
    at: float  # 0 to 1 of the span
    value: float


class Line(NamedTuple):
    points: Sequence[Point]
    style: str
    gap: float  # points further apart are not joined, of the span
    steps: bool = False  # level up to the next point


class Area(NamedTuple):
    """Between the lowest and the highest of each piece of time."""

    lows: Sequence[Point]
    highs: Sequence[Point]
    style: str
    gap: float


class Band(NamedTuple):
    low: float
    high: float
    style: str


class Bar(NamedTuple):
    from_: float
    to: float
    parts: Sequence[tuple[float, str]]  # (value, style), from below


class Chart(NamedTuple):
    name: str  # letters only; names its parts in the page
    title: str
    told: str  # what it shows, for who cannot see it
    ticks: Sequence[tuple[float, str]]  # words below, at shares of the span
    parts: Sequence[Band | Area | Line | Bar]
    least: float | None = None  # the scale reaches down at least to it
    unit: str = ""
    height: int = HEIGHT


def available() -> bool:
    return find_spec("svg") is not None


def draw(chart: Chart) -> str:
    """The chart as one ``<svg>``; call only where ``available``."""
    import svg

    values = [value for part in chart.parts for value in _values(part)]
    low, high, ticks = scale([*values, *([] if chart.least is None else [chart.least])], chart.unit == "h")
    plot_height = chart.height - TOP - FOOT

    def y(value: float) -> float:
        return round(plot_height * (high - value) / (high - low), 1)

    plot = svg.SVG(
        x=0,
        y=TOP,
        width=_share(1.0),
        height=plot_height,
        viewBox=svg.ViewBoxSpec(0, 0, ACROSS, plot_height),
        preserveAspectRatio=svg.PreserveAspectRatio("none"),
        xmlns=None,
        elements=[element for part in chart.parts for element in _elements(part, y)],
    )
    grid: list[svg.Element] = [
        svg.Line(x1=0, x2=_share(1.0), y1=TOP + y(tick), y2=TOP + y(tick), class_=["grid"]) for tick in ticks
    ]
    words: list[svg.Element] = []
    for at, text in chart.ticks:
        if at > 0.0:
            grid.append(svg.Line(x1=_share(at), x2=_share(at), y1=TOP, y2=chart.height - 4, class_=["tick"]))
        near_end = at > NEAR_END
        words.append(
            svg.Text(
                x=_share(at),
                dx=-4 if near_end else 4,
                y=chart.height - 6,
                text_anchor="end" if near_end else "start",
                class_=["time"],
                text=escape(text),
            )
        )
    whole = svg.SVG(
        width=_share(1.0),
        height=chart.height,
        class_=["chart"],
        extra={"role": "img", "aria-labelledby": f"{chart.name}-title {chart.name}-told"},
        xmlns=None,
        elements=[
            svg.Title(id=f"{chart.name}-title", text=escape(chart.title)),
            svg.Desc(id=f"{chart.name}-told", text=escape(chart.told)),
            *grid,
            plot,
            *words,
        ],
    )
    return f'<div class="plot">{_scale_beside(chart, ticks, y)}{whole.as_str()}</div>'


def _scale_beside(chart: Chart, ticks: Sequence[float], y: Callable[[float], float]) -> str:
    """A drawing of its own, of a fixed width: what is beside it takes the rest of the page's."""
    import svg

    def number(tick: float) -> svg.Element:
        down = TOP + y(tick) + (9 if tick == ticks[-1] else 4)
        return svg.Text(x=SIDE - 4, y=down, text_anchor="end", class_=["scale"], text=f"{tick:g}")

    words = [number(tick) for tick in ticks]
    unit = svg.Text(x=SIDE - 4, y=TOP + 22, text_anchor="end", class_=["scale"], text=escape(chart.unit))
    drawn = svg.SVG(
        width=SIDE,
        height=chart.height,
        class_=["beside"],
        extra={"aria-hidden": "true"},
        xmlns=None,
        elements=[*words, *([unit] if chart.unit else [])],
    )
    return drawn.as_str()


def scale(values: Sequence[float], hours: bool = False) -> tuple[float, float, list[float]]:
    """Lowest, highest and three to six round figures between, ends included; ``hours``: of a day."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    if high - low < 1e-9:
        high = low + 1.0
    raw = (high - low) / 4.0
    size = 10.0 ** floor(log10(raw))
    step = next(each * size for each in (1.0, 2.0, 5.0, 10.0) if each * size >= raw * 0.999)
    if hours and 3.0 < raw <= 6.5:
        step = 6.0
    first, last = floor(low / step + 1e-9), ceil(high / step - 1e-9)
    ticks = [round(n * step, 10) for n in range(first, last + 1)]
    return ticks[0], ticks[-1], ticks


def _share(part: float) -> Any:
    import svg

    return svg.Length(round(100.0 * part, 2), "%")


def _values(part: Band | Area | Line | Bar) -> list[float]:
    if isinstance(part, Band):
        return [part.low, part.high]
    if isinstance(part, Bar):
        return [0.0, sum(value for value, _ in part.parts)]
    if isinstance(part, Line):
        return [point.value for point in part.points]
    return [point.value for point in (*part.lows, *part.highs)]


def _elements(part: Band | Area | Line | Bar, y: Any) -> list[Any]:
    import svg

    if isinstance(part, Band):
        top = y(part.high)
        return [svg.Rect(x=0, y=top, width=ACROSS, height=round(y(part.low) - top, 1), class_=[part.style])]
    if isinstance(part, Bar):
        return _bar(part, y)
    if isinstance(part, Area):
        pairs = list(zip(part.lows, part.highs, strict=True))
        found = []
        for piece in _pieces(part.lows, part.gap):
            own = pairs[piece[0] : piece[1]]
            ring = [(low.at, low.value) for low, _ in own] + [
                (high.at, high.value) for _, high in reversed(own)
            ]
            found.append(svg.Polygon(points=_places(ring, y), class_=[part.style]))
        return found
    return [
        svg.Polyline(points=_places(_stepped(own) if part.steps else own, y), class_=[part.style])
        for own in ([(p.at, p.value) for p in part.points[a:b]] for a, b in _pieces(part.points, part.gap))
    ]


def _bar(bar: Bar, y: Any) -> list[Any]:
    import svg

    found, below = [], 0.0
    left = round(bar.from_ * ACROSS, 1)
    for value, style in bar.parts:
        if value > 0.0:
            top = y(below + value)
            width = round(max((bar.to - bar.from_) * ACROSS, 0.5), 1)
            height = round(y(below) - top, 1)
            found.append(svg.Rect(x=left, y=top, width=width, height=height, class_=[style]))
            below += value
    return found


def _pieces(points: Sequence[Point], gap: float) -> list[tuple[int, int]]:
    """Where points follow each other closely: a line never bridges time without a record."""
    breaks = [n + 1 for n, (one, other) in enumerate(pairwise(points)) if other.at - one.at > gap]
    ends = [0, *breaks, len(points)]
    return [(a, b) for a, b in pairwise(ends) if b > a]


def _stepped(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Only where the level changes: a target stands still for hours."""
    found = [points[0]]
    for before, after in pairwise(points):
        if after[1] != before[1]:
            found += [(after[0], before[1]), after]
    return [*found, points[-1]]


def _places(points: Sequence[tuple[float, float]], y: Any) -> list[Any]:
    if len(points) == 1:  # a single one: a dash, or it would not be seen
        points = [points[0], (points[0][0] + 1.0 / ACROSS, points[0][1])]
    return [(round(at * ACROSS, 1), y(value)) for at, value in points]
