"""ROWS: what the record is read as, a record of its own for each table.

In: nothing. Out: named tuples in SI units, times in UTC, seconds since 1970. Never: knows SQL.
"""

from __future__ import annotations

from typing import NamedTuple


class Switching(NamedTuple):
    at_s: float
    clock_trusted: bool
    on: bool
    because: str


class RecordedMessage(NamedTuple):
    at_s: float
    clock_trusted: bool
    kind: str
    code: str
    raised: bool
    since_s: float
    seen: float | None
    limit: float | None
    detail: str


class Note(NamedTuple):
    """The answer to a request; ``happened_at_s`` None means: when it was answered.

    ``number`` names the row for good; ``about`` is the number of the note that this one corrects or
    withdraws. How a note stands now is told by ``journal.py``.
    """

    at_s: float
    clock_trusted: bool
    kind: str
    request_id: str
    by: str
    litres: float | None
    for_s: float | None
    rh_pct: float | None
    happened_at_s: float | None
    done: bool
    words: str
    animal: str = ""
    outcome: str = ""
    remark: str = ""
    about: int | None = None
    number: int = 0


class SurfaceRow(NamedTuple):
    """One hour of the coldest surface."""

    at_s: float  # the hour's end
    clock_trusted: bool
    temp_c: float
    rh_pct: float  # at the surface
    measured: bool
    mean_rh_pct: float | None  # of 30 days
    mould_index: float


class Stretch(NamedTuple):
    """What a few minutes or hours were like, for a chart. RH in %, temperature in °C; None: not known."""

    from_s: float
    low_rh_pct: float | None
    mean_rh_pct: float | None
    high_rh_pct: float | None
    mean_temp_c: float | None
    target_rh_pct: float | None  # None: of a whole day


class Event(NamedTuple):
    at_s: float
    clock_trusted: bool
    kind: str
    words: str
