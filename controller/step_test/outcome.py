"""OUTCOME: minutes of the record to gains, or to the reason why there are none.

In:    rows of the record, how much mist was asked for, the window of the pulses.
Out:   an ``Outcome``; with the fit where there is one, so that a picture can show what went wrong.
Never: raises ``Untold``: here it becomes words.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from controller.ports import Sample
from controller.step_test import judge
from controller.step_test.fit import Fit, fit
from controller.step_test.gains import Found, gains
from controller.step_test.minutes import Stretch, Untold, stretch


class Outcome(NamedTuple):
    stretch: Stretch | None = None
    fit: Fit | None = None
    found: Found | None = None
    untold: str = ""  # why there are no gains


def reckon(rows: Iterable[Sample], window_s: float, asked_s: float | None = None) -> Outcome:
    """``window_s``: of the PID's pulses; ``asked_s``: of mist in one go, where that is known."""
    outcome = Outcome()
    try:
        minutes = stretch(rows)
        outcome = Outcome(minutes)
        judge.before_fit(minutes, asked_s)
        fitted = fit([minute.moisture for minute in minutes.minutes], [m.on for m in minutes.minutes])
        if fitted is None:
            raise Untold("the minutes do not tell mist from what the room does by itself")
        outcome = Outcome(minutes, fitted)
        judge.after_fit(minutes, fitted)
        found = gains(fitted, minutes.per_pct, window_s)
        judge.sure_enough(found)
        return Outcome(minutes, fitted, found)
    except Untold as why:
        return outcome._replace(untold=str(why))
