"""RECORD: what the page shows of a room's record, read beside the running program.

In:    the record, read only and let go of at once; the settings' band.
Out:   the reports of a day, a week, a month; the last day in points; the journal's notes.
Never: writes, or holds the record open for longer than one reading takes.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple

from controller import journal
from controller.history.read import HistoryReader
from controller.history.rows import Stretch, Switching
from controller.journal import Entry
from controller.keep import output_l_per_h
from controller.page.kept import Kept
from controller.page.rooms import Room
from controller.reporting.gather import Asked, Report, Span, gather

DAY_S, PIECE_S = 86400.0, 600.0
LAST_DAY_GOOD_S, REPORT_GOOD_S = 30.0, 60.0
MOST_AT_ONCE = 3
"""Long reports that may be worked out or waited for at once; who comes then is told to come again."""
FIRST_DAY = date(1970, 1, 2)
LAST_YEAR = 2999


class LastDay(NamedTuple):
    """The 24 hours up to ``to_s``."""

    from_s: float
    to_s: float
    stretches: list[Stretch]
    switchings: list[Switching]


class Record:
    """The records of all rooms. Raises HistoryError in plain words, and BusyError."""

    def __init__(self) -> None:
        self._days: Kept[LastDay] = Kept(LAST_DAY_GOOD_S, waiting=4 * MOST_AT_ONCE)

    def last_day(self, room: Room) -> LastDay:
        def read() -> LastDay:
            to_s = room.now().timestamp()
            reader = HistoryReader(room.places.history)
            stretches = reader.stretches(to_s - DAY_S, to_s, PIECE_S)
            return LastDay(to_s - DAY_S, to_s, stretches, reader.switchings(to_s - DAY_S, to_s))

        return self._days.get(room.name, read)

    def report(self, room: Room, span: Span) -> Report:
        """Read anew: what is kept is the page that is made of it."""
        settings = room.settings
        target = settings.target
        asked = Asked(
            room=room.name,
            span=span,
            tz=room.tz,
            band_rh_pct=(target.band_low_rh_pct, target.band_high_rh_pct),
            output_l_per_h=output_l_per_h(room.places.state, settings.tank),
            rated_operations=settings.relay.rated_operations,
            charts=True,
        )
        with HistoryReader(room.places.history).at_one_moment() as reader:
            return gather(reader, asked)

    def notes(self, room: Room) -> list[Entry]:
        """The notes as they stand, the newest first; withdrawn ones too. Always read anew."""
        return journal.entries(HistoryReader(room.places.history).notes())[::-1]


SPANS = ("day", "week", "month")


def span_of(name: str, day: date) -> Span:
    """The day, the week from Monday on, or the month that ``day`` is in."""
    day = min(max(day, FIRST_DAY), date(LAST_YEAR, 12, 31))
    if name == "week":
        monday = max(day - timedelta(days=day.weekday()), FIRST_DAY)
        return Span(monday, monday + timedelta(days=6))
    if name == "month":
        first = max(day.replace(day=1), FIRST_DAY)
        return Span(first, (day.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1))
    return Span(day, day)


def day_of(text: str, today: date) -> date:
    """A day as an address has it; today where there is none, or nothing that is a day."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        return today
    return found if FIRST_DAY <= found <= date(LAST_YEAR, 12, 31) else today
