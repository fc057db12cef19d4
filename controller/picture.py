"""PICTURE: a rehearsal as four strips over one time axis. Needs the ``plot`` extra.

In:    the witness's trace.
Out:   a file. Legible in black and white: lines differ by weight and dash, areas by grey.
Never: shows a figure that the trace does not hold.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller import picture_parts as parts
from controller.errors import SettingsError
from controller.picture_parts import COLD, INK, SOFT, WARM, WATER

if TYPE_CHECKING:
    from controller.rehearsal import Trace, Witness
    from controller.settings import Settings
    from controller.simulator.weather import Weather

KINDS = (".png", ".svg", ".pdf")
BLOCK_FROM_MINUTES = 3 * 1440
"""Longer than this, single pulses would only make a black bar."""


def require(path: Path) -> None:
    """Raises SettingsError when the picture could not be drawn, before anything is simulated."""
    if path.suffix.lower() not in KINDS:
        raise SettingsError(f"{path}: a picture ends in {', '.join(KINDS)}")
    if find_spec("matplotlib") is None:
        raise SettingsError("a picture needs matplotlib: pip install '.[plot]' in the program's folder")


def draw(path: Path, witness: Witness, settings: Settings, weather: Weather) -> None:
    trace = witness.trace
    assert trace is not None
    times = parts.times_of(trace.hours, settings)
    figure, axes = parts.sheet((12, 9), (4.2, 0.9, 1.4, 1.9))
    air, relay, tank, temp = axes[:, 0]
    parts.nights(figure.axes, times, settings)
    _air(air, times, trace, settings)
    _relay(relay, times, trace)
    _tank(tank, times, trace, settings)
    _temp(temp, times, trace)
    parts.dates(temp, times)
    parts.title(figure, f"Rehearsal on a simulated room: {settings.demand.method}, weather {weather.name}")
    parts.save(figure, path)


def _air(axis: Any, times: list[Any], trace: Trace, settings: Settings) -> None:
    target, ceiling = settings.target, settings.ceiling.limit_rh_pct
    parts.band(axis, settings)
    if len(times) > BLOCK_FROM_MINUTES:
        parts.true_air(axis, times, trace.true_rh_pct, 15)
    else:
        axis.plot(times, trace.probe_rh_pct, color=SOFT, lw=0.7, label="probe", zorder=2)
        axis.plot(times, trace.true_rh_pct, color=INK, lw=1.3, label="room, true", zorder=3)
    if settings.bench.enclosure.volume_m3 > 0.0:
        axis.plot(
            times, trace.enclosures_rh_pct, color=WARM, lw=1.0, dashes=(1, 1), label="enclosures", zorder=3
        )
    parts.target(axis, times, trace.target_rh_pct)
    parts.ceiling(axis, ceiling, "ceiling, probe's accuracy taken off")
    lowest = min(min(trace.true_rh_pct), target.band_low_rh_pct)
    if settings.bench.enclosure.volume_m3 > 0.0:
        lowest = min(lowest, *trace.enclosures_rh_pct)
    axis.set_ylim(max(0.0, lowest - 5.0), max(max(trace.true_rh_pct), ceiling) + 3.0)
    axis.set_ylabel("%RH", fontsize=10)
    parts.legend(axis)


def _relay(axis: Any, times: list[Any], trace: Trace) -> None:
    """Each run while they can be told apart, else the share of each half hour."""
    if len(times) > BLOCK_FROM_MINUTES:
        parts.share_on(axis, times, trace.on_share)
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
    parts.legend(axis)


def _temp(axis: Any, times: list[Any], trace: Trace) -> None:
    axis.plot(times, trace.temp_c, color=WARM, lw=1.4, label="room")
    axis.plot(times, trace.outdoor_c, color=COLD, lw=1.0, dashes=(4, 1.5), label="outdoors")
    axis.set_ylabel("°C", fontsize=10)
    parts.legend(axis)
