"""note: tell the loop and the journal what was done or seen; correct or withdraw an earlier note."""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.core import notes
from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.core.records import Request
    from controller.journal import Entry
    from controller.settings import Settings

LONGEST = {"animal": 40, "text": 500}
"""Letters that a request may hold (``spool.py``)."""
GOES_WITH = {
    "litres": ("refilled", "correct"),
    "full": ("refilled",),
    "animal": ("substrate", "misted", "opaque", "shed", "remark", "correct"),
    "outcome": ("shed", "correct"),
    "raise_rh_pct": ("opaque",),
    "for_s": ("opaque",),
    "at": (*notes.KINDS, "correct"),
    "number": notes.AMENDING,
}
"""Which words belong to which kind of note; --text and --by go with each."""
OPTIONS = {
    "outcome": "--whole and --in-pieces",
    "raise_rh_pct": "--raise",
    "for_s": "--days",
    "number": "a NUMBER",
}


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "note",
        run,
        "note what was done or seen, as a filling or a shed; correct or withdraw a note",
        'hygrohold note shed --animal Juno --whole --at 2026-01-14 --by Ann --text "tail included"',
        "A note may be about the past. Nothing is erased: a correction stands beside what was written first. "
        "`hygrohold journal` lists the notes with their numbers. Two notes of one filling, within half an "
        "hour, are taken as one.",
    )
    to.add_argument("what", choices=(*notes.KINDS, *notes.AMENDING), help="what was done or seen")
    to.add_argument(
        "number",
        nargs="?",
        type=_number,
        metavar="NUMBER",
        help="correct, withdraw: which note (see journal)",
    )
    to.add_argument(
        "--litres",
        type=common.water_l,
        metavar="L",
        help='refilled: litres added, or "0.5 gal", "64 fl oz" (default: to the top)',
    )
    to.add_argument(
        "--full",
        action="store_true",
        help="refilled, with --litres: they filled it to the top; that teaches what the humidifier gives",
    )
    to.add_argument("--animal", metavar="NAME", help="of which animal; needed for opaque and shed")
    how = to.add_mutually_exclusive_group()
    how.add_argument(
        "--whole", dest="outcome", action="store_const", const="whole", help="shed: in one piece"
    )
    how.add_argument(
        "--in-pieces", dest="outcome", action="store_const", const="pieces", help="shed: not in one piece"
    )
    to.add_argument(
        "--raise",
        dest="raise_rh_pct",
        type=common.above_zero,
        metavar="RH",
        help="opaque: raise the target from now on, by so many %%RH, never above the ceiling",
    )
    to.add_argument(
        "--days",
        dest="for_s",
        type=_days,
        metavar="N",
        help="opaque, with --raise: for so many days (default: as set, 3 days)",
    )
    to.add_argument("--text", metavar="WORDS", help="what else there is to say")
    to.add_argument(
        "--at",
        type=common.moment,
        metavar="TIME",
        help="when, if not now: 16:40, 2026-01-14, 2026-01-14T16:40",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:19]) <= 2**62 and len(text) <= 19):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not the number of a note; `hygrohold journal` has them"
        )
    return int(text)


def _days(text: str) -> float:
    return common.duration_s(f"{text}d")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE

    _check(args)
    settings = common.load(args)
    if args.what in notes.AMENDING:
        return _amend(args, settings)
    request = _request(args, settings)
    if words := common.was_yesterday(args.at, request.at):
        print(words)
    code = common.ask(args, request)
    if code == DONE:
        _number_of(settings, request)
    if request.kind == "shed":
        from controller.cli.journal import print_comparison

        print_comparison(settings, request)
    return code


def _number_of(settings: Settings, request: Request) -> None:
    """Under which number the note just made is in the journal. Never fails it."""
    from controller.cli.journal import reader
    from controller.errors import HistoryError

    try:
        rows = [row for row in reader(settings).notes() if row.kind == request.kind and row.done]
    except HistoryError:
        return
    if rows:
        number = max(row.number for row in rows)
        print(f"In the journal it is note {number}.")


def _check(args: argparse.Namespace) -> None:
    """Says what does not go with this kind of note, or is too long. Raises SettingsError."""
    what = args.what
    for name, kinds in GOES_WITH.items():
        if getattr(args, name) in (None, False) or what in kinds:
            continue
        if what == "cleaned" and name in ("litres", "full"):
            raise SettingsError("--litres and --full go with refilled, not with cleaned")
        raise SettingsError(f"{_option(name)} cannot go with {what}, only with {', '.join(kinds)}")
    for name, most in LONGEST.items():
        given = getattr(args, name)
        if given is not None and len(given) > most:
            raise SettingsError(f"--{name}: {len(given)} letters; at most {most} are kept")
    missing = _missing(args)
    if missing:
        raise SettingsError(missing)


def _option(name: str) -> str:
    return OPTIONS.get(name, f"--{name}")


def _missing(args: argparse.Namespace) -> str:
    """What this kind of note needs and was not said; "" where all was."""
    what = args.what
    needs = {
        "number": (notes.AMENDING, "which note? `hygrohold journal` lists them with their numbers"),
        "animal": (("opaque", "shed"), "which animal? Say --animal NAME"),
        "outcome": (("shed",), "say --whole or --in-pieces"),
        "text": (("remark",), "say it with --text WORDS"),
    }
    for name, (kinds, words) in needs.items():
        given = getattr(args, name)
        if what in kinds and (given is None or not str(given).strip()):
            return f"{what}: {words}"
    return "--days goes with --raise" if args.for_s is not None and args.raise_rh_pct is None else ""


def _request(args: argparse.Namespace, settings: Settings) -> Request:
    from controller.core.records import Request
    from controller.journal import one_line
    from controller.wiring import zone

    return Request(
        args.what,
        by=args.by,
        at=None if args.at is None else common.past(args.at, zone(settings)),
        litres=args.litres,
        full=args.full,
        for_s=args.for_s,
        rh_pct=args.raise_rh_pct,
        animal=one_line(args.animal or ""),
        outcome=args.outcome or "",
        remark=one_line(args.text or ""),
    )


def _amend(args: argparse.Namespace, settings: Settings) -> int:
    """A correction says the whole note anew: what is not said stays as it stands."""
    from controller import journal
    from controller.cli.journal import reader
    from controller.core.records import Request
    from controller.journal_text import describe
    from controller.wiring import zone

    tz = zone(settings)
    entry = _meant(args.number, reader(settings).notes(), settings)
    note = entry.note
    if args.what == "withdraw":
        remark = journal.one_line(args.text or "")
        request = Request("withdraw", by=args.by, about=entry.number, remark=remark)
    else:
        _check_correction(args, note.kind)
        asked = _request(args, settings)
        if words := common.was_yesterday(args.at, asked.at):
            print(words)
        request = Request(
            "correct",
            by=args.by,
            at=asked.at or journal.moment(note, tz),
            litres=note.litres if args.litres is None else args.litres,
            animal=note.animal if args.animal is None else asked.animal,
            outcome=note.outcome if args.outcome is None else args.outcome,
            remark=note.remark if args.text is None else asked.remark,
            about=entry.number,
        )
    print(f"Note {entry.number} is: {describe(note, tz)}")
    code = common.ask(args, request)
    more = LEFT_ALONE.get(note.kind)
    if note.kind == "opaque" and note.rh_pct is not None:
        more = _raise_that_stands(settings)
    if more:
        print(more)
    return code


def _raise_that_stands(settings: Settings) -> str:
    """A note that is taken back does not take its raise along; "" where none stands."""
    from controller.status import RAISE_ENDS, raised_words, read_status
    from controller.wiring import places, zone

    now = datetime.now(zone(settings))
    words = raised_words(read_status(places(settings).status) or {}, now)
    return f"The target stays {words}; {RAISE_ENDS}." if words else ""


LEFT_ALONE = {
    "refilled": "The tank's estimate and what was learned from that filling stay as they are.",
    "cleaned": "The reminder to clean goes on counting from the note as it was first made.",
}
"""What was done with a note when it came is not undone."""


def _meant(number: int, rows: list[Any], settings: Settings) -> Entry:
    """The note under a number. Raises SettingsError."""
    from controller import journal
    from controller.wiring import zone

    entry = journal.find(rows, number)
    if entry is None:
        other = next((row for row in rows if row.number == number), None)
        words = f"there is no note {number}"
        if other is not None:
            words = f"number {number} is no note of the journal, but a request ({other.kind})"
        raise SettingsError(f"{words}; `hygrohold journal` lists the notes with their numbers")
    if entry.withdrawn is not None:
        when = journal.moment(entry.withdrawn._replace(happened_at_s=None), zone(settings))
        by = f" by {journal.one_line(entry.withdrawn.by)}" if entry.withdrawn.by else ""
        raise SettingsError(
            f"note {entry.number} was withdrawn{by} on {when:%Y-%m-%d %H:%M}; make a new one instead"
        )
    return entry


def _check_correction(args: argparse.Namespace, kind: str) -> None:
    """A correction changes what its kind of note has. Raises SettingsError."""
    changed = [
        name for name in ("litres", "animal", "outcome", "at", "text") if getattr(args, name) is not None
    ]
    if not changed:
        raise SettingsError("correct: say what is different, as in --at, --animal or --text")
    for name in changed:
        if name != "text" and kind not in GOES_WITH[name]:
            raise SettingsError(
                f"note {args.number} is of the kind {kind}, which takes no {_option(name)}; "
                "withdraw it and make a new one"
            )
    if kind in ("opaque", "shed") and args.animal is not None and not args.animal.strip():
        raise SettingsError(f"{kind}: which animal? Say --animal NAME")
    if kind == "remark" and args.text is not None and not args.text.strip():
        raise SettingsError("remark: an empty one says nothing; withdraw it instead")
