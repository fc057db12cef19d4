"""report: the record, of a day, a week, a month or a year."""

from __future__ import annotations

import argparse
import csv
import re
import sys
from collections.abc import Callable, Iterable, Sized
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import HygroholdError, SettingsError

if TYPE_CHECKING:
    from controller.ports import Sample
    from controller.reporting.gather import Report, Span
    from controller.settings import Settings

FIRST_DAY = date(1970, 1, 1)
LAST_YEAR = 9000
DEFAULT_DAYS = 14
SECTION_NAMES = (
    *("days", "band", "air", "dry", "running", "relay", "refusals", "runs", "alarms", "surface"),
    *("notes", "sheds"),
)
"""As ``reporting.sections.SECTIONS``, which is not loaded for a help text."""


def _day(text: str, typed: str = "", like: str = "a date (year-month-day) like 2026-01-14") -> date:
    """``typed``: what stood there, where it was not all of ``text``."""
    try:
        found = date.fromisoformat(text)
        if FIRST_DAY.year <= found.year <= LAST_YEAR:
            return found
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{(typed or text)!r} is not {like}")


def _month(text: str) -> date:
    whole = f"{text}-01" if re.fullmatch(r"\d{4}-\d{2}", text) else ""
    return _day(whole, text, "a month (year-month) like 2026-01")


def _year(text: str) -> date:
    whole = f"{text}-01-01" if re.fullmatch(r"\d{4}", text) else ""
    return _day(whole, text, "a year like 2026")


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "report",
        run,
        "show the record day by day: the air, the hours of mist, water, alarms, notes",
        "hygrohold report --month 2026-01 --format html --out january.html",
    )
    common.add_settings(to, asks=True)
    span = to.add_mutually_exclusive_group()
    span.add_argument("--days", type=int, metavar="N", help=f"the last N days (default: {DEFAULT_DAYS})")
    span.add_argument("--day", type=_day, metavar="DATE", help="one day, with each run")
    span.add_argument("--week", type=_day, metavar="DATE", help="the week from Monday on that has this day")
    span.add_argument("--month", type=_month, metavar="MONTH", help="like 2026-01")
    span.add_argument("--year", type=_year, metavar="YEAR", help="by month")
    span.add_argument("--from", dest="first", type=_day, metavar="DATE", help="from this day on instead")
    to.add_argument("--to", dest="last", type=_day, metavar="DATE", help="up to and with this day")
    how = to.add_mutually_exclusive_group()
    how.add_argument(
        "--format", choices=("text", "csv", "json", "html"), default="text", help="default: text"
    )
    how.add_argument("--minutes", action="store_true", help="a CSV line for each recorded minute instead")
    to.add_argument(
        "--section",
        choices=SECTION_NAMES,
        metavar="NAME",
        help=f"with csv: one of {', '.join(SECTION_NAMES)}",
    )
    to.add_argument("--out", metavar="FILE", help="write it there instead of showing it")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.history.read import HistoryReader
    from controller.keep import output_l_per_h
    from controller.reporting.gather import Asked, gather
    from controller.wiring import places, zone

    if args.section and args.format != "csv":
        raise SettingsError("--section goes with --format csv; the other formats have all sections")
    settings = common.load(args)
    tz = zone(settings)
    span = _span(args, datetime.now(tz).date())
    record = HistoryReader(places(settings).history)
    if args.minutes:
        if args.out:
            raise SettingsError("--out does not go with --minutes: write `--minutes > FILE`")
        from_s, to_s = span.bounds_s(tz)
        record.day_totals(span.first, span.last)  # a record that cannot be read is told before the first line
        return _minutes(record.minutes(from_s, to_s), lambda: record.day_totals(span.first, span.last))
    target = settings.target
    asked = Asked(
        room=settings.room.name,
        span=span,
        tz=tz,
        band_rh_pct=(target.band_low_rh_pct, target.band_high_rh_pct),
        output_l_per_h=output_l_per_h(places(settings).state, settings.tank),
        rated_operations=settings.relay.rated_operations,
        charts=args.format == "html",
    )
    with record.at_one_moment() as reader:
        report = gather(reader, asked)
    words = _written(args, report, settings)
    if args.out:
        _write(words, args.out)
    else:
        print(words, end="")
    return DONE


def _span(args: argparse.Namespace, today: date) -> Span:
    from controller.reporting.gather import Span

    if args.last and (args.day or args.week or args.month or args.year):
        raise SettingsError("--to goes with --from or --days only")
    if args.day:
        return Span(args.day, args.day)
    if args.week:
        monday = args.week - timedelta(days=args.week.weekday())
        return Span(max(monday, FIRST_DAY), monday + timedelta(days=6))
    if args.month:
        after = (args.month + timedelta(days=31)).replace(day=1)
        return Span(args.month, after - timedelta(days=1))
    if args.year:
        return Span(args.year, args.year.replace(month=12, day=31), monthly=True)
    days = DEFAULT_DAYS if args.days is None else args.days
    if not 1 <= days <= 36600:
        raise SettingsError(f"--days: found {days}; allowed: 1 to 36600")
    last = args.last or today
    first = args.first or last - timedelta(days=min(days - 1, (last - FIRST_DAY).days))
    if first > last:
        raise SettingsError(f"--from {first} is later than --to {last}")
    return Span(first, last)


def _written(args: argparse.Namespace, report: Report, settings: Settings) -> str:
    from controller.reporting import plain, text
    from controller.reporting.sections import SECTIONS
    from controller.reporting.shown import Look

    span = report.asked.span
    look = Look(settings.room.units, span.monthly)
    if args.format == "csv":
        if args.section in (None, "days"):
            return plain.as_csv(report.rows)
        return plain.section_csv(SECTIONS[args.section](report))
    if args.format == "json":
        return plain.as_json(report)
    if args.format == "html":
        from controller.reporting import page

        return page.as_html(report, look, datetime.now(report.asked.tz))
    if report.total is None:
        return f"Nothing was recorded from {span.first} to {span.last}.\n"
    return text.as_text(report, look)


def _write(words: str, name: str) -> None:
    from controller.files import write_whole

    path = common.existing(name)
    try:
        write_whole(path, words, durable=False)
    except OSError as error:
        raise HygroholdError(f"{path} cannot be written: {error.strerror or error}") from error
    print(f"Written: {path} ({len(words.encode()) / 1024:.0f} KiB).")


def _minutes(rows: Iterable[Sample], thinned_days: Callable[[], Sized]) -> int:
    """As they were recorded; the time that each ended at is in UTC, so that none comes twice in autumn.

    ``thinned_days`` is asked at the end: minutes may be thinned out while a pager is open.
    """
    from controller.cli import DONE
    from controller.ports import Sample

    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(("ended_at", *Sample._fields[1:]))
    for row in rows:
        ended_at = datetime.fromtimestamp(row.at_s, UTC).isoformat(timespec="seconds")
        out.writerow((ended_at, int(row.clock_trusted), *row[2:9], int(row.is_day), *row[10:]))
    thinned = thinned_days()
    if thinned:
        print(
            f"hygrohold: the minutes of {len(thinned)} days are no longer there, in whole or in part "
            "(history.keep_minutes_days); their totals are: --format csv",
            file=sys.stderr,
        )
    return DONE
