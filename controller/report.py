"""What the record says of each local day, in figures and as text.

In: the rows of the record. Out: ``DayFigures``, a table, CSV or JSON. Pure: it never
reads a file, a clock or a setting.
"""

from __future__ import annotations

import csv
import json
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, tzinfo
from io import StringIO
from typing import Any, NamedTuple, Protocol

from controller.core.filling import MERGE_S
from controller.core.words import reason_name
from controller.ports import Sample
from controller.tally import Days, Tally, local_day

_WIDTH = 100


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

    @property
    def longest_reason(self) -> tuple[str, float]:
        """The reason that held the humidifier off longest, and for how many hours; ("", 0.0) for none."""
        return self.reasons_h[0] if self.reasons_h else ("", 0.0)


def day_figures(
    samples: Iterable[Sample],
    switchings: Iterable[SwitchingRow],
    notes: Iterable[NoteRow],
    band_low_rh_pct: float,
    band_high_rh_pct: float,
    tz: tzinfo,
    output_l_per_h: float | None = None,
    thinned: Mapping[date, Tally] | None = None,
) -> list[DayFigures]:
    """The days that have any row, in order. Keeps one tally a day, never the samples.

    Water is on-time times ``output_l_per_h`` (one figure for all days: what is believed today), or without it
    what the tank estimate fell by. ``thinned``: the days that were begun by minutes which are no longer
    there; they are gone on with, and so changed.
    """
    days = Days(tz, thinned)
    for row in samples:
        days.add(row)
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
        band_pct = (band_low_rh_pct, band_high_rh_pct)
        figures.append(_figures(day, tally, fell_l, times_on[day], refills[day], band_pct, output_l_per_h))
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
    )


def totals(figures: Sequence[DayFigures]) -> DayFigures:
    """All days in one, under the first day's date; the mean is the mean of all known minutes."""
    if not figures:
        raise ValueError("there is no day to add up")
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
    )


_SUMMED = (
    *("minutes", "clock_doubtful_minutes", "day_below_h", "day_in_h", "day_above_h", "night_below_h"),
    *("night_in_h", "night_above_h", "unknown_h", "run_h", "switchings", "refills"),
)
# Two lines of head over each column. The last column is words and takes what room is left.
_UPPER = (
    *("", "rec.", "day", "h", "", "night", "h", "", "no", "RH", "%", ""),
    *("run", "times", "used", "re-", "off longest"),
)
_LOWER = (
    *("date", "h", "low", "in", "high", "low", "in", "high", "RH", "min", "mean", "max"),
    *("h", "on", "l", "fill", "h, reason"),
)


def as_text(figures: Sequence[DayFigures]) -> str:
    """A table of at most 100 columns, a line a day and one of totals."""
    if not figures:
        return "No minute is recorded in that time.\n"
    total = totals(figures)
    lines = [*([_cells(day, f"{day.date:%Y-%m-%d}") for day in figures]), _cells(total, "all")]
    widths = [max(map(len, column)) for column in zip(_UPPER, _LOWER, *lines, strict=True)]
    table = [_line(cells, widths) for cells in (_UPPER, _LOWER, *lines)]
    rule = "-" * max(map(len, table))
    low, high = total.band_low_rh_pct, total.band_high_rh_pct
    text = [
        f"Hours of humidity below, in and above the band of {low:g} to {high:g} % RH, by day and by night;",
        "hours without a believed reading (no RH); water used, by estimate; what kept it off longest.",
        *("", *table[:2], rule, *table[2:-1], rule, table[-1]),
    ]
    if total.clock_doubtful_minutes:
        text.append(
            "* The board could not tell whether its clock was right: it was not yet set from the network."
        )
    return "\n".join(text) + "\n"


def _cells(day: DayFigures, label: str) -> list[str]:
    code, hours = day.longest_reason
    return [
        label + ("*" if day.clock_doubtful_minutes else ""),
        _short(day.minutes / 60),
        *map(_short, (day.day_below_h, day.day_in_h, day.day_above_h)),
        *map(_short, (day.night_below_h, day.night_in_h, day.night_above_h, day.unknown_h)),
        *(
            "-" if rh is None else f"{rh:.0f}"
            for rh in (day.lowest_rh_pct, day.mean_rh_pct, day.highest_rh_pct)
        ),
        _short(day.run_h),
        str(day.switchings),
        "-" if day.used_l is None else _short(day.used_l),
        str(day.refills),
        f"{_short(hours)} {reason_name(code)}" if code else "-",
    ]


def _short(figure: float) -> str:
    """Four characters at most, up to the hours of a year."""
    return f"{figure:.1f}" if figure < 99.95 else f"{figure:.0f}"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    last = len(cells) - 1
    padded = [cell.rjust(width) for cell, width in zip(cells, widths, strict=True)]
    padded[0], padded[last] = cells[0].ljust(widths[0]), cells[last]
    return " ".join(padded)[:_WIDTH].rstrip()


_CSV = (*(name for name in DayFigures._fields if name != "reasons_h"), "longest_reason", "longest_reason_h")


def as_csv(figures: Sequence[DayFigures]) -> str:
    """A line a day, figures unrounded, an empty field for what is not known."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_CSV)
    for day in figures:
        plain = [getattr(day, name) for name in _CSV[:-2]]
        writer.writerow([*plain, *day.longest_reason])
    return out.getvalue()


def as_json(figures: Sequence[DayFigures]) -> str:
    """A list of days, each with all its reasons in hours."""
    days = [
        {**day._asdict(), "date": day.date.isoformat(), "reasons_h": dict(day.reasons_h)} for day in figures
    ]
    return json.dumps(days, indent=2, allow_nan=False) + "\n"
