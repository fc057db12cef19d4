"""COMPARISON: the ways of running a humidifier that stand side by side, and what each of them gave.

In:    nothing; the runs are made by ``cli.compare``.
Out:   the list of ways, in the order of table and picture; one ``Compared`` each.
Never: runs, prints or draws.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.rehearsal import Summary, Trace
from controller.settings import Settings
from controller.simulator.baselines import EveryOtherHour, NeverOn, Rule


class Way(NamedTuple):
    """``rule`` None: our control, by the method of that name."""

    key: str
    name: str
    about: str
    rule: Rule | None = None


WAYS = (
    Way("no_control", "no control", "the humidifier is never switched on", NeverOn()),
    Way(
        "timer",
        "timer",
        "on in every other hour, 01:00 to 02:00, 03:00 to 04:00 and so on: 12 h a day",
        EveryOtherHour(),
    ),
    Way("hysteresis", "hysteresis", "on below the target, off above it, by a deadband"),
    Way("pid", "pid", "pulses, as long as the distance from the target asks for"),
)


class Compared(NamedTuple):
    """One way, run. ``trace`` is None unless a picture is wanted."""

    way: Way
    settings: Settings
    summary: Summary
    trace: Trace | None

    @property
    def in_band_pct(self) -> int:
        """Share of the time in the band, cut, not rounded: 100 means all of it."""
        day, night = self.summary.day, self.summary.night
        share = (day.within + night.within) / max(sum(day) + sum(night), 1e-9)
        return int(100.0 * share + 1e-6)


def hours_words(hours: float) -> str:
    return f"{hours:.0f} h" if hours >= 10.0 else f"{hours:.1f} h"
