"""The journal for people and for programs: a list of lines, CSV, JSON.

In:    entries of ``journal.py``, the room's time zone.
Out:   text. What came from outside is shown on one line, without control characters.
Never: reads the record or a clock.
"""

from __future__ import annotations

import csv
import json
import textwrap
from collections.abc import Sequence
from datetime import datetime, tzinfo
from io import StringIO
from typing import TYPE_CHECKING, Any

from controller import journal
from controller.core.keeper import duration_words
from controller.core.notes import OUTCOMES
from controller.journal import one_line

if TYPE_CHECKING:
    from controller.history.read import Note
    from controller.journal import Entry

WIDTH = 100
_WORDS = {
    "refilled": "refilled",
    "cleaned": "humidifier cleaned",
    "substrate": "substrate renewed",
    "misted": "misted by hand",
    "opaque": "opaque",
    "shed": "shed",
    "remark": "remark",
}


def describe(note: Note, tz: tzinfo) -> str:
    """One note in one line: "2026-01-14 16:40  Juno: shed whole. tail included (Ann)"."""
    doubt = "*" if note.happened_at_s is None and not note.clock_trusted else ""
    return f"{journal.moment(note, tz):%Y-%m-%d %H:%M}{doubt}  {told(note)}"


def told(note: Note) -> str:
    """What a note says, without its time."""
    what = _WORDS.get(note.kind, note.kind)
    if note.kind == "shed":
        what = f"shed {OUTCOMES.get(note.outcome, one_line(note.outcome))}".rstrip()
    if note.kind == "refilled":
        what += " to the top" if note.litres is None else f", {note.litres:.3g} L added"
    if note.kind == "opaque" and note.rh_pct is not None:
        what += f", target raised by {note.rh_pct:g} %RH"
        what += "" if note.for_s is None else f" for {duration_words(note.for_s)}"
    animal = one_line(note.animal)
    said = f"{animal}: {what}" if animal else what
    if note.remark:
        said += f". {one_line(note.remark)}"
    by = one_line(note.by)
    return f"{said} ({by})" if by else said


def as_text(entries: Sequence[Entry], tz: tzinfo, hidden: int = 0) -> str:
    """A line for each note with its number, the newest last; below it, what it was before.

    ``hidden``: so many withdrawn notes were left out.
    """
    lines: list[str] = []
    width = max((len(str(entry.number)) for entry in entries), default=1)
    for entry in entries:
        lines += _wrapped(f"{entry.number:>{width}}  {describe(entry.note, tz)}", width + 2)
        lines += [
            part for words in history(entry, tz) for part in _wrapped(" " * (width + 4) + words, width + 6)
        ]
    if any(entry.note.happened_at_s is None and not entry.note.clock_trusted for entry in entries):
        lines.append("* The board could not tell whether its clock was right.")
    if hidden:
        lines.append(f"Withdrawn and not shown: {hidden} (--all shows what was withdrawn).")
    return "\n".join(lines) + "\n" if lines else ""


def history(entry: Entry, tz: tzinfo) -> list[str]:
    """What became of a note, a line each, in words; none where it is as it was written."""
    before = journal.versions(entry)
    lines = []
    for number, row in enumerate(entry.corrections):
        lines.append(f"corrected {_when_and_who(row, tz)}; it was: {describe(before[number], tz)}")
    if entry.withdrawn is not None:
        why = one_line(entry.withdrawn.remark)
        lines.append(f"withdrawn {_when_and_who(entry.withdrawn, tz)}{': ' if why else ''}{why}")
    return lines


def _when_and_who(row: Note, tz: tzinfo) -> str:
    by = one_line(row.by)
    at = journal.moment(row._replace(happened_at_s=None), tz)
    return f"{at:%Y-%m-%d %H:%M}{' by ' if by else ''}{by}"


def _wrapped(line: str, indent: int) -> list[str]:
    return textwrap.wrap(
        line, WIDTH, subsequent_indent=" " * indent, drop_whitespace=True, break_on_hyphens=False
    )


FIELDS = (
    *(
        "number",
        "happened_at",
        "kind",
        "animal",
        "outcome",
        "litres",
        "text",
        "by",
        "noted_at",
        "corrections",
    ),
    *("withdrawn_at", "withdrawn_by"),
)


def as_plain(entry: Entry, tz: tzinfo) -> dict[str, Any]:
    """The fields of CSV and JSON; times in the room's zone with their offset from UTC."""
    note, gone = entry.note, entry.withdrawn
    return {
        "number": entry.number,
        "happened_at": _iso(journal.moment(note, tz)),
        "kind": note.kind,
        "animal": note.animal,
        "outcome": note.outcome,
        "litres": note.litres,
        "text": note.remark,
        "by": note.by,
        "noted_at": _iso(journal.moment(note._replace(happened_at_s=None), tz)),
        "corrections": len(entry.corrections),
        "withdrawn_at": None if gone is None else _iso(journal.moment(gone._replace(happened_at_s=None), tz)),
        "withdrawn_by": None if gone is None else gone.by,
    }


def as_csv(entries: Sequence[Entry], tz: tzinfo) -> str:
    """A line for each note, an empty field for what is not said."""
    out = StringIO()
    writer = csv.DictWriter(out, FIELDS, lineterminator="\n")
    writer.writeheader()
    for entry in entries:
        writer.writerow({name: _plain_text(value) for name, value in as_plain(entry, tz).items()})
    return out.getvalue()


def as_json(entries: Sequence[Entry], tz: tzinfo) -> str:
    """The same as CSV, and for each note all that was written of it, the first version first."""
    plain = []
    for entry in entries:
        earlier = [
            _version(note, row, tz) for note, row in zip(journal.versions(entry), _by(entry), strict=True)
        ]
        plain.append({**as_plain(entry, tz), "versions": earlier})
    return json.dumps(plain, indent=2, ensure_ascii=False) + "\n"


def _by(entry: Entry) -> tuple[Note, ...]:
    """The rows behind the versions."""
    return (entry.rows[0], *entry.corrections)


def _version(note: Note, row: Note, tz: tzinfo) -> dict[str, Any]:
    return {
        "row": row.number,
        "written_at": _iso(journal.moment(row._replace(happened_at_s=None), tz)),
        "written_by": row.by,
        "happened_at": _iso(journal.moment(note, tz)),
        "animal": note.animal,
        "outcome": note.outcome,
        "litres": note.litres,
        "text": note.remark,
    }


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def _plain_text(value: Any) -> Any:
    return one_line(value) if isinstance(value, str) else value
