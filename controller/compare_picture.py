"""COMPARE PICTURE: each way of running as a strip of the room's true air, on the same axes. Needs ``plot``.

In:    what each way gave, with its trace.
Out:   a file. Legible in black and white. Beside each strip: how long the room was at each humidity.
Never: shows a figure that trace and summary do not hold.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller import picture_parts as parts
from controller.comparison import hours_words
from controller.picture_parts import INK, SOFT

if TYPE_CHECKING:
    from controller.comparison import Compared
    from controller.rehearsal import Trace
    from controller.simulator.weather import Weather

AIR, RELAY = 3.0, 0.5
"""Heights of a strip of air and of the humidifier's below it."""
BLOCKS = ((0.1, 1), (31.0, 15), (124.0, 60), (float("inf"), parts.DAY))
"""Up to so many days, blocks of so many minutes: finer ones could not be told apart."""


def draw(path: Path, found: Sequence[Compared], weather: Weather) -> None:
    traces = [_trace(one) for one in found]
    times = parts.times_of(traces[0].hours, found[0].settings)
    figure, axes = parts.sheet((12, 1.0 + 2.5 * len(found)), (AIR, RELAY) * len(found), (9.5, 1.0))
    parts.nights(axes[:, 0], times, found[0].settings)
    minutes = next(size for most, size in BLOCKS if len(times) <= most * parts.DAY)
    low, high = _limits(found, traces)
    for one, trace, air, relay in zip(found, traces, axes[::2], axes[1::2], strict=True):
        _air(air[0], times, trace, one, minutes)
        _shares(air[1], trace, one)
        for axis in air:
            axis.set_ylim(low, high)
        air[0].tick_params(bottom=False)
        _relay(relay[0], times, trace, minutes)
        relay[1].set_axis_off()
    axes[0, 1].set_title("share of time\nat each %RH", fontsize=9, color=INK)
    axes[0, 1].set_xlim(0.0, 1.04 * max(max(_at_each_rh(trace).values()) for trace in traces))
    axes[-2, 1].tick_params(labelbottom=True)
    parts.dates(axes[-1, 0], times)
    _head(figure, axes[0, 0], found, weather)
    parts.save(figure, path)


def _trace(one: Compared) -> Trace:
    assert one.trace is not None
    return one.trace


def _limits(found: Sequence[Compared], traces: Sequence[Trace]) -> tuple[float, float]:
    """One scale for all strips, with every reading, the band and the ceiling in it."""
    settings = found[0].settings
    lowest = min(settings.target.band_low_rh_pct, *(one.summary.lowest_rh_pct for one in found))
    highest = max(settings.ceiling.highest_rh_pct, *(one.summary.highest_rh_pct for one in found))
    return max(0.0, lowest - 3.0), min(101.0, highest + 3.0)


def _air(axis: Any, times: list[Any], trace: Trace, one: Compared, minutes: int) -> None:
    parts.band(axis, one.settings)
    parts.true_air(axis, times, trace.true_rh_pct, minutes)
    parts.target(axis, times, trace.target_rh_pct)
    parts.ceiling(axis, one.settings.ceiling.highest_rh_pct, "ceiling")
    axis.set_ylabel("%RH", fontsize=10)
    axis.set_title(one.way.name, loc="left", fontsize=11, fontweight="bold", color=INK)
    axis.set_title(_figures(one), loc="right", fontsize=9, color=INK)


def _figures(one: Compared) -> str:
    summary = one.summary
    words = [
        f"in the band {one.in_band_pct} % of the time",
        f"RMS {summary.rms_from_target_rh_pct:.1f} %RH from the target",
        f"{summary.run_h_per_day:.1f} h and {summary.litres_per_day:.1f} L a day",
    ]
    if summary.above_ceiling_h >= 0.05:
        words.append(f"{hours_words(summary.above_ceiling_h)} above the ceiling")
    if summary.dry_h >= 0.05:
        words.append(f"{hours_words(summary.dry_h)} on over a dry tank")
    return "   ·   ".join(words)


def _shares(axis: Any, trace: Trace, one: Compared) -> None:
    """Lying bars: the share of all minutes at each whole %RH; black within the band, grey outside."""
    parts.band(axis, one.settings)
    parts.ceiling(axis, one.settings.ceiling.highest_rh_pct, "ceiling")
    target = one.settings.target
    for rh, share in _at_each_rh(trace).items():
        within = target.band_low_rh_pct <= rh + 0.5 <= target.band_high_rh_pct
        axis.barh(rh + 0.5, share, height=1.0, color=INK if within else SOFT, lw=0.5, zorder=3)
    axis.xaxis.set_major_formatter("{x:g} %")
    axis.tick_params(labelleft=False, left=False, labelbottom=False, labelsize=8)


def _at_each_rh(trace: Trace) -> dict[int, float]:
    """%RH -> share of all minutes in %."""
    counts = Counter(int(rh) for rh in trace.true_rh_pct)
    return {rh: 100.0 * count / len(trace.hours) for rh, count in counts.items()}


def _relay(axis: Any, times: list[Any], trace: Trace, minutes: int) -> None:
    parts.share_on(axis, times, trace.on_share, max(minutes, 30))
    axis.set_yticks([0, 100])
    axis.tick_params(axis="y", labelsize=8)
    axis.set_ylabel("% on", fontsize=9)
    if not any(trace.on_share):
        axis.text(0.5, 0.5, "off all the time", transform=axis.transAxes, ha="center", va="center",
                  fontsize=9, color=SOFT)  # fmt: skip


def _head(figure: Any, axis: Any, found: Sequence[Compared], weather: Weather) -> None:
    figure.get_layout_engine().set(h_pad=0.02, hspace=0.0)
    days = found[0].settings.bench.days
    parts.title(
        figure,
        f"One simulated room, the same {days:g} days, run in {len(found)} ways; weather {weather.name}",
    )
    handles, labels = axis.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=5, fontsize=9, frameon=False)
