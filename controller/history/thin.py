"""Thins the record: minutes older than the keeper chose become the total of their day.

In:    the record's one writing connection, once a minute; how many days of minutes are to stay.
Out:   rows of ``day_total``, which grow bite by bite; from them, tallies.
Never: takes a minute out without its total: both are one transaction, so that whatever breaks in leaves
       either; holds the loop up for longer than one small transaction; raises.

"Older" is counted in recorded minutes, never by a clock: the newest so many days' worth stay. A board
without a battery may start in 1970, and one wrong step to 2099 must not cost the minutes of a year.
The pages that become free are used again for new minutes, so that the file stops growing.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from datetime import date, tzinfo
from typing import Any

from controller.history.schema import is_damage, transaction
from controller.tally import AIR, Days, Row, Tally
from controller.tally import COLUMNS as COUNTED

BITE_ROWS = 240
"""Minutes in one transaction. Six bites a day keep up; each is a commit, and a commit wears a card."""
MINUTES_A_DAY = 1440
TRIED_AGAIN = 60
"""Minutes until a bite that failed is tried again."""

_PLAIN = (
    *("minutes", "clock_doubtful_minutes", "known", "temp_known", "on_s", "rh_sum_pct", "temp_sum_c"),
    *("lowest_rh_pct", "highest_rh_pct", "lowest_temp_c", "highest_temp_c"),
    *("fallen_l", "first_tank_l", "last_tank_l"),
)
"""Columns that are attributes of a Tally as they are."""
_AIR = tuple((is_day, f"{part}_{name}") for is_day, part in ((True, "day"), (False, "night")) for name in AIR)
_AIR_FROM = 1 + len(_PLAIN)
COLUMNS = ("day", *_PLAIN, *(name for _, name in _AIR), "rh_by_day", "rh_by_night", "reasons")
_TOTALS = f"SELECT {', '.join(COLUMNS)} FROM day_total WHERE day >= ? AND day <= ?"
_PUT = f"INSERT OR REPLACE INTO day_total ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"
_NEXT = f"SELECT {', '.join(COUNTED)}, id FROM sample WHERE id <= ? ORDER BY id LIMIT {BITE_ROWS}"
# Two subqueries: each is one look, where min and max together would read the whole table.
_ENDS = "SELECT (SELECT min(id) FROM sample), (SELECT max(id) FROM sample)"


class Thinner:
    """Asked once a minute; ``trouble`` says in words why it cannot, "" when it can."""

    def __init__(self, keep_days: int, tz: tzinfo) -> None:
        """``tz``: the room's, whose midnights part the days."""
        self.trouble = ""
        self._keep_rows = keep_days * MINUTES_A_DAY
        self._tz = tz
        self._rest_minutes = 0

    def minute(self, db: sqlite3.Connection) -> None:
        """One bite, where a whole one is due."""
        if self._rest_minutes > 0:
            self._rest_minutes -= 1
            return
        try:
            bite(db, self._keep_rows, self._tz)
        except (sqlite3.Error, OSError, ValueError, OverflowError) as error:
            self._rest_minutes = TRIED_AGAIN
            advice = (
                "The record is damaged: the next start looks it over, sets it aside and begins a new one"
                if is_damage(error)
                else "It is tried again in an hour"
            )
            self.trouble = (
                f"old minutes of the record cannot be thinned out: {error}. None is lost, but the file "
                f"goes on growing. {advice}."
            )
        else:
            self.trouble = ""


def bite(db: sqlite3.Connection, keep_rows: int, tz: tzinfo) -> int:
    """Turns the oldest minutes into totals, in one transaction; how many: 0 until a whole bite is due."""
    oldest, newest = db.execute(_ENDS).fetchone()
    if oldest is None or newest - keep_rows - oldest + 1 < BITE_ROWS:
        return 0
    with transaction(db):
        rows = db.execute(_NEXT, (newest - keep_rows,)).fetchall()
        db.executemany(_PUT, _grown(db, [row[:-1] for row in rows], tz))
        db.execute("DELETE FROM sample WHERE id <= ?", (rows[-1][-1],))
        _thin_reasons(db)
    return len(rows)


def _grown(db: sqlite3.Connection, minutes: Sequence[Row], tz: tzinfo) -> list[tuple[Any, ...]]:
    """The totals of the days that these minutes belong to, with them."""
    days = _Grown(db, tz)
    days.add_rows(minutes)
    return [_to_row(day, tally) for day, tally in days.tallies.items()]


class _Grown(Days):
    """Days that go on from their totals."""

    def __init__(self, db: sqlite3.Connection, tz: tzinfo) -> None:
        super().__init__(tz)
        self._db = db

    def at(self, day: date) -> Tally:
        if day not in self.tallies:
            self.tallies[day] = totals_of(self._db, day, day).get(day) or Tally()
        return self.tallies[day]


def _thin_reasons(db: sqlite3.Connection) -> None:
    """Takes out reasons that no minute points to any more; at most as many changes as a bite has minutes."""
    (pointed_to,) = db.execute(
        "SELECT (SELECT change_id FROM sample WHERE change_id IS NOT NULL ORDER BY id LIMIT 1)"
    ).fetchone()
    (first,) = db.execute("SELECT min(change_id) FROM reason").fetchone()
    if pointed_to is not None and first is not None:
        db.execute("DELETE FROM reason WHERE change_id < ?", (min(pointed_to, first + BITE_ROWS),))


def totals_of(db: sqlite3.Connection, first: date, last: date) -> dict[date, Tally]:
    """The totals of the days from ``first`` to ``last``. Raises sqlite3.Error; ValueError where spoilt."""
    rows = db.execute(_TOTALS, (first.isoformat(), last.isoformat())).fetchall()
    return {date.fromisoformat(row[0]): _from_row(row) for row in rows}


def _to_row(day: date, tally: Tally) -> tuple[Any, ...]:
    steps: dict[bool, dict[str, int]] = {True: {}, False: {}}
    for (is_day, step), minutes in sorted(tally.rh_minutes.items()):
        steps[is_day][f"{step // 2 / 10:.1f}{'+' * (step % 2)}"] = minutes
    texts = [json.dumps(part, separators=(",", ":")) for part in (steps[True], steps[False], tally.reasons)]
    air = (figure for is_day in (True, False) for figure in tally.air[is_day])
    return (day.isoformat(), *(getattr(tally, name) for name in _PLAIN), *air, *texts)


def _from_row(row: Any) -> Tally:
    tally = Tally()
    for name, value in zip(_PLAIN, row[1:], strict=False):
        setattr(tally, name, value)
    for place, (is_day, _) in enumerate(_AIR):
        figure = row[_AIR_FROM + place]
        if figure is not None:  # written by a version that did not know it
            tally.air[is_day][place % len(AIR)] = figure
    by_day, by_night, reasons = map(json.loads, row[-3:])
    for is_day, steps in ((True, by_day), (False, by_night)):
        for name, minutes in steps.items():
            step = 2 * round(float(name.rstrip("+")) * 10) + name.endswith("+")
            tally.rh_minutes[is_day, step] = minutes
    tally.reasons = reasons
    return tally
