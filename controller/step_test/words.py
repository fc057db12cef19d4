"""WORDS of a step test: what the mist did, the gains from it beside the present ones, and lines to paste.

In:    an outcome, the settings of demand.
Out:   lines of plain English.
Never: says a figure that its own uncertainty makes worthless: then it says that it cannot be told.
"""

from __future__ import annotations

from math import log, sqrt

from controller.core.demand import DemandLimits
from controller.step_test.gains import Found, rise_share
from controller.step_test.outcome import Outcome

TELLING_SHARE = 0.5
"""Two standard deviations of a figure worth telling are less than this share of it."""
GIVE = 2.0
"""Standard deviations of "give or take". By theory one in twenty lies further off; of made-up rooms it was
one in ten."""


def told(outcome: Outcome, demand: DemandLimits) -> list[str]:
    """The whole answer; of a test that does not tell, the reason alone."""
    if outcome.found is None:
        return [f"This test does not tell the gains: {outcome.untold}."]
    return [*_room(outcome), "", *_gains(outcome.found, demand), "", *_paste(outcome.found, demand)]


def _room(outcome: Outcome) -> list[str]:
    fit, stretch = outcome.fit, outcome.stretch
    assert fit is not None
    assert stretch is not None
    per_pct = stretch.per_pct
    gain_sd, tau_sd, theta_sd, drift_sd = (fit.stretched * sqrt(max(fit.cov[i][i], 0.0)) for i in range(4))
    rise, half = 3600.0 * fit.gain * per_pct / fit.tau_s, log(2.0) / 60.0
    lines = [
        f"What the mist did, in {len(stretch.minutes)} minutes of the record:",
        _row("it begins to show after", fit.theta_s / 60.0, theta_sd / 60.0, "min", always=True),
        _row("at first it raises the air by", rise, rise * rise_share(fit), "%RH an hour"),
        _row("half of it is gone after", half * fit.tau_s, half * tau_sd, "min"),
        _row("the rise levels off towards", fit.gain * per_pct, gain_sd * per_pct, "%RH"),
        f"  {'meanwhile the room went by itself':<34} {fit.drift * per_pct:+.1f} %RH an hour, "
        f"give or take {GIVE * drift_sd * per_pct:.1f}",
        f"  {'the line misses a minute by':<34} {fit.rms * per_pct:.2f} %RH (root mean square)",
        "Give or take is what scatter alone makes; another day gives more. Walls and goods take and give for",
        "hours: what mist does over a day is not in these figures.",
    ]
    if stretch.warmed_k >= 1.0:
        lines.append("The temperature moved meanwhile; moisture was reckoned without that.")
    return lines


def _row(what: str, figure: float, sd: float, unit: str, always: bool = False) -> str:
    give = GIVE * sd
    if not always and not give < TELLING_SHARE * figure:
        return f"  {what:<34} not to be told from so short a test"
    places = 1 if figure < 20.0 else 0
    return f"  {what:<34} {figure:.{places}f} {unit}, give or take {give:.{places}f}"


def _gains(found: Found, demand: DemandLimits) -> list[str]:
    pid, sure = demand.pid, GIVE * found.sure_share
    low, high = (found.gain_duty_per_rh_pct * (1.0 + sign * sure) for sign in (-1.0, 1.0))
    lines = [
        f"{'Gains of the PID':<24}{'by this test':<24}in the settings",
        f"  {'gain_duty_per_rh_pct':<22}{f'{_gain(found)} ({low:.2g} to {high:.2g})':<24}"
        f"{pid.gain_duty_per_rh_pct:g}",
        f"  {'integral_minutes':<22}{_minutes(found):<24}{pid.integral_minutes:g}",
    ]
    if found.bounded:
        lines.append("They stand at the bounds that gains made by the program have.")
    minutes = float(_minutes(found))
    if low <= pid.gain_duty_per_rh_pct <= high and 0.5 <= pid.integral_minutes / minutes <= 2.0:
        lines.append("The settings' figures are near enough to these: they may stay.")
    return lines


def _paste(found: Found, demand: DemandLimits) -> list[str]:
    lines = [
        "To use them, let these lines stand in the settings file. A heading or a key that is there already",
        "must not come twice: change its figure. Then `hygrohold check`, and start the program anew.",
    ]
    lines += ["", "[demand]", 'method = "pid"', "", "[demand.pid]"]
    lines += [f"gain_duty_per_rh_pct = {_gain(found)}", f"integral_minutes = {_minutes(found)}"]
    if demand.pid.tuning == "learned":
        lines += ['tuning = "settings"', "", 'It stands at "learned" now, and learned gains go before these.']
    if demand.method != "pid":
        lines += ["", f'The method is "{demand.method}" now, which needs no gains: it may as well stay.']
    return lines


def _gain(found: Found) -> str:
    return f"{found.gain_duty_per_rh_pct:.2g}"


def _minutes(found: Found) -> str:
    return f"{found.integral_s / 60.0:.0f}"
