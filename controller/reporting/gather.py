"""GATHER: all that one report tells, read from the record at one moment.

In:    a reader of the record, a span of local days, the few settings that figures depend on.
Out:   a ``Report``: figures and rows, nothing formatted.
Never: holds minutes: a year goes by in batches.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, NamedTuple

from controller import journal, sheds
from controller.dry_spell import DrySpell, DryWatch
from controller.history.rows import Note, Stretch, SurfaceRow
from controller.reporting import spells
from controller.reporting.figures import DayFigures, by_month, figures_of, totals
from controller.tally import Days

if TYPE_CHECKING:
    from controller.history.read import HistoryReader
    from controller.sheds import Shed

A_RUN_AT_MOST_S = 2 * 86400.0
"""So far before and after a span its runs are looked for: no limit on a single run is longer."""
LISTED_DAYS = 7
"""Up to so many days each run is listed."""
PIECES_S = ((2, 300.0), (8, 900.0), (62, 3600.0), (100_000, 24 * 3600.0))
"""Days of a span, and how long each point of a chart then stands for. From two months on whole days: day and
night would only be hatching."""


class Span(NamedTuple):
    """Local days from ``first`` to ``last``, both in it."""

    first: date
    last: date
    monthly: bool = False  # a row a month

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    def bounds_s(self, tz: tzinfo) -> tuple[float, float]:
        after = self.last + timedelta(days=1)
        return tuple(  # type: ignore[return-value]
            datetime(day.year, day.month, day.day, tzinfo=tz).timestamp() for day in (self.first, after)
        )


class Asked(NamedTuple):
    """What is reported, and by which settings."""

    room: str
    span: Span
    tz: tzinfo
    band_rh_pct: tuple[float, float]
    output_l_per_h: float | None  # as it is believed today
    rated_operations: int | None  # of the relay, by its data sheet
    charts: bool = False


class Report(NamedTuple):
    asked: Asked
    days: list[DayFigures]
    rows: list[DayFigures]  # the days, or the months
    total: DayFigures | None  # None: nothing was recorded
    thinned: tuple[date, ...]  # days whose minutes are gone, in whole or in part
    dry: DrySpell | None  # the longest, of the minutes that are there
    runs: list[spells.Run] | None  # None: too long a span to list them
    times_on_ever: int
    messages: list[spells.MessageSpell]
    surface: list[SurfaceRow]
    notes: list[Note]
    sheds: list[tuple[Shed, float | None]]  # each with the days since the animal's last one
    stretches: list[Stretch]  # for charts; empty where none were asked for
    begun_s: list[float]  # when the program was started, in the span


def gather(record: HistoryReader, asked: Asked) -> Report:
    """Raises HistoryError."""
    span, tz = asked.span, asked.tz
    from_s, to_s = span.bounds_s(tz)
    notes = record.notes()
    standing = journal.standing(notes)
    own_notes = [note for note in standing if from_s <= journal.happened_s(note) < to_s]
    thinned = record.day_totals(span.first, span.last)
    days, dry = Days(tz, thinned), DryWatch(asked.band_rh_pct[0])
    thinned_days = tuple(sorted(thinned))
    for rows in record.rows(from_s, to_s):
        days.add_rows(rows)
        dry.add_rows(rows)
    switchings = record.switchings(from_s, to_s)
    figures = figures_of(days, switchings, own_notes, asked.band_rh_pct, tz, asked.output_l_per_h)
    began_s = spells.starts(record.events())
    return Report(
        asked=asked,
        days=figures,
        rows=by_month(figures) if span.monthly else figures,
        total=totals(figures) if figures else None,
        thinned=thinned_days,
        dry=dry.longest,
        runs=_runs(record, from_s, to_s, began_s) if span.days <= LISTED_DAYS else None,
        times_on_ever=record.times_on(),
        messages=_messages(record, notes, from_s, to_s, began_s),
        surface=record.surface(from_s, to_s),
        notes=own_notes,
        sheds=_sheds(standing, from_s, to_s),
        stretches=record.stretches(from_s, to_s, piece_s(span.days)) if asked.charts else [],
        begun_s=[at_s for at_s in began_s if from_s <= at_s < to_s],
    )


def piece_s(days: int) -> float:
    return next(piece for most, piece in PIECES_S if days <= most)


def _runs(record: HistoryReader, from_s: float, to_s: float, began_s: Sequence[float]) -> list[spells.Run]:
    """The runs that began in the span: as many as it counts switchings."""
    rows = record.switchings(from_s, to_s + A_RUN_AT_MOST_S)
    return [run for run in spells.runs(rows, began_s) if from_s <= run.from_s < to_s]


def _messages(
    record: HistoryReader, notes: Sequence[Note], from_s: float, to_s: float, began_s: Sequence[float]
) -> list[spells.MessageSpell]:
    """Those that stood in the span, or a part of it."""
    found = spells.message_spells(record.messages(to_s=to_s), notes, began_s)
    ended = ((each, each.lost_s if each.cleared_s is None else each.cleared_s) for each in found)
    return [each for each, end_s in ended if end_s is None or end_s >= from_s]


def _sheds(standing: Sequence[Note], from_s: float, to_s: float) -> list[tuple[Shed, float | None]]:
    found = []
    for each in sheds.sheds_of(standing).values():
        for before, shed in zip([None, *each], each, strict=False):
            if from_s <= shed.at_s < to_s:
                found.append((shed, None if before is None else (shed.at_s - before.at_s) / 86400.0))
    return sorted(found, key=lambda pair: pair[0].at_s)
