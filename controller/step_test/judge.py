"""JUDGE: whether a stretch with mist in it tells of the room, and if not, why, and what to do.

In:    the minutes, their fit, how much mist was asked for.
Out:   nothing where it tells; else ``Untold`` with the reason.
Never: lets a figure through because it looks likely: each refusal stands for a way to be misled.

Bounds without a source are ours, chosen on the simulated rooms of the bench and on made-up disturbances.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from math import sqrt
from statistics import median

from controller.core.words import CONTENT_CODES, reason_name
from controller.step_test.fit import MOST_THETA_S, Fit
from controller.step_test.gains import Found
from controller.step_test.minutes import MINUTE_S, Minute, Stretch, Untold

LEAST_MIST_MINUTES = 10.0
LEAST_RISE_RH_PCT = 2.0
MOST_REST_SHARE = 0.12
"""Of the rise: what may be left over of a minute (root mean square)."""
MOST_JUMP_RH_PCT, JUMP_TIMES = 1.5, 6.0
"""Of what is left over, from one minute to the next: further than air goes by mist or by its lack."""
MOST_UNSURE_SHARE = 0.35


def before_fit(stretch: Stretch, asked_s: float | None) -> None:
    """``asked_s``: of mist that somebody asked for in one go; None: any mist counts. Raises Untold."""
    minutes = stretch.minutes
    on_minutes = sum(minute.on for minute in minutes)
    if on_minutes < LEAST_MIST_MINUTES:
        raise Untold(
            f"there were only {on_minutes:.0f} min of mist in it, and at least {LEAST_MIST_MINUTES:.0f} are "
            f"needed{_held(minutes) if asked_s is not None else ''}"
        )
    if len(minutes) - on_minutes < LEAST_MIST_MINUTES:
        raise Untold("there was mist all through: without minutes that have none there is nothing to compare")


def _held(minutes: Sequence[Minute]) -> str:
    codes = Counter(m.reason for m in minutes if m.reason and m.reason not in CONTENT_CODES | {"paused"})
    if not codes:
        return ""
    return f'. A guard cut it short: "{reason_name(codes.most_common(1)[0][0])}". Try when it is clear'


def after_fit(stretch: Stretch, fit: Fit) -> None:
    """Whether the room did what was asked, and little else. Raises Untold."""
    rise_rh_pct = fit.rises * stretch.per_pct
    if not fit.gain > 0.0 or rise_rh_pct < LEAST_RISE_RH_PCT:
        held = _held(stretch.minutes)
        by = f"by {max(rise_rh_pct, 0.0):.1f} %RH" if fit.gain > 0.0 else "not at all"
        raise Untold(
            f"mist raised the air {by}, and less than {LEAST_RISE_RH_PCT:g} %RH tells nothing. Is there "
            f"water, does mist come, and is the probe out of its way? A longer test raises it further{held}"
        )
    left = [
        (minute.at_s, (minute.moisture - lies) * stretch.per_pct)
        for minute, lies in zip(stretch.minutes, fit.line, strict=True)
        if minute.moisture is not None
    ]
    _jump(left)
    _drift(stretch, fit, rise_rh_pct)
    rest_rh_pct = fit.rms * stretch.per_pct
    if rest_rh_pct > MOST_REST_SHARE * rise_rh_pct:
        scatter = _scatter([rest for _, rest in left])
        if scatter > 0.7 * rest_rh_pct:
            raise Untold(
                f"the readings scatter by {rest_rh_pct:.1f} %RH, which is much beside a rise of "
                f"{rise_rh_pct:.1f}. A longer test raises it further. Is the probe in a draught or in mist?"
            )
        raise Untold(
            f"the air moved by {rest_rh_pct:.1f} %RH besides what mist explains: a door, a window, water by "
            "hand, or a humidifier that gave more at one time than at another. Try when nobody is in"
        )
    if fit.theta_s > MOST_THETA_S - MINUTE_S:
        raise Untold(
            f"mist showed later than {MOST_THETA_S / 60.0:.0f} min, or it was not the mist: is the probe far "
            "from the humidifier, or the air between them at rest? A small fan on the ceiling helps"
        )


def _drift(stretch: Stretch, fit: Fit, rise_rh_pct: float) -> None:
    """A steady drift is in the fit; but one as great as what is looked for was hardly steady."""
    drift_rh_pct = fit.drift * stretch.per_pct
    unsure_rh_pct = 2.0 * fit.stretched * sqrt(max(fit.cov[3][3], 0.0)) * stretch.per_pct
    hours = len(stretch.minutes) * MINUTE_S / 3600.0
    if (abs(drift_rh_pct) - unsure_rh_pct) * hours > rise_rh_pct:
        raise Untold(
            f"the room drifted by itself by {drift_rh_pct:+.1f} %RH an hour, in all more than the "
            f"{rise_rh_pct:.1f} %RH that the mist raised it. Try when heating and weather are steady"
        )


def _jump(left: Sequence[tuple[float, float]]) -> None:
    steps = [(abs(b - a), at) for (_, a), (at, b) in pairwise(left)]
    usual = median(step for step, _ in steps)
    most, _ = max(steps)
    if most > max(MOST_JUMP_RH_PCT, JUMP_TIMES * usual):
        raise Untold(
            f"the air jumped by {most:.1f} %RH from one minute to the next, which no mist does: was a door "
            "opened, or the probe moved? Try when the room is left alone"
        )


def _scatter(rest: Sequence[float]) -> float:
    """Standard deviation of white noise with the same steps from minute to minute (von Neumann 1941)."""
    steps = [(b - a) ** 2 for a, b in pairwise(rest)]
    return sqrt(0.5 * sum(steps) / len(steps))


def sure_enough(found: Found) -> None:
    """Raises Untold."""
    if found.sure_share > MOST_UNSURE_SHARE:
        raise Untold(
            f"the gains are known to {200.0 * found.sure_share:.0f} % only: a longer test, or steadier air, "
            "tells more"
        )
