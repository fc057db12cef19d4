"""PARTS of a picture: paper, ink and what every strip over time shares. The only file that knows matplotlib.

In:    figures of a trace, settings.
Out:   axes with the house's look: legible in black and white, lines by weight and dash, areas by grey.
Never: knows which picture it is for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from controller.settings import Settings

INK, SOFT, WATER, WARM, COLD = "#1b1b1b", "#8a8a8a", "#1f5a7a", "#8a4b12", "#4a6d8c"
NIGHT, BAND, SPREAD = "#ececec", "#dfe9dd", "#9a9a9a"
DAY = 1440
"""Minutes."""
MOST_NIGHTS = 100
"""More of them would be hatching, not hours."""


def sheet(size: tuple[float, float], heights: Sequence[float], widths: Sequence[float] = (1.0,)) -> Any:
    """A figure and its axes, by row and column; those of one column share their x axis."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(
        len(heights),
        len(widths),
        sharex="col",
        squeeze=False,
        figsize=size,
        layout="constrained",
        height_ratios=heights,
        width_ratios=widths,
    )
    for axis in axes.flat:
        plain(axis)
    return figure, axes


def save(figure: Any, path: Path) -> None:
    import matplotlib.pyplot as plt

    try:
        figure.savefig(path, dpi=130)
    finally:
        plt.close(figure)


def title(figure: Any, words: str) -> None:
    """Over the whole sheet, out of the way of any legend."""
    figure.suptitle(words, x=0.005, ha="left", fontsize=12, color=INK)


def plain(axis: Any) -> None:
    axis.spines[["top", "right"]].set_visible(False)
    axis.tick_params(labelsize=9, colors=INK)
    axis.margins(x=0)


def times_of(hours: Iterable[float], settings: Settings) -> list[datetime]:
    """When each minute of a trace was: by the clock that was right when the rehearsal began."""
    start = settings.bench.starts
    return [start + timedelta(hours=since) for since in hours]


def dates(axis: Any, times: Sequence[datetime]) -> None:
    import matplotlib.dates as dates

    locator: Any = dates.AutoDateLocator(minticks=4, maxticks=15)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(locator)
    axis.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    if times[0] < times[-1]:
        axis.set_xlim(times[0], times[-1])


def nights(axes: Iterable[Any], times: Sequence[datetime], settings: Settings) -> None:
    """Grey behind the hours of night, so that the two targets explain themselves."""
    first, last = times[0], times[-1]
    if len(times) > MOST_NIGHTS * DAY:
        return
    zone = ZoneInfo(settings.room.timezone or "UTC")
    spans = []
    day = first.date() - timedelta(days=1)
    while day <= last.date() + timedelta(days=1):
        begin = datetime.combine(day, settings.target.night_starts)
        end = datetime.combine(day, settings.target.day_starts)
        end += timedelta(days=1 if end <= begin else 0)
        begin, end = (_elapsed(at, settings.bench.starts, zone) for at in (begin, end))
        begin, end = max(begin, first), min(end, last)
        if begin < end:
            spans.append((begin, end))
        day += timedelta(days=1)
    for axis in axes:
        for begin, end in spans:
            axis.axvspan(begin, end, color=NIGHT, lw=0, zorder=0)


def _elapsed(at: datetime, start: datetime, zone: ZoneInfo) -> datetime:
    """A local time on an axis that counts elapsed hours: off by one after the clocks have changed."""
    since = at.replace(tzinfo=zone).astimezone(UTC) - start.replace(tzinfo=zone).astimezone(UTC)
    return start + since


def band(axis: Any, settings: Settings) -> None:
    low, high = settings.target.band_low_rh_pct, settings.target.band_high_rh_pct
    axis.axhspan(low, high, color=BAND, lw=0, zorder=0.5, label="band")
    for edge in (low, high):
        axis.axhline(edge, color=SOFT, lw=0.6, zorder=0.6)


def true_air(axis: Any, times: Sequence[datetime], true_rh_pct: Sequence[float], minutes: int) -> None:
    """The mean of each block of so many minutes, on the spread within it."""
    cut = blocks(true_rh_pct, minutes)
    mid = [block[len(block) // 2] for block in blocks(times, minutes)]
    low, high = [min(block) for block in cut], [max(block) for block in cut]
    span = f"{minutes} min" if minutes < 60 else "1 h" if minutes < DAY else "a day"
    if minutes > 1:
        axis.fill_between(mid, low, high, color=SPREAD, lw=0, zorder=2, label=f"spread within {span}")
    mean = [sum(block) / len(block) for block in cut]
    axis.plot(mid, mean, color=INK, lw=1.3, label="room, true", zorder=3)


def target(axis: Any, times: Sequence[datetime], target_rh_pct: Sequence[float]) -> None:
    """Of a long stretch only between which two figures it goes up and down each day."""
    look = {"color": WATER, "lw": 1.4, "dashes": (5, 2), "zorder": 4}
    if len(times) <= MOST_NIGHTS * DAY:
        axis.plot(times, target_rh_pct, label="target", **look)
        return
    cut, mid = blocks(target_rh_pct, DAY), [block[DAY // 2] for block in blocks(times, DAY)]
    axis.plot(mid, [max(block) for block in cut], label="target by day and by night", **look)
    axis.plot(mid, [min(block) for block in cut], **look)


def ceiling(axis: Any, rh_pct: float, label: str) -> None:
    axis.axhline(rh_pct, color=INK, lw=1.2, dashes=(1.5, 1.5), label=label)


def share_on(axis: Any, times: Sequence[datetime], on_share: Sequence[float], minutes: int = 30) -> None:
    """How much of each block of so many minutes the humidifier was on."""
    shares = [100.0 * sum(block) / len(block) for block in blocks(on_share, minutes)]
    starts = [block[0] for block in blocks(times, minutes)]
    axis.fill_between([*starts, times[-1]], 0, [*shares, shares[-1]], step="post", color=INK, lw=0)
    axis.set_yticks([0, 50, 100])
    axis.set_ylim(0, 105)


def legend(axis: Any) -> None:
    """Above its strip, where it hides no line."""
    axis.legend(
        loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=5, fontsize=8.5, frameon=False, borderaxespad=0.2
    )


def blocks(values: Any, size: int) -> list[Any]:
    """Cut into blocks of so many; a last one that is shorter counts when there is no other."""
    cut = [values[begin : begin + size] for begin in range(0, len(values) - size + 1, size)]
    return cut or [values]
