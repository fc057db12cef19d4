"""DAYS_TEXT: the table of days (or months) for a terminal, at most 100 columns wide.

In: figures. Out: text. Never: adds up what ``figures.py`` does not.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from controller.core.units import GALLON_L, UnitSystem
from controller.core.words import reason_name
from controller.reporting.figures import DayFigures, totals

_WIDTH = 100
WATER: dict[UnitSystem, tuple[str, float]] = {"si": ("l", 1.0), "us": ("gal", GALLON_L)}
"""What water is counted in, and its size in litres."""
# Two lines of head over each column. The last column is words and takes what room is left.
_UPPER = (
    *("", "rec.", "day", "h", "", "night", "h", "", "no", "RH", "%", ""),
    *("run", "times", "used", "re-", "off longest"),
)
_LOWER = (
    *("date", "h", "low", "in", "high", "low", "in", "high", "RH", "min", "mean", "max"),
    *("h", "on", "l", "fill", "h, reason"),
)


def as_text(figures: Sequence[DayFigures], monthly: bool = False, units: UnitSystem = "si") -> str:
    """A table of at most 100 columns, a line a day (``monthly``: a month) and one of totals."""
    if not figures:
        return "No minute is recorded in that time.\n"
    total = totals(figures)
    form = "%Y-%m" if monthly else "%Y-%m-%d"
    lines = [*(_cells(day, day.date.strftime(form), units) for day in figures), _cells(total, "all", units)]
    lower = [WATER[units][0] if name == "l" else name for name in _LOWER]
    widths = [max(map(len, column)) for column in zip(_UPPER, lower, *lines, strict=True)]
    table = [_line(cells, widths) for cells in (_UPPER, lower, *lines)]
    rule = "-" * max(len(line) for entry in table for line in entry.split("\n"))
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


def _cells(day: DayFigures, label: str, units: UnitSystem) -> list[str]:
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
        "-" if day.used_l is None else _short(day.used_l / WATER[units][1]),
        str(day.refills),
        f"{_short(hours)} {reason_name(code)}" if code else "-",
    ]


def _short(figure: float) -> str:
    """Four characters at most, up to the hours of a year."""
    return f"{figure:.1f}" if figure < 99.95 else f"{figure:.0f}"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    last = len(cells) - 1
    padded = [cell.rjust(width) for cell, width in zip(cells, widths, strict=True)]
    padded[0] = cells[0].ljust(widths[0])
    figures = " ".join(padded[:last])
    first, *more = textwrap.wrap(cells[last], max(_WIDTH - len(figures) - 1, 8)) or [""]
    return "\n".join([f"{figures} {first}".rstrip(), *(" " * (len(figures) + 1) + part for part in more)])
