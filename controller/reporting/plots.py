"""PLOTS: which charts a report has, and what is on them.

In:    a report.
Out:   ``charts.Chart``s, with the words of their legends.
Never: draws.

Where the minutes of a day are thinned out, its means stand in for them, one point a day.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import NamedTuple

from controller.core import air
from controller.history.rows import Stretch
from controller.reporting.charts import Area, Band, Bar, Chart, Line, Point
from controller.reporting.figures import DayFigures
from controller.reporting.gather import Report, piece_s
from controller.reporting.shown import Look

Key = tuple[str, str]
"""The style of a line, and its name."""
DAY_S, HOUR_S = 86400.0, 3600.0
SOME_YEARS = 4 * 366
"""Days; longer spans are marked by years."""


class Plot(NamedTuple):
    chart: Chart
    keys: tuple[Key, ...]


def plots(report: Report, look: Look) -> dict[str, Plot]:
    """By the name of the section that they belong to; a section may have none."""
    if report.total is None:
        return {}
    time = Time(report)
    found = {"humidity": _humidity(report, time), "air": _warmth(report, time, look)}
    if report.asked.span.days == 1:  # one bar would show nothing
        found["running"] = _by_hour(report, time)
    else:
        found["band"] = _hours(report, time)
        found["running"] = _bars(report, time, "run", "Hours on", lambda day: day.run_h, "run", "h")
        found["water"] = _bars(
            report, time, "water", "Water used", lambda day: day.used_l or 0.0, "water", "L", look
        )
    if report.surface:
        found["surface"] = _surface_rh(report, time)
        found["mould"] = _mould(report, time)
    return {name: plot for name, plot in found.items() if plot is not None}


class Time:
    """Where an instant lies in the span, 0 to 1, and the words below."""

    def __init__(self, report: Report) -> None:
        self._tz = report.asked.tz
        self._span = report.asked.span
        self.from_s, to_s = self._span.bounds_s(self._tz)
        self._length_s = to_s - self.from_s
        self.gap = 1.5 * piece_s(self._span.days) / self._length_s
        self.day = DAY_S / self._length_s

    def at(self, at_s: float) -> float:
        return (at_s - self.from_s) / self._length_s

    def of_day(self, day: DayFigures, part: float) -> float:
        midnight = datetime(day.date.year, day.date.month, day.date.day, tzinfo=self._tz)
        return self.at(midnight.timestamp() + part * DAY_S)

    def ticks(self) -> list[tuple[float, str]]:
        days, first = self._span.days, self._span.first
        if days == 1:
            start = datetime(first.year, first.month, first.day, tzinfo=self._tz)
            return [(self.at((start + timedelta(hours=h)).timestamp()), f"{h}:00") for h in (0, 6, 12, 18)]
        return [(self.at(when.timestamp()), words) for when, words in self._days(days)]

    def _days(self, days: int) -> Iterator[tuple[datetime, str]]:
        step = next((each for each in (1, 2, 5, 7, 14) if days <= 7 * each), 0)
        for n in range(days):
            day = self._span.first + timedelta(days=n)
            when = datetime(day.year, day.month, day.day, tzinfo=self._tz)
            if step and n % step == 0:
                yield when, f"{day.day} {day:%b}" if n == 0 or days > 7 else f"{day:%a}"[:2] + f" {day.day}"
            elif not step and day.day == 1 and _named(day, days):
                yield when, f"{day:%b}"[: 1 if days <= 400 else 3] if days <= SOME_YEARS else f"{day.year}"


def _named(first: date, days: int) -> bool:
    """Whether a month's first day is named below a chart of so many days: a dozen of them are."""
    if days <= SOME_YEARS:
        return (first.month - 1) % max(1, round(days / 31 / 12)) == 0
    return first.month == 1 and first.year % max(1, round(days / 366 / 8)) == 0


def _stretches(report: Report) -> list[Stretch]:
    """Those of minutes, and in place of thinned ones those of whole days."""
    tz = report.asked.tz
    found = list(report.stretches)
    covered = {datetime.fromtimestamp(each.from_s, tz).date() for each in found}
    for day in report.days:
        if day.date not in covered and day.mean_rh_pct is not None:
            noon = datetime(day.date.year, day.date.month, day.date.day, 12, tzinfo=tz).timestamp()
            temps = [part.temp_c for part in (day.day_air, day.night_air) if part is not None]
            mean_c = sum(temps) / len(temps) if temps else None
            rh = day.lowest_rh_pct, day.mean_rh_pct, day.highest_rh_pct
            found.append(Stretch(noon, *rh, mean_c, None))
    return sorted(found, key=lambda each: each.from_s)


def _humidity(report: Report, time: Time) -> Plot | None:
    low, high = report.asked.band_rh_pct
    known = [each for each in _stretches(report) if each.mean_rh_pct is not None]
    if not known:
        return None
    where = [time.at(each.from_s) for each in known]
    lows, means, highs = (
        [Point(at, float(value or 0.0)) for at, value in zip(where, values, strict=True)]
        for values in zip(*((e.low_rh_pct, e.mean_rh_pct, e.high_rh_pct) for e in known), strict=True)
    )
    targets = [Point(time.at(e.from_s), e.target_rh_pct) for e in known if e.target_rh_pct is not None]
    gap = time.gap if not report.thinned else max(time.gap, 1.5 * time.day)
    lowest, highest = min(p.value for p in lows), max(p.value for p in highs)
    told = (
        f"Relative humidity between {lowest:.0f} and {highest:.0f} %RH; the band is {low:g} to {high:g} %RH. "
        "The table below has the figures."
    )
    parts = (
        Band(low, high, "band"),
        Area(lows, highs, "spread", gap),
        Line(targets, "target", gap, steps=True),
        Line(means, "rh", gap),
    )
    keys = (("rh", "mean"), ("spread", "lowest to highest"), ("target", "target"), ("band", "band"))
    return Plot(Chart("humidity", "Humidity", told, time.ticks(), parts, unit="%RH"), keys)


def _warmth(report: Report, time: Time, look: Look) -> Plot | None:
    def shown(temp_c: float) -> float:
        return temp_c * 1.8 + 32.0 if look.units == "us" else temp_c

    known = [e for e in _stretches(report) if e.mean_temp_c is not None]
    if not known:
        return None
    warm, dew = [], []
    for each in known:
        at, temp_c = time.at(each.from_s), each.mean_temp_c or 0.0
        warm.append(Point(at, shown(temp_c)))
        if each.mean_rh_pct is not None and -60.0 <= temp_c <= 80.0:
            dew.append(Point(at, shown(air.dew_point_c(temp_c, each.mean_rh_pct))))
    unit = "°F" if look.units == "us" else "°C"
    every = [point.value for point in (*warm, *dew)]
    told = f"Temperature and dew point, between {min(every):.0f} and {max(every):.0f} {unit}."
    gap = time.gap if not report.thinned else max(time.gap, 1.5 * time.day)
    parts = (Line(warm, "temp", gap), Line(dew, "dew", gap))
    keys = (("temp", "temperature"), ("dew", "dew point"))
    return Plot(Chart("air", "Temperature and dew point", told, time.ticks(), parts, unit=unit), keys)


def _periods(report: Report, time: Time) -> Iterator[tuple[float, float, DayFigures, float]]:
    """(from, to, figures, days) of each bar."""
    monthly = report.asked.span.monthly
    days = [day.date for day in report.days]
    for row in report.rows:
        length = 1.0
        if monthly:
            after = (row.date + timedelta(days=31)).replace(day=1)
            length = float((after - row.date).days)
        count = (
            sum(1 for day in days if (day.year, day.month) == (row.date.year, row.date.month))
            if monthly
            else 1
        )
        yield time.of_day(row, 0.1 * length), time.of_day(row, 0.9 * length), row, float(count)


def _hours(report: Report, time: Time) -> Plot:
    """Hours a day, so that a short month or a part of one is as high as a long one."""
    bars = []
    for start, end, row, days in _periods(report, time):
        parts = [
            *((row.below_h / days, "below"), (row.in_h / days, "within")),
            *((row.above_h / days, "above"), (row.unknown_h / days, "unknown")),
        ]
        bars.append(Bar(start, end, parts))
    total = report.total
    told = (
        f"Hours below the band {total.below_h:.1f}, in it {total.in_h:.1f}, above it {total.above_h:.1f}."
        if total
        else ""
    )
    keys = (("below", "below"), ("within", "in"), ("above", "above the band"), ("unknown", "no reading"))
    return Plot(Chart("band", "Hours a day in the band", told, time.ticks(), bars, unit="h"), keys)


def _bars(
    report: Report,
    time: Time,
    name: str,
    title: str,
    figure: Callable[[DayFigures], float],
    style: str,
    unit: str,
    look: Look | None = None,
) -> Plot:
    share = 1.0 if look is None or look.units == "si" else LITRE_GAL
    unit = unit if share == 1.0 else "gal"
    rows = list(_periods(report, time))
    bars = [Bar(start, end, [(figure(row) * share / days, style)]) for start, end, row, days in rows]
    most = max((figure(row) * share / days for _, _, row, days in rows), default=0.0)
    told = f"{title} by day: at most {most:.2f} {unit}."
    return Plot(Chart(name, f"{title} a day", told, time.ticks(), bars, 0.0, unit), ())


def _by_hour(report: Report, time: Time) -> Plot | None:
    """Minutes of running in each hour, by the runs whose end is known."""
    minutes: Counter[int] = Counter()
    for run in report.runs or ():
        at_s = run.from_s
        while run.to_s is not None and at_s < run.to_s:
            hour = int((at_s - time.from_s) // HOUR_S)
            next_s = min(run.to_s, time.from_s + (hour + 1) * HOUR_S)
            minutes[hour] += round(next_s - at_s)
            at_s = next_s
    each = HOUR_S * time.day / DAY_S
    bars = [
        Bar((hour + 0.1) * each, (hour + 0.9) * each, [(seconds / 60.0, "run")])
        for hour, seconds in sorted(minutes.items())
        if hour * each < 1.0
    ]
    if not bars:
        return None
    told = f"Minutes on in each hour: at most {max(minutes.values()) / 60.0:.0f}."
    return Plot(Chart("run", "Minutes on in each hour", told, time.ticks(), bars, 0.0, "min"), ())


LITRE_GAL = 1.0 / 3.785411784
"""NIST Special Publication 811, appendix B.8."""


def _surface_points(report: Report, time: Time, figures: Sequence[tuple[float, float]]) -> list[Point]:
    """Thinned to some 800: an hour is too fine for a year."""
    every = max(1, len(figures) // 800)
    return [Point(time.at(at_s), value) for at_s, value in figures[::every]]


def _surface_rh(report: Report, time: Time) -> Plot:
    rows = report.surface
    points = _surface_points(report, time, [(row.at_s, row.rh_pct) for row in rows])
    month = _surface_points(
        report, time, [(r.at_s, r.mean_rh_pct) for r in rows if r.mean_rh_pct is not None]
    )
    gap = max(time.gap, 2.5 * 3600.0 / DAY_S * time.day * max(1, len(rows) // 800))
    told = f"Humidity at the coldest surface, up to {max(row.rh_pct for row in rows):.0f} %RH."
    parts = (Line(points, "rh", gap), Line(month, "target", gap))
    keys: tuple[Key, ...] = (("rh", "by the hour"), ("target", "mean of 30 days")) if month else ()
    return Plot(
        Chart("surface", "Humidity at the coldest surface", told, time.ticks(), parts, unit="%RH"), keys
    )


def _mould(report: Report, time: Time) -> Plot:
    rows = report.surface
    points = _surface_points(report, time, [(row.at_s, row.mould_index) for row in rows])
    gap = max(time.gap, 2.5 * 3600.0 / DAY_S * time.day * max(1, len(rows) // 800))
    told = f"Mould index from {rows[0].mould_index:.2f} to {rows[-1].mould_index:.2f}; 3 can be seen."
    parts = (Band(0.0, 1.0, "band"), Line(points, "mould", gap))
    keys = (("mould", "mould index"), ("band", "below 1: nothing a microscope shows"))
    return Plot(Chart("mould", "Mould index by the model", told, time.ticks(), parts, 0.0), keys)
