"""report: the record, day by day."""

from __future__ import annotations

import argparse
from datetime import date, datetime, timedelta
from typing import Any

from controller.cli import common

FIRST_DAY = date(1970, 1, 1)


def _day(text: str) -> date:
    try:
        found = date.fromisoformat(text)
        if 1970 <= found.year <= 9000:
            return found
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-01-14")


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "report",
        run,
        "show the record day by day",
        "hygrohold report --days 7 --format csv > week.csv",
    )
    common.add_settings(to, asks=True)
    to.add_argument("--days", type=int, default=14, metavar="N", help="the last N days (default: 14)")
    to.add_argument("--from", dest="first", type=_day, metavar="DATE", help="from this day on instead")
    to.add_argument("--to", dest="last", type=_day, metavar="DATE", help="up to and with this day")
    to.add_argument("--format", choices=("text", "csv", "json"), default="text", help="default: text")


def run(args: argparse.Namespace) -> int:
    from controller import report
    from controller.cli import DONE
    from controller.errors import SettingsError
    from controller.history.read import HistoryReader
    from controller.wiring import places, zone

    if not 1 <= args.days <= 36600:
        raise SettingsError(f"--days: found {args.days}; allowed: 1 to 36600")
    settings = common.load(args)
    tz = zone(settings)
    last = args.last or datetime.now(tz).date()
    first = args.first or last - timedelta(days=min(args.days - 1, (last - FIRST_DAY).days))
    if first > last:
        raise SettingsError(f"--from {first} is later than --to {last}")
    from_s = datetime(first.year, first.month, first.day, tzinfo=tz).timestamp()
    after = last + timedelta(days=1)
    to_s = datetime(after.year, after.month, after.day, tzinfo=tz).timestamp()
    reader = HistoryReader(places(settings).history)
    figures = report.day_figures(
        reader.minutes(from_s, to_s),
        reader.switchings(from_s, to_s),
        reader.notes(from_s, to_s),
        settings.target.band_low_rh_pct,
        settings.target.band_high_rh_pct,
        tz,
        settings.tank.rate_l_per_h,
    )
    if not figures and args.format == "text":
        print(f"Nothing was recorded from {first} to {last}.")
        return DONE
    write = {"text": report.as_text, "csv": report.as_csv, "json": report.as_json}[args.format]
    print(write(figures))
    return DONE
