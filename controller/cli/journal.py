"""journal: the notes as they stand, and the air before each animal's sheds."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import HistoryError, SettingsError

if TYPE_CHECKING:
    from controller.core.records import Request
    from controller.history.read import HistoryReader
    from controller.journal import Entry
    from controller.settings import Settings
    from controller.sheds import Comparison, Fortnight, Shed


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "journal",
        run,
        "list the notes with their numbers, or each animal's sheds and the air before them",
        "hygrohold journal --sheds --animal Juno",
        "A name is matched whatever its case and spaces. Notes that wait for the program are not in it yet.",
    )
    common.add_settings(to, asks=True)
    to.add_argument("--days", type=int, metavar="N", help="the last N days only (default: 30; --sheds: all)")
    to.add_argument("--animal", metavar="NAME", help="only what is about this animal")
    to.add_argument("--all", action="store_true", help="withdrawn notes as well")
    to.add_argument(
        "--sheds", action="store_true", help="each animal's sheds, and the 14 days before the last one"
    )
    to.add_argument("--format", choices=("text", "csv", "json"), default="text", help="default: text")


def reader(settings: Settings) -> HistoryReader:
    from controller.history.read import HistoryReader
    from controller.wiring import places

    return HistoryReader(places(settings).history)


def run(args: argparse.Namespace) -> int:
    from controller import journal
    from controller.cli import DONE
    from controller.spool import Spool
    from controller.wiring import places, zone

    if args.days is not None and not 1 <= args.days <= 36600:
        raise SettingsError(f"--days: found {args.days}; allowed: 1 to 36600")
    settings = common.load(args)
    tz = zone(settings)
    days = args.days or (36600 if args.sheds else 30)
    from_s = (datetime.now(tz) - timedelta(days=days)).timestamp()
    record = reader(settings)
    rows = record.notes()
    named = [
        entry
        for entry in journal.entries(rows)
        if args.animal is None or journal.animal_key(entry.note.animal) == journal.animal_key(args.animal)
    ]
    chosen = [entry for entry in named if journal.happened_s(entry.note) >= from_s]
    if args.sheds:
        return _sheds(args, settings, record, chosen)
    shown = [entry for entry in chosen if args.all or entry.withdrawn is None]
    shown.sort(key=lambda entry: journal.happened_s(entry.note))
    _print_notes(args, shown, len(chosen) - len(shown), days, tz)
    earlier = sum(args.all or entry.withdrawn is None for entry in named) - len(shown)
    if earlier and args.format == "text":
        older = "An earlier note is" if earlier == 1 else f"{earlier} earlier notes are"
        print(f"{older} not shown: these are of the last {days} days; --days N looks further back.")
    waiting = Spool(places(settings).spool).waiting()
    if waiting and args.format == "text":
        print(f"{waiting} {'request waits' if waiting == 1 else 'requests wait'} for the program.")
    if args.all and args.format == "text":
        for row in journal.unmatched(rows):
            by = journal.one_line(row.by) or "somebody"
            print(
                f"{row.number}  {by}: {row.kind} {row.about}; that changed nothing, no such note stood then"
            )
    return DONE


def _print_notes(args: argparse.Namespace, shown: list[Entry], hidden: int, days: int, tz: Any) -> None:
    from controller import journal_text
    from controller.journal import one_line

    if args.format == "csv":
        print(journal_text.as_csv(shown, tz), end="")
    elif args.format == "json":
        print(journal_text.as_json(shown, tz), end="")
    else:
        about = "" if args.animal is None else f" about {one_line(args.animal)}"
        if not shown:
            print(f"No note{about} in the last {days} days.")
        print(journal_text.as_text(shown, tz, hidden), end="")


def _sheds(
    args: argparse.Namespace, settings: Settings, record: HistoryReader, chosen: Sequence[Entry]
) -> int:
    from controller import sheds, sheds_text
    from controller.cli import DONE
    from controller.journal import one_line
    from controller.wiring import zone

    animals = sheds.sheds_of(entry.note for entry in chosen if entry.withdrawn is None)
    rows = {key: [(shed, _fortnight(settings, record, shed)) for shed in own] for key, own in animals.items()}
    if args.format == "json":
        print(
            json.dumps([_plain(*row) for own in rows.values() for row in own], indent=2, ensure_ascii=False)
        )
        return DONE
    if args.format == "csv":
        _sheds_csv([_plain(*row) for own in rows.values() for row in own])
        return DONE
    tz, band = zone(settings), settings.target
    if not rows:
        print("No shed is noted: `hygrohold note shed --animal NAME --whole`, or --in-pieces.")
    for own in rows.values():
        print(one_line(own[-1][0].animal))
        print("\n".join(sheds_text.overview(own, tz)))
        print()
        found = _compared(own[-1][0], dict(own))
        print(sheds_text.as_text(found, band.band_low_rh_pct, band.band_high_rh_pct, tz))
    return DONE


def _fortnight(settings: Settings, record: HistoryReader, shed: Shed) -> Fortnight:
    from controller import sheds

    band = settings.target
    rows = record.rows(shed.at_s - sheds.WINDOW_S, shed.at_s)
    return sheds.fortnight(rows, shed.at_s, band.band_low_rh_pct, band.band_high_rh_pct)


def _compared(shed: Shed, fortnights: dict[Shed, Fortnight]) -> Comparison:
    from controller import sheds

    earlier = sheds.earlier_whole(shed, list(fortnights))
    return sheds.compare(shed, fortnights[shed], [fortnights[each] for each in earlier])


def _plain(shed: Shed, own: Fortnight) -> dict[str, Any]:
    from datetime import UTC

    at = datetime.fromtimestamp(shed.at_s, UTC).isoformat(timespec="seconds")
    figures = own._asdict()
    del figures["to_s"]
    return {
        "number": shed.number,
        "animal": shed.animal,
        "shed_at": at,
        "outcome": "whole" if shed.whole else "pieces",
        **figures,
        "off_h": dict(own.off_h),
    }


def _sheds_csv(rows: list[dict[str, Any]]) -> None:
    from controller.sheds import Fortnight

    names = ("number", "animal", "shed_at", "outcome", *Fortnight._fields[1:-1])
    out = csv.DictWriter(sys.stdout, names, lineterminator="\n", extrasaction="ignore")
    out.writeheader()
    out.writerows(rows)


def print_comparison(settings: Settings, request: Request) -> None:
    """What the record says of the 14 days before a shed that was noted just now. Never fails the note."""
    from controller import journal, sheds, sheds_text
    from controller.wiring import zone

    tz, band = zone(settings), settings.target
    at = request.at or datetime.now(tz)
    shed = sheds.Shed(request.animal, at.timestamp(), request.outcome == "whole")
    record = reader(settings)
    print()
    try:
        own = sheds.sheds_of(journal.standing(record.notes())).get(journal.animal_key(shed.animal), [])
        earlier = sheds.earlier_whole(shed, own)
        found = {each: _fortnight(settings, record, each) for each in (*earlier, shed)}
        compared = sheds.compare(shed, found[shed], [found[each] for each in earlier])
        print(sheds_text.as_text(compared, band.band_low_rh_pct, band.band_high_rh_pct, tz), end="")
    except HistoryError as error:
        print(f"Nothing to compare it with: {error}.\n\n{sheds_text.FIRST}", end="")
