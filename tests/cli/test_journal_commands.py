"""note and journal: with the real loop and record, without the program, and with what makes no sense."""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli import DONE, FAILED, REFUSED, WRONG, common
from controller.core.records import Answer, Instant, Request
from controller.history.read import HistoryReader
from controller.history.schema import open_to_write
from controller.history.store import SqliteHistory
from controller.loop import Loop
from controller.ports import Sample
from controller.spool import Spool
from controller.status import StatusFile
from tests.cli.conftest import Run
from tests.loop.helpers import Bench, flat

FIRST = "goes to a veterinarian first."
KINDS = [
    ("refilled", "--litres", "2.5", "--full"),
    ("cleaned",),
    ("substrate", "--animal", "Juno"),
    ("substrate",),
    ("misted", "--animal", "Juno", "--text", "left side"),
    ("opaque", "--animal", "Juno"),
    ("shed", "--animal", "Juno", "--whole"),
    ("shed", "--animal", "Nox", "--in-pieces", "--text", "eyes kept"),
    ("remark", "--text", "ate well"),
]


class Living:
    """The real loop over a room's folder, its record a real file; a command's waits are its ticks."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / "history.sqlite"
        self.bench = Bench(flat())
        self.bench.clock.wall = datetime.now().astimezone()
        spool = Spool(folder / "requests")
        spool.prepare()
        self.history = SqliteHistory.open(self.path)
        status = StatusFile(folder / "status.json", "room", 10.0, 0.4)
        parts = self.bench.parts(inbox=spool, history=self.history, tellers=(status, self.bench.watch))
        self.loop = Loop(parts, 10.0)
        slept_s, real = [0.0], time.monotonic

        def sleep(seconds: float) -> None:
            slept_s[0] += seconds
            self.tick()

        for name, fake in (("sleep", sleep), ("monotonic", lambda: real() + slept_s[0])):
            monkeypatch.setattr(time, name, fake)
            monkeypatch.setattr(common, name, fake)
        self.tick()

    def tick(self) -> None:
        self.bench.clock.wall = datetime.now().astimezone()
        self.loop.tick(self.bench.clock.now())
        self.bench.clock.mono_s += 10.0

    def notes(self) -> list[tuple[str, str, str, str, int | None]]:
        rows = HistoryReader(self.path).notes()
        return [(row.kind, row.animal, row.outcome, row.remark, row.about) for row in rows]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "state" / "room"


@pytest.fixture
def living(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Living]:
    alive = Living(folder, monkeypatch)
    yield alive
    alive.history.close()


@pytest.fixture
def hygrohold(run: Run, room: Callable[..., Path]) -> Run:
    path = room()

    def command(name: str, *words: str) -> tuple[int, str, str]:
        return run(name, *words, "--settings", str(path))

    return command


@pytest.fixture
def record(folder: Path) -> Callable[..., None]:
    """Writes notes (kind, days ago, more) and, where asked, so many days of even minutes."""

    def write(*notes: tuple[str, float, dict[str, object]], days: float = 0.0, rh_pct: float = 66.0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        now = datetime.now().astimezone()
        history = SqliteHistory.open(folder / "history.sqlite")
        for kind, ago, more in notes:
            at = now - timedelta(days=ago)
            asked = Request(kind, by="Ann", at=at, **more)  # type: ignore[arg-type]
            history.note(Instant(0.0, at, True), Answer(asked, True, "noted"))
        history.close()
        base = Sample(
            0.0, True, rh_pct, 24.0, rh_pct, 24.0, None, None, 65.0, True, 0.0, None, None, "enough"
        )
        minutes = (base._replace(at_s=now.timestamp() - 60.0 * n) for n in range(int(days * 1440), -1, -1))
        db = open_to_write(folder / "history.sqlite")
        names = ", ".join(Sample._fields)
        db.execute("BEGIN")
        db.executemany(f"INSERT INTO sample ({names}) VALUES ({', '.join('?' * len(base))})", minutes)
        db.execute("COMMIT")
        db.close()

    return write


def asked(folder: Path) -> list[Request]:
    return list(Spool(folder / "requests").poll(datetime.now().astimezone()))


# --- every kind ---


def test_every_kind_reaches_the_record_and_the_journal(hygrohold: Run, living: Living) -> None:
    for words in KINDS:
        code, out, err = hygrohold("note", *words, "--by", "Ann")
        assert (code, err) == (DONE, ""), words
        assert out.startswith("Done: "), words
    assert living.notes() == [
        ("refilled", "", "", "", None),
        ("cleaned", "", "", "", None),
        ("substrate", "Juno", "", "", None),
        ("substrate", "", "", "", None),
        ("misted", "Juno", "", "left side", None),
        ("opaque", "Juno", "", "", None),
        ("shed", "Juno", "whole", "", None),
        ("shed", "Nox", "pieces", "eyes kept", None),
        ("remark", "", "", "ate well", None),
    ]
    code, out, err = hygrohold("journal")
    assert (code, err) == (DONE, "")
    said = [line.split("  ", 2)[2] for line in out.splitlines()]
    assert said == [
        "refilled, 2.5 L added (Ann)",
        "humidifier cleaned (Ann)",
        "Juno: substrate renewed (Ann)",
        "substrate renewed (Ann)",
        "Juno: misted by hand. left side (Ann)",
        "Juno: opaque (Ann)",
        "Juno: shed whole (Ann)",
        "Nox: shed in pieces. eyes kept (Ann)",
        "remark. ate well (Ann)",
    ]
    code, out, _ = hygrohold("journal", "--animal", " JUNO ", "--format", "csv")
    assert [line["number"] for line in csv.DictReader(io.StringIO(out))] == ["3", "5", "6", "7"]


@pytest.mark.parametrize("words", KINDS)
def test_every_kind_waits_for_the_program_for_30_days_with_its_time(
    hygrohold: Run, folder: Path, words: tuple[str, ...]
) -> None:
    code, out, _ = hygrohold("note", *words)
    assert code == REFUSED
    assert "kept for 30 days" in out
    now = datetime.now().astimezone()
    (request,) = asked(folder)
    assert request.at is not None
    assert request.expires is not None
    assert abs((now - request.at).total_seconds()) < 60.0
    assert timedelta(days=29.99) < request.expires - now <= timedelta(days=30)


def test_what_waited_is_written_with_the_time_it_was_left(
    hygrohold: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hygrohold("note", "shed", "--animal", "Juno", "--whole", "--at", "2026-01-14T16:40+01:00")
    living = Living(folder, monkeypatch)
    (note,) = HistoryReader(living.path).notes()
    assert note.done
    assert note.happened_at_s == datetime.fromisoformat("2026-01-14T15:40+00:00").timestamp()
    living.history.close()


def test_ounces_are_told_as_litres_of_sense(hygrohold: Run, living: Living) -> None:
    hygrohold("note", "refilled", "--litres", "64 fl oz")  # 1.8927 L: NIST SP 811, appendix B.8
    assert "refilled, 1.89 L added (tester)" in hygrohold("journal")[1]


# --- an opaque animal ---


def test_an_opaque_note_raises_the_target_in_the_same_request(hygrohold: Run, living: Living) -> None:
    code, out, _ = hygrohold("note", "opaque", "--animal", "Juno", "--raise", "4", "--days", "5")
    assert code == DONE
    assert out == (
        "Done: noted: Juno is opaque; target raised by 4 %RH for 5 days; never above the ceiling.\n"
        "In the journal it is note 1.\n"
    )
    assert living.bench.watch.decisions[-1].target_rh_pct == pytest.approx(69.0)
    _, out, _ = hygrohold("journal")
    assert "Juno: opaque, target raised by 4 %RH for 5 days" in out
    _, out, _ = hygrohold("note", "withdraw", "1")
    assert "The target stays raised by 4 %RH by tester until " in out
    assert "; `hygrohold raise --end` ends it.\n" in out


def test_a_withdrawn_note_whose_raise_is_over_promises_none(hygrohold: Run, living: Living) -> None:
    hygrohold("note", "opaque", "--animal", "Juno", "--raise", "4")
    assert hygrohold("raise", "0")[0] == DONE
    _, out, _ = hygrohold("note", "withdraw", "1")
    assert "raise" not in out.split("\n", 1)[1]


def test_a_raise_is_seen_in_status_until_it_is_ended(hygrohold: Run, living: Living) -> None:
    code, out, _ = hygrohold("raise", "15", "--by", "Nox", "--for", "3d")
    assert (code, out) == (DONE, "Done: target raised by 15 %RH for 3 days; never above the ceiling.\n")
    _, out, _ = hygrohold("status")
    assert "\n            raised by 15 %RH by Nox until " in out
    assert "; `hygrohold raise --end` ends it\n" in out
    raised = json.loads(hygrohold("status", "--json")[1])["raised"]
    assert (raised["rh_pct"], raised["by"]) == (15.0, "Nox")
    left = datetime.fromisoformat(raised["until"]) - datetime.now().astimezone()
    assert timedelta(days=3, minutes=-2) < left <= timedelta(days=3)
    code, out, _ = hygrohold("raise", "50")
    assert (code, out.startswith("Refused: 50 %RH is more than a target may be raised")) == (REFUSED, True)
    code, out, _ = hygrohold("raise", "--end")
    assert code == DONE
    assert "the target is the settings' own again; it was raised by 15 %RH by Nox" in out
    assert "raised by" not in hygrohold("status")[1]
    assert json.loads(hygrohold("status", "--json")[1])["raised"] is None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "by how much?"),
        (("5", "--end"), "say one of them"),
        (("--end", "--for", "3d"), "an end needs no time"),
        (("-1",), "-1"),
    ],
)
def test_a_raise_that_makes_no_sense(hygrohold: Run, words: tuple[str, ...], said: str) -> None:
    code, out, err = hygrohold("raise", *words)
    assert code == WRONG
    assert said in out + err


def test_an_hour_still_to_come_is_yesterdays_and_the_answer_says_so(hygrohold: Run, living: Living) -> None:
    now = datetime.now(living.bench.clock.wall.tzinfo)
    soon, before = now + timedelta(hours=1), now - timedelta(hours=1)
    if soon.date() != before.date():  # about midnight there is no such hour
        soon, before = now.replace(hour=23, minute=59), now.replace(hour=0, minute=0)
    code, out, _ = hygrohold("note", "misted", "--at", f"{soon:%H:%M}")
    assert code == DONE
    yesterday = f"taken as yesterday's, {soon - timedelta(days=1):%Y-%m-%d %H:%M}.\n"
    assert out.startswith(f"{soon:%H:%M} is still to come today: {yesterday}")
    assert out.endswith("In the journal it is note 1.\n")
    assert yesterday in hygrohold("note", "correct", "1", "--at", f"{soon:%H:%M}")[1]
    assert "yesterday" not in hygrohold("note", "misted", "--at", f"{before:%H:%M}")[1]
    assert "yesterday" not in hygrohold("note", "misted", "--at", "2026-01-14")[1]


def test_a_raise_does_not_wait_for_a_program_that_is_not_running(hygrohold: Run, folder: Path) -> None:
    code, out, _ = hygrohold("note", "opaque", "--animal", "Juno", "--raise", "4")
    assert code == REFUSED
    assert "nothing was asked" in out
    assert "A note without --raise is kept" in out
    assert asked(folder) == []


# --- corrections ---


def test_a_chain_of_corrections_and_a_withdrawal(hygrohold: Run, living: Living) -> None:
    hygrohold("note", "shed", "--animal", "Juno", "--in-pieces", "--text", "hm", "--at", "2026-01-14")
    code, out, _ = hygrohold("note", "correct", "1", "--whole", "--by", "Ben")
    assert code == DONE
    assert out.splitlines() == [
        "Note 1 is: 2026-01-14 12:00  Juno: shed in pieces. hm (tester)",
        "Done: noted: note 1 is corrected; what was written before stays in the record.",
    ]
    hygrohold("note", "correct", "2", "--animal", "Nox")
    hygrohold("note", "correct", "1", "--text", "", "--at", "2026-01-13T08:15")
    _, out, _ = hygrohold("journal", "--days", "3650", "--format", "json")
    (found,) = json.loads(out)
    shown = [found[name] for name in ("number", "animal", "outcome", "text", "by", "corrections")]
    assert shown == [1, "Nox", "whole", "", "tester", 3]
    assert found["happened_at"].startswith("2026-01-13T08:15:00")
    assert [version["animal"] for version in found["versions"]] == ["Juno", "Juno", "Nox", "Nox"]
    _, out, _ = hygrohold("journal", "--days", "3650")
    assert out.count("corrected") == 3
    code, out, _ = hygrohold("note", "withdraw", "3", "--by", "Cleo", "--text", "not mine")
    assert code == DONE
    assert "note 1 is withdrawn" in out
    code, out, err = hygrohold("note", "withdraw", "1")
    assert (code, out) == (WRONG, "")
    assert "note 1 was withdrawn by Cleo on" in err
    assert hygrohold("note", "correct", "1", "--whole")[0] == WRONG
    _, out, _ = hygrohold("journal", "--days", "3650")
    assert out == "No note in the last 3650 days.\n" + (
        "Withdrawn and not shown: 1 (--all shows what was withdrawn).\n"
    )
    _, out, _ = hygrohold("journal", "--days", "3650", "--all")
    assert "by Cleo: not mine" in " ".join(out.split())
    assert len(living.notes()) == 5  # nothing is erased


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("withdraw", "99"), "there is no note 99"),
        (("correct", "99", "--text", "x"), "there is no note 99"),
        (("withdraw", "2"), "number 2 is no note of the journal, but a request (pause)"),
        (("correct", "1", "--whole"), "note 1 is of the kind refilled, which takes no --whole"),
        (("correct", "1", "--animal", "Juno"), "which takes no --animal"),
        (("correct", "3", "--litres", "2"), "note 3 is of the kind shed, which takes no --litres"),
        (("correct", "3", "--animal", " "), "shed: which animal?"),
        (("correct", "4", "--text", " "), "remark: an empty one says nothing"),
        (("correct", "1"), "say what is different"),
        (("correct",), "which note?"),
        (("withdraw",), "which note?"),
        (("withdraw", "1", "--at", "16:40"), "--at cannot go with withdraw"),
    ],
)
def test_a_correction_that_cannot_be(
    hygrohold: Run,
    folder: Path,
    record: Callable[..., None],
    words: tuple[str, ...],
    said: str,
) -> None:
    record(
        ("refilled", 3, {"litres": 2.0}),
        ("pause", 3, {}),
        ("shed", 2, {"animal": "Juno", "outcome": "whole"}),
        ("remark", 1, {"remark": "ate"}),
    )
    code, out, err = hygrohold("note", *words)
    assert (code, out) == (WRONG, "")
    assert said in err
    assert asked(folder) == []


def test_what_a_correction_leaves_alone_is_said(
    hygrohold: Run, folder: Path, record: Callable[..., None]
) -> None:
    record(("refilled", 3, {"litres": 2.0}), ("cleaned", 2, {}))
    _, out, _ = hygrohold("note", "correct", "1", "--litres", "1.5")
    assert "The tank's estimate and what was learned from that filling stay as they are." in out
    _, out, _ = hygrohold("note", "withdraw", "2")
    assert "The reminder to clean goes on counting from the note as it was first made." in out
    first, second = sorted(asked(folder), key=lambda each: each.about or 0)
    assert (first.kind, first.about, first.litres) == ("correct", 1, 1.5)
    assert (second.kind, second.about) == ("withdraw", 2)


def test_without_a_record_nothing_can_be_corrected(hygrohold: Run) -> None:
    code, _, err = hygrohold("note", "withdraw", "1")
    assert (code, "no record yet" in err) == (FAILED, True)
    code, _, err = hygrohold("journal")
    assert (code, "no record yet" in err) == (FAILED, True)


# --- what makes no sense ---


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("shed", "--animal", "Juno"), "say --whole or --in-pieces"),
        (("shed", "--whole"), "which animal?"),
        (("shed", "--whole", "--animal", "  "), "which animal?"),
        (("opaque",), "which animal?"),
        (("refilled", "--litres", "2,5"), "'2,5' is not a figure above zero; write 2.5, not 2,5"),
        (
            ("cleaned", "--at", "14.1.2026"),
            "'14.1.2026' is not a time like 16:40, 2026-01-14 (year-month-day)",
        ),
        (("opaque", "--animal", "Juno", "--days", "5"), "--days goes with --raise"),
        (("opaque", "--animal", "Juno", "--raise", "0"), "above zero"),
        (("opaque", "--animal", "Juno", "--raise", "4", "--days", "soon"), "soon"),
        (("remark",), "say it with --text"),
        (("remark", "--text", "x" * 501), "--text: 501 letters; at most 500"),
        (("opaque", "--animal", "x" * 41), "--animal: 41 letters; at most 40"),
        (("refilled", "--animal", "Juno"), "--animal cannot go with refilled"),
        (("cleaned", "--whole"), "--whole and --in-pieces cannot go with cleaned"),
        (("misted", "--raise", "4"), "--raise cannot go with misted"),
        (("misted", "7"), "a NUMBER cannot go with misted"),
        (("withdraw", "0"), "is not the number of a note"),
        (("withdraw", "seven"), "is not the number of a note"),
        (("withdraw", "9" * 30), "is not the number of a note"),
        (("cleaned", "--at", "2999-01-01"), "2999-01-01 12:00 is still to come"),
        (("cleaned", "--at", "2999-01-01T08:00"), "is still to come"),
        (("cleaned", "--at", "1969-12-31"), "notes begin in 1970"),
        (("cleaned", "--at", "2026-02-30"), "2026-02-30"),
        (("shed", "--animal", "J", "--whole", "--in-pieces"), "not allowed with"),
    ],
)
def test_half_a_note_leaves_nothing(
    hygrohold: Run, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    code, out, err = hygrohold("note", *words)
    assert (code, out) == (WRONG, "")
    assert said in " ".join(err.split())
    assert not (tmp_path / "state").exists()


def test_unicode_long_text_and_strange_letters_arrive(hygrohold: Run, living: Living) -> None:
    said = "Häutung 🐍 " + "y" * 480
    code, _, _ = hygrohold("note", "remark", "--text", said, "--animal", " Zoë\t 2 ")
    assert code == DONE
    assert living.notes() == [("remark", "Zoë 2", "", said, None)]
    _, out, _ = hygrohold("journal", "--animal", "zoe\u0308 2")
    assert said.replace(" ", "") in "".join(out.split())
    hygrohold("note", "remark", "--text", "a\udcffb\x1b[31m\nc")
    _, out, _ = hygrohold("journal")
    assert "a b [31m c" in out


# --- times ---


def test_a_day_alone_is_its_noon_and_today_is_not_to_come(hygrohold: Run, folder: Path) -> None:
    hygrohold("note", "cleaned", "--at", "2026-01-14")
    now = datetime.now().astimezone()
    hygrohold("note", "cleaned", "--at", f"{now:%Y-%m-%d}")
    first, second = sorted((each.at for each in asked(folder) if each.at), key=datetime.timestamp)
    assert (first.year, first.day, first.hour) == (2026, 14, 12)
    noon = now.replace(hour=12, minute=0, second=0, microsecond=0)
    assert second.timestamp() == pytest.approx(min(noon, now).timestamp(), abs=60.0)


@pytest.mark.parametrize(
    ("said", "utc"),
    [
        # Directive 2000/84/EC: summer time from 29 March 2026 01:00 UTC to 25 October 2026 01:00 UTC
        ("2026-03-29", "2026-03-29T10:00+00:00"),
        ("2026-03-28", "2026-03-28T11:00+00:00"),
        ("2026-03-29T02:30", "2026-03-29T01:30+00:00"),  # no such hour: taken as told before the change
        ("2025-10-26T02:30", "2025-10-26T00:30+00:00"),  # twice: the first of the two
        ("2025-10-26T02:30+01:00", "2025-10-26T01:30+00:00"),
    ],
)
def test_days_on_which_the_clocks_change(
    run: Run, room: Callable[..., Path], folder: Path, said: str, utc: str
) -> None:
    path = room('timezone = "Europe/Berlin"\n')
    run("note", "cleaned", "--at", said, "--settings", str(path))
    (request,) = asked(folder)
    assert request.at == datetime.fromisoformat(utc)


def test_an_hour_that_comes_twice_is_the_first_of_the_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 02:10 winter time, 02:40 was half an hour ago, in summer time; it is not still to come."""
    berlin = ZoneInfo("Europe/Berlin")

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime(2025, 10, 26, 2, 10, tzinfo=berlin, fold=1)

    monkeypatch.setattr(common, "datetime", Clock)
    found = common.past(common.moment("2:40"), berlin)
    assert found.timestamp() == datetime.fromisoformat("2025-10-26T00:40+00:00").timestamp()


# --- sheds ---


def test_a_shed_is_shown_beside_the_earlier_whole_ones(
    hygrohold: Run, folder: Path, record: Callable[..., None]
) -> None:
    whole = [("shed", ago, {"animal": "juno", "outcome": "whole"}) for ago in (60, 45, 30)]
    record(*whole, ("shed", 20, {"animal": "Nox", "outcome": "whole"}), days=75)
    code, out, err = hygrohold("note", "shed", "--animal", "Juno", "--in-pieces")
    assert (code, err) == (REFUSED, "")  # the program is not running, and the note waits
    assert "before 3 earlier whole sheds" in out
    assert "Nothing lies outside the range of the 3 earlier ones." in out
    assert out.rstrip().endswith(FIRST)
    assert len(asked(folder)) == 1


def test_a_shed_after_a_note_that_was_withdrawn_has_too_few(
    hygrohold: Run, record: Callable[..., None]
) -> None:
    whole = [("shed", ago, {"animal": "Juno", "outcome": "whole"}) for ago in (60, 45, 30)]
    record(*whole, ("withdraw", 1, {"about": 2}), days=75)
    _, out, _ = hygrohold("note", "shed", "--animal", "Juno", "--whole")
    assert "Too few to tell what differs: 2 earlier whole sheds" in out
    assert out.rstrip().endswith(FIRST)


def test_a_first_shed_without_a_record_or_before_it(hygrohold: Run, record: Callable[..., None]) -> None:
    _, out, _ = hygrohold("note", "shed", "--animal", "Juno", "--whole")
    assert "Nothing to compare it with: no record yet" in out
    assert out.rstrip().endswith(FIRST)
    record(days=1)
    _, out, _ = hygrohold("note", "shed", "--animal", "Juno", "--whole", "--at", "2020-01-14")
    assert "No minute of them is on record" in out


def test_the_sheds_of_each_animal(hygrohold: Run, record: Callable[..., None]) -> None:
    assert hygrohold("journal", "--sheds")[0] == FAILED
    record()
    code, out, _ = hygrohold("journal", "--sheds")
    assert (code, out.startswith("No shed is noted")) == (DONE, True)
    record(
        ("shed", 20, {"animal": "Juno", "outcome": "whole"}),
        ("shed", 1, {"animal": "JUNO", "outcome": "pieces"}),
        ("shed", 2, {"animal": "Nox", "outcome": "whole"}),
        days=16,
    )
    code, out, err = hygrohold("journal", "--sheds")
    assert (code, err) == (DONE, "")
    assert [line for line in out.splitlines() if line in ("JUNO", "Nox")] == ["JUNO", "Nox"]
    assert out.count("Too few to tell") == 2
    assert out.count(FIRST) == 2
    _, out, _ = hygrohold("journal", "--sheds", "--animal", "nox", "--format", "json")
    (found,) = json.loads(out)
    assert (found["animal"], found["outcome"], found["known"]) == ("Nox", "whole", 1.0)
    assert found["mean_rh_pct"] == pytest.approx(66.0)
    assert found["off_h"] == {"enough": pytest.approx(336.0)}
    _, out, _ = hygrohold("journal", "--sheds", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["outcome"] for row in rows] == ["whole", "pieces", "whole"]
    assert float(rows[1]["day_in_h"]) == pytest.approx(336.0)


@pytest.mark.parametrize("days", ["0", "-1", "99999"])
def test_days_beyond_all_bounds(hygrohold: Run, days: str) -> None:
    code, _, err = hygrohold("journal", f"--days={days}")
    assert (code, "allowed: 1 to 36600" in err) == (WRONG, True)


def test_the_journal_of_the_last_days_only(hygrohold: Run, record: Callable[..., None]) -> None:
    record(("cleaned", 40, {}), ("cleaned", 20, {}), ("cleaned", 2, {}))
    _, out, _ = hygrohold("journal")
    assert len(out.splitlines()) == 3
    assert out.endswith(
        "An earlier note is not shown: these are of the last 30 days; --days N looks further back.\n"
    )
    _, out, _ = hygrohold("journal", "--days", "3")
    assert len(out.splitlines()) == 2
    assert "2 earlier notes are not shown: these are of the last 3 days" in out
    assert len(hygrohold("journal", "--days", "3", "--format", "csv")[1].splitlines()) == 2
    assert len(hygrohold("journal", "--days", "50")[1].splitlines()) == 3
    assert hygrohold("journal", "--animal", "Juno\n")[1].startswith("No note about Juno in the last 30 days")


def test_what_changed_nothing_is_shown_with_all(hygrohold: Run, record: Callable[..., None]) -> None:
    """Whoever leaves a request without the command may name a note that is none."""
    record(("cleaned", 2, {}), ("withdraw", 1, {"about": 99}))
    assert "99" not in hygrohold("journal")[1]
    assert hygrohold("journal", "--all")[1].splitlines()[-1] == (
        "2  Ann: withdraw 99; that changed nothing, no such note stood then"
    )
