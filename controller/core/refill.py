"""REFILL: when the tank will be empty, by the clock.

In:    what the tank is believed to hold, and the last 24 hours of running.
Out:   a time at which it is empty, and two between which that lies; or None.
Never: decides, or guesses by the clock from less than a whole day on record.

The hours to come are taken to be like the same hours of the last day: so long as the board remembers every
run. Where it does not (a day not yet over, a power cut in it), the keeper gets hours of running instead.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from controller.core.records import Water

DAY_S = 86400.0
LEAST_ON_S = 900.0
"""Who ran less in a day needs no filling by the clock."""
FURTHEST_S = 7 * DAY_S
SDS = 2.0
"""Standard deviations of level and output that the two times are apart from the middle."""
DAY_SHARE = 0.2
"""How much more or less than the day before it may run. Common practice, no source."""


class Outlook(NamedTuple):
    """Aware moments, in the zone of the clock given."""

    middle: datetime
    early: datetime
    late: datetime


def outlook(water: Water, wall: datetime) -> Outlook | None:
    """``wall``: what the clock says at ``water.t``. None: not known, empty, or further off than a week."""
    if water.level_l is None or not (water.whole_day and water.level_l > 0.0 and water.rate_l_per_h > 0.0):
        return None
    spans = _spans(water)
    day_s = sum(end - start for start, end in spans)
    if not LEAST_ON_S <= day_s <= DAY_S + 1.0:
        return None
    need_s = 3600.0 * water.level_l / water.rate_l_per_h
    sd_s = 3600.0 * water.doubt_l / water.rate_l_per_h + water.rate_sd * need_s  # both err with the rate
    early_s = max(need_s - SDS * sd_s, 0.0) / (1.0 + DAY_SHARE)
    late_s = (need_s + SDS * sd_s) / (1.0 - DAY_SHARE)
    away = [_away_s(on_s, spans, day_s, water.t) for on_s in (need_s, early_s, late_s)]
    if not away[0] <= FURTHEST_S:
        return None
    try:
        at = wall.astimezone(UTC)  # elapsed time: over a change of the clocks, too
        middle, early, late = (
            (at + timedelta(seconds=min(seconds, 4 * FURTHEST_S))).astimezone(wall.tzinfo) for seconds in away
        )
    except (OverflowError, ValueError):  # a wall clock at an end of the calendar
        return None
    return Outlook(middle, early, late)


def _spans(water: Water) -> list[tuple[float, float]]:
    """The runs of the last 24 hours, in order, cut at its beginning."""
    since_t = water.t - DAY_S
    runs = water.runs if water.open_t is None else (*water.runs, (water.open_t, water.t))
    return [(max(start, since_t), end) for start, end in runs if end > max(start, since_t)]


def _away_s(on_s: float, spans: list[tuple[float, float]], day_s: float, t: float) -> float:
    """Seconds from ``t`` in which it will run for ``on_s``, each day like the last."""
    days = on_s // day_s
    rest_s = on_s - days * day_s
    for start, end in spans:
        if rest_s <= end - start:
            return days * DAY_S + start + rest_s - (t - DAY_S)
        rest_s -= end - start
    return (days + 1.0) * DAY_S


def empty_words(found: Outlook, now: datetime) -> str:
    """Such as: empty at about 16:40 (between 15:10 and 18:20). A day is named where it is another."""
    middle, early, late = (when(moment, now) for moment in found)
    return f"empty at about {middle} (between {early} and {late})"


def when(moment: datetime, now: datetime) -> str:
    """A moment near now, short: "19:10", "tomorrow 07:30", "2026-01-14 07:30"."""
    if moment.date() == now.date():
        return f"{moment:%H:%M}"
    if moment.date() == (now + timedelta(days=1)).date():
        return f"tomorrow {moment:%H:%M}"
    return f"{moment:%Y-%m-%d %H:%M}"
