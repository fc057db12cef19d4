"""JOURNAL: the notes as they stand now, out of the rows that were written one after the other.

In:    the record's notes, all of them and in the order of writing (``HistoryReader.notes()`` without bounds:
       a correction may be made long after the time that it is about).
Out:   one entry for each note, with its history; the notes that stand.
Never: loses a row, or a note. A correction names a note by its number and says anew all that can be
       corrected; a withdrawal names one and takes it out of what stands. Neither touches the row it is about.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, NamedTuple

from controller.core.notes import AMENDING, KINDS

if TYPE_CHECKING:
    from controller.history.read import Note

_UNSHOWN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode's categories of controls, of marks without a width, of halves of a character, of line breaks."""
_JOINERS = "\u200c\u200d"
"""Without a width, but letters of some scripts and some pictures are written with them."""

LAST_S = 220e9
"""In the year 8941: no calendar of a time zone ends before."""


class Entry(NamedTuple):
    """One note and what became of it. ``rows``: as they were written, the note itself first."""

    note: Note  # as it stands, or stood when it was withdrawn
    rows: tuple[Note, ...]
    withdrawn: Note | None = None

    @property
    def number(self) -> int:
        return self.rows[0].number

    @property
    def corrections(self) -> tuple[Note, ...]:
        return tuple(row for row in self.rows[1:] if row.kind == "correct")


def standing(notes: Iterable[Note]) -> list[Note]:
    """The notes of the journal that stand, corrected, by when they happened.

    Give it every note of the record and choose by ``happened_s`` afterwards. Requests of other kinds, and
    what was refused, are no notes.
    """
    return sorted((entry.note for entry in entries(notes) if entry.withdrawn is None), key=happened_s)


def happened_s(note: Note) -> float:
    """When it happened, UTC, seconds since 1970: when it was answered, unless another time was said."""
    return note.at_s if note.happened_at_s is None else note.happened_at_s


def entries(notes: Iterable[Note]) -> list[Entry]:
    """Every note of the journal with its history, withdrawn ones as well, in the order of writing.

    What a correction names may itself be a correction: the note that is meant is the same. A row that names
    no note, or one that is withdrawn already, changes nothing; ``unmatched`` has those.
    """
    return _resolve(notes)[0]


def unmatched(notes: Iterable[Note]) -> list[Note]:
    """Corrections and withdrawals that changed nothing: no note stands under the number they name."""
    return _resolve(notes)[1]


def find(notes: Iterable[Note], number: int) -> Entry | None:
    """The note under a number, or under that of one of its corrections; None where there is none."""
    return next((entry for entry in entries(notes) if any(row.number == number for row in entry.rows)), None)


def _resolve(notes: Iterable[Note]) -> tuple[list[Entry], list[Note]]:
    found: list[Entry] = []
    place: dict[int | None, int] = {}  # in ``found``, of each row's number
    lost = []
    for row in sorted((row for row in notes if row.done), key=lambda row: row.number):
        if row.kind in KINDS:
            place[row.number] = len(found)
            found.append(Entry(row, (row,)))
        elif row.kind in AMENDING:
            index = place.get(row.about)
            if index is None or found[index].withdrawn is not None:
                lost.append(row)
                continue
            place[row.number] = index
            found[index] = _amended(found[index], row)
    return found, lost


def _amended(entry: Entry, row: Note) -> Entry:
    rows = (*entry.rows, row)
    if row.kind == "withdraw":
        return Entry(entry.note, rows, row)
    return Entry(corrected(entry.note, row), rows)


def corrected(note: Note, by: Note) -> Note:
    """A note with all that a correction says anew; who made it, its number and its kind stay."""
    return note._replace(
        happened_at_s=note.happened_at_s if by.happened_at_s is None else by.happened_at_s,
        litres=by.litres,
        animal=by.animal,
        outcome=by.outcome,
        remark=by.remark,
    )


def versions(entry: Entry) -> list[Note]:
    """The note as it stood after each of its corrections, as it was written first; the last one stands."""
    found = [entry.rows[0]]
    for row in entry.corrections:
        found.append(corrected(found[-1], row))
    return found


def one_line(text: str) -> str:
    """Words from outside as one line that a terminal shows as it is: without control characters."""
    shown = (
        " " if unicodedata.category(each) in _UNSHOWN and each not in _JOINERS else each for each in text
    )
    return unicodedata.normalize("NFC", " ".join("".join(shown).split()))


def animal_key(name: str) -> str:
    """What two spellings of one animal's name have in common: "Juno", " juno " and "JUNO" are one.

    Case, spaces around and double spaces within, and the way an accent is written (Unicode NFKC) do not
    count. Everything else does: "Juno 2" and "Juno2" are two animals.
    """
    return unicodedata.normalize("NFKC", one_line(unicodedata.normalize("NFKC", name)).casefold())


def of_animal(notes: Sequence[Note], name: str) -> list[Note]:
    """The notes about one animal."""
    return [note for note in notes if animal_key(note.animal) == animal_key(name)]


def moment(note: Note, tz: tzinfo) -> datetime:
    """When it happened, in the room's time zone; what no calendar has is shown at its edge."""
    return datetime.fromtimestamp(min(max(happened_s(note), 0.0), LAST_S), tz)
