"""PICTURE of a step test: the minutes that were measured, and the line that was laid through them.

In:    an outcome with a fit.
Out:   a file, by the house's picture parts.
Never: shows a line where there is no fit.
"""

from __future__ import annotations

from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from controller import picture_parts as parts
from controller.picture_parts import INK, SOFT, WATER
from controller.step_test.fit import Fit
from controller.step_test.minutes import Stretch
from controller.step_test.outcome import Outcome

HALF_MINUTE_S = 30.0


def draw(path: Path, outcome: Outcome, zone: tzinfo) -> None:
    """``outcome.stretch`` must be there; the fit need not."""
    stretch = outcome.stretch
    assert stretch is not None
    times = [_local(minute.at_s - HALF_MINUTE_S, zone) for minute in stretch.minutes]
    figure, axes = parts.sheet((10, 6), (4.0, 0.9))
    air, mist = axes[:, 0]
    _air(air, times, stretch, outcome.fit)
    parts.share_on(mist, times, [minute.on for minute in stretch.minutes], 1)
    mist.set_ylabel("mist, %", fontsize=9)
    parts.dates(mist, times)
    parts.title(figure, f"Step test of {times[0]:%Y-%m-%d}: {_head(outcome)}")
    parts.save(figure, path)


def _local(at_s: float, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(at_s, zone).replace(tzinfo=None)


def _air(axis: Any, times: list[datetime], stretch: Stretch, fit: Fit | None) -> None:
    known = [
        (at, minute.moisture * stretch.per_pct)
        for at, minute in zip(times, stretch.minutes, strict=True)
        if minute.moisture is not None
    ]
    dots: dict[str, Any] = {"ms": 3.5, "mfc": "white", "mec": INK, "mew": 0.9, "zorder": 3}
    axis.plot(*zip(*known, strict=True), "o", label="measured", **dots)
    if fit is not None:
        axis.plot(times, [v * stretch.per_pct for v in fit.line], color=WATER, lw=1.8, label="fit", zorder=4)
        without = [v * stretch.per_pct for v in fit.without]
        axis.plot(times, without, color=SOFT, lw=1.2, dashes=(4, 2), label="without any mist, by the fit")
    axis.set_ylabel(f"%RH, as if always at {stretch.temp_c:.1f} °C", fontsize=10)
    parts.legend(axis)


def _head(outcome: Outcome) -> str:
    if outcome.found is None:
        return "does not tell the gains"
    found = outcome.found
    return f"gain {found.gain_duty_per_rh_pct:.2g} a %RH, integral {found.integral_s / 60.0:.0f} min"
