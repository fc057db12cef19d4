"""report: the record, day by day."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable, Iterable, Sized
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from controller.cli import common

if TYPE_CHECKING:
    from pathlib import Path

    from controller.ports import Sample
    from controller.settings import Settings

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
    how = to.add_mutually_exclusive_group()
    how.add_argument("--format", choices=("text", "csv", "json"), default="text", help="default: text")
    how.add_argument("--minutes", action="store_true", help="a CSV line for each recorded minute instead")


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
    record = HistoryReader(places(settings).history)
    if args.minutes:
        record.day_totals(first, last)  # a record that cannot be read is told before the first line
        return _minutes(record.minutes(from_s, to_s), lambda: record.day_totals(first, last))
    with record.at_one_moment() as reader:
        thinned = reader.day_totals(first, last)
        figures = report.day_figures(
            reader.minutes(from_s, to_s),
            reader.switchings(from_s, to_s),
            reader.notes(from_s, to_s),
            settings.target.band_low_rh_pct,
            settings.target.band_high_rh_pct,
            tz,
            _rate_l_per_h(settings, places(settings).state),
            thinned,
        )
    if not figures and args.format == "text":
        print(f"Nothing was recorded from {first} to {last}.")
        return DONE
    write = {"text": report.as_text, "csv": report.as_csv, "json": report.as_json}[args.format]
    print(write(figures))
    return DONE


def _rate_l_per_h(settings: Settings, folder: Path) -> float:
    """The humidifier's output as it is believed today, which is what status and the tank go by."""
    from controller.core import tank
    from controller.keep import peek

    state = peek(folder)
    return tank.rate_l_per_h(tank.TankMemory() if state is None else state.tank, settings.tank)


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
