"""PICTURE: a rehearsal as four strips over one time axis. Needs the ``plot`` extra.

In:    the witness's trace.
Out:   a file. Legible in black and white: lines differ by weight and dash, areas by grey.
Never: shows a figure that the trace does not hold.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.rehearsal import Trace, Witness
    from controller.settings import Settings
    from controller.simulator.weather import Weather

KINDS = (".png", ".svg", ".pdf")
BLOCK_FROM_MINUTES = 3 * 1440
"""Longer than this, single pulses would only make a black bar."""
INK, SOFT, WATER, WARM, COLD = "#1b1b1b", "#8a8a8a", "#1f5a7a", "#8a4b12", "#4a6d8c"


def require(path: Path) -> None:
    """Raises SettingsError when the picture could not be drawn, before anything is simulated."""
    if path.suffix.lower() not in KINDS:
        raise SettingsError(f"{path}: a picture ends in {', '.join(KINDS)}")
    if find_spec("matplotlib") is None:
        raise SettingsError("a picture needs matplotlib: pip install 'hygrohold[plot]'")


def draw(path: Path, witness: Witness, settings: Settings, weather: Weather) -> None:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.dates as dates
    import matplotlib.pyplot as plt

    trace = witness.trace
    assert trace is not None
    start = settings.bench.starts
    times = [start + timedelta(hours=hours) for hours in trace.hours]
    figure, (air, relay, tank, temp) = plt.subplots(
        4, 1, sharex=True, figsize=(12, 9), layout="constrained", height_ratios=(4.2, 0.9, 1.4, 1.9)
    )
    for axis in (air, relay, tank, temp):
        _plain(axis)
    _nights(figure.axes, times, settings)
    _air(air, times, trace, settings)
    _relay(relay, times, trace)
    _tank(tank, times, trace, settings)
    _temp(temp, times, trace)
    locator: Any = dates.AutoDateLocator(minticks=4, maxticks=15)  # type: ignore[no-untyped-call]
    temp.xaxis.set_major_locator(locator)
    temp.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    temp.set_xlim(times[0], times[-1])
    figure.suptitle(
        f"Rehearsal on a simulated room: {settings.demand.method}, weather {weather.name}",
        x=0.01,
        ha="left",
        fontsize=12,
        color=INK,
    )
    figure.savefig(path, dpi=130)
    plt.close(figure)


def _plain(axis: Any) -> None:
    axis.spines[["top", "right"]].set_visible(False)
    axis.tick_params(labelsize=9, colors=INK)
    axis.margins(x=0)


def _nights(axes: Any, times: list[Any], settings: Settings) -> None:
    """Grey behind the hours of night, so that the two targets explain themselves."""
    day = times[0].date() - timedelta(days=1)
    while day <= times[-1].date():
        begin = datetime.combine(day, settings.target.night_starts)
        end = datetime.combine(day, settings.target.day_starts)
        end += timedelta(days=1 if end <= begin else 0)
        for axis in axes:
            axis.axvspan(begin, end, color="#ececec", lw=0, zorder=0)
        day += timedelta(days=1)


def _air(axis: Any, times: list[Any], trace: Trace, settings: Settings) -> None:
    target, ceiling = settings.target, settings.ceiling.limit_rh_pct
    axis.axhspan(
        target.band_low_rh_pct, target.band_high_rh_pct, color="#dfe9dd", lw=0, zorder=0.5, label="band"
    )
    if len(times) > BLOCK_FROM_MINUTES:
        blocks = _blocks(trace.true_rh_pct, 15)
        mid = times[7::15][: len(blocks)]
        low, high = [min(block) for block in blocks], [max(block) for block in blocks]
        axis.fill_between(
            mid, low, high, color="#9a9a9a", lw=0, zorder=2, label="spread of the room within 15 min"
        )
        mean = [sum(block) / len(block) for block in blocks]
        axis.plot(mid, mean, color=INK, lw=1.3, label="room, true", zorder=3)
    else:
        axis.plot(times, trace.probe_rh_pct, color=SOFT, lw=0.7, label="probe", zorder=2)
        axis.plot(times, trace.true_rh_pct, color=INK, lw=1.3, label="room, true", zorder=3)
    axis.plot(times, trace.target_rh_pct, color=WATER, lw=1.4, dashes=(5, 2), label="target", zorder=4)
    axis.axhline(ceiling, color=INK, lw=1.2, dashes=(1.5, 1.5), label="ceiling, probe's accuracy taken off")
    lowest = min(min(trace.true_rh_pct), target.band_low_rh_pct)
    axis.set_ylim(max(0.0, lowest - 5.0), max(max(trace.true_rh_pct), ceiling) + 3.0)
    axis.set_ylabel("%RH", fontsize=10)
    _legend(axis)


def _legend(axis: Any) -> None:
    """Above its strip, where it hides no line."""
    axis.legend(
        loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=5, fontsize=8.5, frameon=False, borderaxespad=0.2
    )


def _blocks(values: Any, size: int) -> list[Any]:
    return [values[begin : begin + size] for begin in range(0, len(values) - size + 1, size)]


def _relay(axis: Any, times: list[Any], trace: Trace) -> None:
    """Each run while they can be told apart, else the share of each half hour."""
    if len(times) > BLOCK_FROM_MINUTES:
        shares = [100.0 * sum(block) / len(block) for block in _blocks(trace.on_share, 30)]
        axis.fill_between(times[::30][: len(shares)], 0, shares, step="post", color=INK, lw=0)
        axis.set_yticks([0, 50, 100])
        axis.set_ylim(0, 105)
        axis.set_ylabel("% of time on", fontsize=10)
        return
    axis.fill_between(times, 0, trace.on_share, step="pre", color=INK, lw=0)
    axis.set_yticks([0, 1], ["off", "on"])
    axis.set_ylim(0, 1.05)
    axis.set_ylabel("humidifier", fontsize=10)


def _tank(axis: Any, times: list[Any], trace: Trace, settings: Settings) -> None:
    axis.fill_between(times, 0, trace.tank_l, color="#c8d6de", lw=0, label="in the tank")
    axis.plot(times, trace.believed_l, color=WATER, lw=1.1, dashes=(4, 1.5), label="by estimate")
    axis.set_ylim(0, settings.tank.tank_l * 1.08)
    axis.set_ylabel("litres", fontsize=10)
    _legend(axis)


def _temp(axis: Any, times: list[Any], trace: Trace) -> None:
    axis.plot(times, trace.temp_c, color=WARM, lw=1.4, label="room")
    axis.plot(times, trace.outdoor_c, color=COLD, lw=1.0, dashes=(4, 1.5), label="outdoors")
    axis.set_ylabel("°C", fontsize=10)
    _legend(axis)
