"""FIGURES: what the record says of each local day, and of days together.

In: the days' sums (``tally.py``), switchings, notes. Out: ``DayFigures``.
Never: reads a file, a clock or a setting, or rounds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, tzinfo
from itertools import groupby
from typing import Any, NamedTuple, Protocol

from controller.core import air
from controller.core.filling import MERGE_S
from controller.tally import Days, Tally, local_day


class SwitchingRow(Protocol):
    @property
    def at_s(self) -> float: ...
    @property
    def on(self) -> bool: ...


class NoteRow(Protocol):
    @property
    def at_s(self) -> float: ...
    @property
    def happened_at_s(self) -> float | None: ...
    @property
    def kind(self) -> str: ...
    @property
    def done(self) -> bool: ...


class Air(NamedTuple):
    """Means over the minutes whose RH and temperature are both known."""

    hours: float
    rh_pct: float
    temp_c: float
    vapour_kpa: float  # partial pressure of water vapour
    vpd_kpa: float  # vapour pressure deficit: what the air could still take up

    @property
    def dew_c(self) -> float:
        """The dew point (frost point below 0 °C) of the mean vapour pressure."""
        return air.dew_point_of_vapour_c(self.vapour_kpa * 1000.0)


class DayFigures(NamedTuple):
    """One local day, which lasts 23 or 25 hours when the clocks change. Minutes are recorded ones."""

    date: date
    minutes: int
    clock_doubtful_minutes: int  # recorded before the clock was known to be right
    band_low_rh_pct: float
    band_high_rh_pct: float
    day_below_h: float
    day_in_h: float
    day_above_h: float
    night_below_h: float
    night_in_h: float
    night_above_h: float
    unknown_h: float  # no probe was believed
    lowest_rh_pct: float | None
    mean_rh_pct: float | None
    highest_rh_pct: float | None
    run_h: float
    switchings: int  # times switched on
    used_l: float | None  # water, by estimate; None: nothing to estimate it from
    refills: int
    reasons_h: tuple[tuple[str, float], ...]  # how long each was the strictest, the longest first
    day_air: Air | None = None  # None: not known, or thinned out by a version that did not keep it
    night_air: Air | None = None

    @property
    def longest_reason(self) -> tuple[str, float]:
        """The reason that held the humidifier off longest, and for how many hours; ("", 0.0) for none."""
        return self.reasons_h[0] if self.reasons_h else ("", 0.0)

    @property
    def below_h(self) -> float:
        return self.day_below_h + self.night_below_h

    @property
    def in_h(self) -> float:
        return self.day_in_h + self.night_in_h

    @property
    def above_h(self) -> float:
        return self.day_above_h + self.night_above_h


def figures_of(
    days: Days,
    switchings: Iterable[SwitchingRow],
    notes: Iterable[NoteRow],
    band_rh_pct: tuple[float, float],
    tz: tzinfo,
    output_l_per_h: float | None = None,
) -> list[DayFigures]:
    """The days that have any row, in order.

    Water is on-time times ``output_l_per_h`` (one figure for all days: what is believed today), or without it
    what the tank estimate fell by.
    """
    times_on, refills = Counter[date](), Counter[date]()
    for switching in switchings:
        times_on[local_day(switching.at_s, tz)] += switching.on
    filled_s = -math.inf
    for note in notes:
        if note.kind == "refilled" and note.done:
            at_s = note.at_s if note.happened_at_s is None else note.happened_at_s
            if abs(at_s - filled_s) > MERGE_S:  # two notes of one filling count once
                refills[local_day(at_s, tz)] += 1
                filled_s = at_s
    figures = []
    tank_before_l: float | None = None
    for day in sorted({*days.tallies, *times_on, *refills}):
        tally = days.at(day)
        fell_l = 0.0  # over midnight: counts where it is seen
        if tally.first_tank_l is not None:
            fell_l = 0.0 if tank_before_l is None else max(0.0, tank_before_l - tally.first_tank_l)
            tank_before_l = tally.last_tank_l
        figures.append(_figures(day, tally, fell_l, times_on[day], refills[day], band_rh_pct, output_l_per_h))
    return figures


def _figures(
    day: date,
    tally: Tally,
    fell_before_l: float,
    switchings: int,
    refills: int,
    band_pct: tuple[float, float],
    output_l_per_h: float | None,
) -> DayFigures:
    run_h = tally.on_s / 3600
    placed = tally.places(*band_pct)
    fallen_l = None if tally.fallen_l is None else tally.fallen_l + fell_before_l
    by_length = sorted(tally.reasons.items(), key=lambda item: (-item[1], item[0]))
    return DayFigures(
        date=day,
        minutes=tally.minutes,
        clock_doubtful_minutes=tally.clock_doubtful_minutes,
        band_low_rh_pct=band_pct[0],
        band_high_rh_pct=band_pct[1],
        day_below_h=placed[True, -1] / 60,
        day_in_h=placed[True, 0] / 60,
        day_above_h=placed[True, 1] / 60,
        night_below_h=placed[False, -1] / 60,
        night_in_h=placed[False, 0] / 60,
        night_above_h=placed[False, 1] / 60,
        unknown_h=(tally.minutes - tally.known) / 60,
        lowest_rh_pct=tally.lowest_rh_pct,
        mean_rh_pct=tally.rh_sum_pct / tally.known if tally.known else None,
        highest_rh_pct=tally.highest_rh_pct,
        run_h=run_h,
        switchings=switchings,
        used_l=fallen_l if output_l_per_h is None else run_h * output_l_per_h,
        refills=refills,
        reasons_h=tuple((code, minutes / 60) for code, minutes in by_length),
        day_air=_air(tally.air[True]),
        night_air=_air(tally.air[False]),
    )


def _air(sums: Sequence[float]) -> Air | None:
    minutes, *rest = sums
    return Air(minutes / 60, *(each / minutes for each in rest)) if minutes else None


def totals(figures: Sequence[DayFigures]) -> DayFigures:
    """All days in one, under the first day's date; the mean is the mean of all known minutes."""
    if not figures:
        raise ValueError("there is no day to add up")
    if len(figures) == 1:
        return figures[0]
    reasons_h: dict[str, float] = {}
    for code, hours in (pair for day in figures for pair in day.reasons_h):
        reasons_h[code] = reasons_h.get(code, 0.0) + hours
    known = [(day.mean_rh_pct, day.minutes / 60 - day.unknown_h) for day in figures]
    weighed = [(mean_pct, hours) for mean_pct, hours in known if mean_pct is not None]
    lowest = [day.lowest_rh_pct for day in figures if day.lowest_rh_pct is not None]
    highest = [day.highest_rh_pct for day in figures if day.highest_rh_pct is not None]
    used = [day.used_l for day in figures if day.used_l is not None]
    sums: dict[str, Any] = {name: sum(getattr(day, name) for day in figures) for name in _SUMMED}
    return figures[0]._replace(
        **sums,
        lowest_rh_pct=min(lowest, default=None),
        highest_rh_pct=max(highest, default=None),
        mean_rh_pct=sum(m * h for m, h in weighed) / sum(h for _, h in weighed) if weighed else None,
        used_l=sum(used) if used else None,
        reasons_h=tuple(sorted(reasons_h.items(), key=lambda item: (-item[1], item[0]))),
        day_air=_together([day.day_air for day in figures]),
        night_air=_together([day.night_air for day in figures]),
    )


def _together(airs: Iterable[Air | None]) -> Air | None:
    """The means of all minutes, by the hours that each mean is of."""
    known = [each for each in airs if each is not None]
    hours = sum(each.hours for each in known)
    if not known:
        return None
    return Air(
        hours, *(sum(each.hours * each[n] for each in known) / hours for n in range(1, len(Air._fields)))
    )


def by_month(figures: Sequence[DayFigures]) -> list[DayFigures]:
    """The days of each month in one, under the month's first day."""
    months = groupby(figures, lambda day: day.date.replace(day=1))
    return [totals(list(days))._replace(date=first) for first, days in months]


_SUMMED = (
    *("minutes", "clock_doubtful_minutes", "day_below_h", "day_in_h", "day_above_h", "night_below_h"),
    *("night_in_h", "night_above_h", "unknown_h", "run_h", "switchings", "refills"),
)
