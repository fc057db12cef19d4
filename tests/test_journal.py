"""JOURNAL: how the notes stand after corrections and withdrawals, and that nothing is lost."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import journal, journal_text
from controller.history.read import Note

NOON_S = datetime(2026, 1, 14, 12, tzinfo=UTC).timestamp()
HOUR_S = 3600.0
BASE = Note(NOON_S, True, "shed", "id", "Ann", None, None, None, None, True, "noted")


def row(number: int, kind: str = "shed", **changes: Any) -> Note:
    """The n-th row of the record, written n hours after noon."""
    return BASE._replace(number=number, kind=kind, at_s=NOON_S + HOUR_S * number)._replace(**changes)


def shed(number: int, animal: str = "Juno", outcome: str = "whole", **changes: Any) -> Note:
    return row(number, animal=animal, outcome=outcome, happened_at_s=NOON_S, **changes)


def numbers(found: list[Note]) -> list[int]:
    return [note.number for note in found]


def test_a_correction_says_the_whole_note_anew_and_the_first_row_stays() -> None:
    first = shed(1, outcome="pieces", remark="hm")
    by = row(2, "correct", about=1, animal="Juno", outcome="whole", by="Ben", happened_at_s=NOON_S - 60)
    (entry,) = journal.entries([first, by])
    assert entry.note == first._replace(outcome="whole", remark="", happened_at_s=NOON_S - 60)
    assert (entry.number, entry.note.by, entry.rows, entry.withdrawn) == (1, "Ann", (first, by), None)
    assert journal.versions(entry) == [first, entry.note]
    assert journal.standing([first, by]) == [entry.note]


def test_a_correction_of_a_correction_is_about_the_same_note() -> None:
    rows = [
        shed(1, outcome="pieces"),
        row(2, "correct", about=1, animal="Juno", outcome="whole"),
        row(3, "correct", about=2, animal="Nox", outcome="whole"),
        row(4, "correct", about=3, animal="Nox", outcome="whole", remark="sure"),
    ]
    (entry,) = journal.entries(rows)
    assert (entry.note.animal, entry.note.remark, entry.number) == ("Nox", "sure", 1)
    assert [note.animal for note in journal.versions(entry)] == ["Juno", "Juno", "Nox", "Nox"]
    assert [journal.find(rows, number) for number in (1, 2, 3, 4)] == [entry] * 4
    (gone,) = journal.entries([*rows, row(5, "withdraw", about=3)])
    assert gone.withdrawn is not None
    assert gone.note == entry.note
    assert journal.standing([*rows, row(5, "withdraw", about=3)]) == []


def test_a_withdrawal_twice_and_a_correction_after_it_change_nothing_and_are_not_lost() -> None:
    rows = [
        shed(1),
        row(2, "withdraw", about=1, by="Ben"),
        row(3, "withdraw", about=1, by="Cleo"),
        row(4, "correct", about=1, animal="Nox", outcome="whole"),
        shed(5, "Nox"),
    ]
    first, second = journal.entries(rows)
    assert first.withdrawn is not None
    assert (first.withdrawn.by, first.note.animal) == ("Ben", "Juno")
    assert numbers(journal.unmatched(rows)) == [3, 4]
    assert journal.standing(rows) == [second.note]


@pytest.mark.parametrize("about", [99, None, 2, 4])
def test_a_number_without_a_note_changes_nothing(about: int | None) -> None:
    """99 is nowhere, 2 is a pause, 4 was refused."""
    rows = [shed(1), row(2, "pause"), row(3, "withdraw", about=about), shed(4, done=False)]
    assert numbers(journal.standing(rows)) == [1]
    assert numbers(journal.unmatched(rows)) == [3]
    assert about is None or journal.find(rows, about) is None


def test_a_row_before_the_note_that_it_names_is_no_correction_of_it() -> None:
    rows = [row(1, "withdraw", about=2), shed(2)]
    assert numbers(journal.standing(rows)) == [2]
    assert numbers(journal.unmatched(rows)) == [1]


def test_refused_rows_and_other_requests_are_no_notes() -> None:
    rows = [
        row(1, "pause"),
        row(2, "raise_target"),
        shed(3, done=False),
        row(4, "withdraw", about=5, done=False),
    ]
    assert journal.standing(rows) == []
    assert numbers(journal.standing([*rows, row(5, "refilled")])) == [5]


def test_what_stands_is_by_when_it_happened() -> None:
    """A correction may move a note in time; one about last week may be written today."""
    rows = [
        row(1, "cleaned", happened_at_s=NOON_S),
        row(2, "refilled", happened_at_s=NOON_S - 7 * 86400),
        row(3, "refilled", happened_at_s=None),
        row(4, "correct", about=1, happened_at_s=NOON_S - 8 * 86400),
    ]
    found = journal.standing(rows)
    assert numbers(found) == [1, 2, 3]
    assert [journal.happened_s(note) for note in found] == [
        NOON_S - 8 * 86400,
        NOON_S - 7 * 86400,
        NOON_S + 3 * HOUR_S,
    ]


def test_notes_without_a_number_are_not_lost() -> None:
    assert len(journal.standing([row(0, "refilled"), row(0, "refilled")])) == 2


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["shed", "refilled", "correct", "withdraw", "pause"]),
            st.none() | st.integers(0, 12),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_every_row_that_was_done_is_in_one_entry_or_unmatched(
    told: list[tuple[str, int | None, bool]],
) -> None:
    rows = [row(n, kind, about=about, done=done) for n, (kind, about, done) in enumerate(told, 1)]
    meant = sorted(each.number for each in rows if each.done and each.kind != "pause")
    held = [each.number for entry in journal.entries(rows) for each in entry.rows]
    assert sorted([*held, *numbers(journal.unmatched(rows))]) == meant
    gone = sum(entry.withdrawn is not None for entry in journal.entries(rows))
    assert len(journal.standing(rows)) == len(journal.entries(rows)) - gone
    assert journal.entries(list(reversed(rows))) == journal.entries(rows)


# --- names ---


@pytest.mark.parametrize(
    "name", ["Juno", " juno ", "JUNO", "ju\u200dno".replace("\u200d", ""), "Juno\n", "\tJuno"]
)
def test_one_animal_in_many_spellings(name: str) -> None:
    assert journal.animal_key(name) == journal.animal_key("juno")


def test_two_animals_stay_two() -> None:
    names = ["Juno", "Juno 2", "Juno2", "Jun o", "Nox", "Ännchen", "Annchen"]
    assert len({journal.animal_key(name) for name in names}) == len(names)


def test_accents_and_sharp_letters_however_they_are_written() -> None:
    """Unicode Standard, chapter 3.11 and 3.13: canonical equivalents; full case folding of U+00DF is "ss"."""
    assert journal.animal_key("Zoe\u0301") == journal.animal_key("ZO\u00c9")
    assert journal.animal_key("Fuß") == journal.animal_key("FUSS")
    assert journal.animal_key("Big  Red") == journal.animal_key("big red")


def test_of_animal() -> None:
    rows = [shed(1, "Juno"), shed(2, " JUNO"), shed(3, "Nox")]
    assert numbers(journal.of_animal(rows, "juno")) == [1, 2]


def test_words_from_outside_are_one_line_without_controls() -> None:
    assert journal.one_line("red \x1b[31m\nand\r\n\u202e more\ud800") == "red [31m and more"
    assert journal.one_line("👩\u200d🔬 नमस्ते  ok") == "👩\u200d🔬 नमस्ते ok"


# --- text ---

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("note", "words"),
    [
        (shed(1, remark="tail included"), "Juno: shed whole. tail included (Ann)"),
        (shed(1, outcome="pieces", by=""), "Juno: shed in pieces"),
        (row(1, "refilled"), "refilled to the top (Ann)"),
        (row(1, "refilled", litres=2.5), "refilled, 2.5 L added (Ann)"),
        (row(1, "cleaned"), "humidifier cleaned (Ann)"),
        (row(1, "substrate", animal="Juno"), "Juno: substrate renewed (Ann)"),
        (row(1, "misted"), "misted by hand (Ann)"),
        (row(1, "opaque", animal="Juno"), "Juno: opaque (Ann)"),
        (
            row(1, "opaque", animal="Juno", rh_pct=4.0, for_s=432000.0),
            "Juno: opaque, target raised by 4 %RH for 5 days (Ann)",
        ),
        (row(1, "opaque", animal="J", rh_pct=4.0), "J: opaque, target raised by 4 %RH (Ann)"),
        (row(1, "remark", remark="ate well"), "remark. ate well (Ann)"),
    ],
)
def test_each_kind_in_words(note: Note, words: str) -> None:
    assert journal_text.told(note) == words


def test_times_are_the_room_s_also_when_the_clocks_change() -> None:
    """Directive 2000/84/EC: in 2026 summer time ends on 25 October at 01:00 UTC."""
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp()
    rows = [row(1, "cleaned", happened_at_s=first), row(2, "cleaned", happened_at_s=first + HOUR_S)]
    plain = [journal_text.as_plain(entry, BERLIN)["happened_at"] for entry in journal.entries(rows)]
    assert plain == ["2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"]


def test_a_moment_beyond_every_calendar_is_shown_at_its_edge() -> None:
    for at_s in (-1e300, 1e300, -62135596800.0):
        assert journal.moment(row(1, happened_at_s=at_s), BERLIN).year in (1970, 8941)


def test_the_list_tells_what_a_note_was_before() -> None:
    rows = [
        shed(1, outcome="pieces"),
        row(2, "correct", about=1, animal="Juno", outcome="whole", by="Ben", happened_at_s=NOON_S),
        row(3, "withdraw", about=1, by="", remark="another snake"),
        row(10, "refilled", clock_trusted=False),
    ]
    text = journal_text.as_text(journal.entries(rows), UTC, hidden=1)
    assert text.splitlines() == [
        " 1  2026-01-14 12:00  Juno: shed whole (Ann)",
        "      corrected 2026-01-14 14:00 by Ben; it was: 2026-01-14 12:00  Juno: shed in pieces (Ann)",
        "      withdrawn 2026-01-14 15:00: another snake",
        "10  2026-01-14 22:00*  refilled to the top (Ann)",
        "* The board could not tell whether its clock was right.",
        "Withdrawn and not shown: 1 (--all shows what was withdrawn).",
    ]
    assert journal_text.as_text([], UTC) == ""


def test_long_words_are_wrapped_and_none_is_lost() -> None:
    said = " ".join(f"word{n}" for n in range(80)) + " " + "x" * 250 + " 🐍"
    text = journal_text.as_text(journal.entries([shed(1, remark=said)]), UTC)
    assert max(map(len, text.splitlines())) <= journal_text.WIDTH
    assert said.replace(" ", "") in "".join(text.split())


def test_csv_and_json_hold_the_same_and_all_versions() -> None:
    rows = [
        shed(1, "Zoë", outcome="pieces", remark='said "so", twice\nand more'),
        row(
            2, "correct", about=1, animal="Zoë", outcome="whole", by="Ben", remark="🐍", happened_at_s=NOON_S
        ),
        row(3, "refilled", litres=2.5),
        row(4, "withdraw", about=3, by="Ben"),
    ]
    entries = journal.entries(rows)
    first, second = csv.DictReader(io.StringIO(journal_text.as_csv(entries, UTC)))
    assert tuple(first) == journal_text.FIELDS
    assert (first["animal"], first["outcome"], first["text"], first["corrections"]) == (
        "Zoë",
        "whole",
        "🐍",
        "1",
    )
    assert (second["litres"], second["withdrawn_by"]) == ("2.5", "Ben")
    assert second["withdrawn_at"] == "2026-01-14T16:00:00+00:00"
    shown = json.loads(journal_text.as_json(entries, UTC))
    assert [each["number"] for each in shown] == [1, 3]
    assert [each["outcome"] for each in shown[0]["versions"]] == ["pieces", "whole"]
    assert [each["written_by"] for each in shown[0]["versions"]] == ["Ann", "Ben"]
    assert shown[0]["versions"][0]["text"] == 'said "so", twice\nand more'
