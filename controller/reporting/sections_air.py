"""SECTIONS_AIR: what the air was like, the mist and the water for it, the coldest surface.

In: a ``Report``. Out: ``Section``s. Never: rounds.
"""

from __future__ import annotations

from datetime import date
from itertools import groupby

from controller.core.words import reason_name
from controller.history.rows import SurfaceRow
from controller.reporting.figures import Air
from controller.reporting.gather import Report
from controller.reporting.section import DATE, Column, Section, moment
from controller.tally import local_day


def band(report: Report) -> Section:
    low, high = report.asked.band_rh_pct
    columns = (
        DATE,
        *(
            Column(f"{part}_{place}_h", place, "hours", f"by {part}")
            for part in ("day", "night")
            for place in ("below", "in", "above")
        ),
        Column("unknown_h", "no reading", "hours"),
    )
    rows = [(d.date, *d[5:12]) for d in report.rows]
    return Section("band", f"Hours below, in and above {low:g} to {high:g} %RH", columns, rows)


def air(report: Report) -> Section:
    """Beside RH what RH alone does not tell: cooler air of the same moisture has a higher RH."""
    columns = (
        DATE,
        *(Column("lowest_rh_pct", "low", "pct", "%RH"), Column("highest_rh_pct", "high", "pct", "%RH")),
        *(
            Column(f"{part}_{name}", head, kind, f"by {part}")
            for part in ("day", "night")
            for name, head, kind in (
                *(("rh_pct", "%RH", "pct"), ("temp_c", "°C", "temp"), ("dew_c", "dew °C", "temp")),
                ("vpd_kpa", "VPD kPa", "kpa"),
            )
        ),
    )
    rows = [
        (d.date, d.lowest_rh_pct, d.highest_rh_pct, *of_air(d.day_air), *of_air(d.night_air))
        for d in report.rows
    ]
    words = (
        "Means by day and by night. Dew point: of the mean vapour pressure; it tells how much water the air "
        "holds, whatever its temperature. VPD, the vapour pressure deficit: how strongly the air dries.",
    )
    return Section("air", "The air by day and by night", columns, rows, words)


def of_air(air: Air | None) -> tuple[float | None, ...]:
    """RH, temperature, dew point, vapour pressure deficit."""
    return (None,) * 4 if air is None else (air.rh_pct, air.temp_c, air.dew_c, air.vpd_kpa)


def dry(report: Report) -> Section:
    columns = (
        *(Column("from", "from", "when"), Column("to", "to", "when")),
        Column("dry_h", "hours", "hours"),
    )
    longest, tz = report.dry, report.asked.tz
    rows = [] if longest is None else [
        (moment(longest.from_s, tz), moment(longest.to_s, tz), longest.minutes / 60.0)
    ]  # fmt: skip
    words = []
    if longest is None and report.total is not None:
        words.append("No recorded minute was below the band.")
    if report.thinned:
        words.append(
            f"Not known for {len(report.thinned)} of the days: their minutes are thinned out, in whole or in "
            "part (history.keep_minutes_days)."
        )
    title = f"The longest time below {report.asked.band_rh_pct[0]:g} %RH on end"
    return Section("dry", title, columns, rows, tuple(words))


def running(report: Report) -> Section:
    columns = (
        DATE,
        *(Column("run_h", "hours on", "hours"), Column("switchings", "times on", "count")),
        *(Column("used_l", "water", "litres"), Column("refills", "fillings", "count")),
    )
    rows = [(d.date, d.run_h, d.switchings, d.used_l, d.refills) for d in report.rows]
    return Section(
        "running",
        "Running and water",
        columns,
        rows,
        ("Water by estimate: hours on, times the output believed today.",),
    )


def refusals(report: Report) -> Section:
    columns = (
        *(Column("code", ""), Column("reason", "reason"), Column("off_h", "hours", "hours")),
        Column("share_pct", "of the time", "share"),
    )
    total = report.total
    hours = total.minutes / 60.0 if total is not None else 0.0
    rows = [
        (code, reason_name(code), off_h, 100.0 * off_h / hours)
        for code, off_h in (total.reasons_h if total else ())
    ]
    words = ("Of several reasons at once the strictest counts.",) if rows else ()
    return Section("refusals", "What kept the humidifier off", columns, rows, words)


def surface(report: Report) -> Section:
    columns = (
        *(
            DATE,
            Column("lowest_surface_c", "lowest °C", "temp"),
            Column("mean_surface_rh_pct", "mean %RH", "pct"),
        ),
        *(
            Column("highest_surface_rh_pct", "highest %RH", "pct"),
            Column("month_rh_pct", "30 days' %RH", "pct"),
        ),
        *(Column("mould_index", "mould index", "index"), Column("measured_h", "measured h", "hours")),
    )
    rows = []
    tz = report.asked.tz
    monthly = report.asked.span.monthly

    def of(row: SurfaceRow) -> date:
        day = local_day(row.at_s - 0.001, tz)  # the hour that ends at midnight is of the day before
        return day.replace(day=1) if monthly else day

    for day, hours in groupby(report.surface, of):
        group = list(hours)
        humid = [row.rh_pct for row in group]
        rows.append(
            (
                *(day, min(row.temp_c for row in group), sum(humid) / len(humid), max(humid)),
                *(group[-1].mean_rh_pct, group[-1].mould_index, float(sum(row.measured for row in group))),
            )
        )
    words: tuple[str, ...] = ()
    if report.surface:
        first, last = report.surface[0], report.surface[-1]
        words = (
            f"Mould index from {first.mould_index:.2f} to {last.mould_index:.2f} (0 to 6; 1: growth that a "
            "microscope shows; 3: the eye begins to see it). It is a model of what the air does to such a "
            "material, no finding on this wall.",
        )
    return Section("surface", "The coldest surface", columns, rows, words)
