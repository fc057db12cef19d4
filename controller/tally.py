"""TALLY: the sums of one local day, from which every figure of a report comes.

In:    recorded minutes, in the order in which they were written.
Out:   sums that go on growing: a day may be begun from minutes that are thinned out since, and ended with
       minutes that are still there, and comes to the same.
Never: rounds, or forgets which band the minutes would fall into: that is asked later.

The band of a report is a setting and may be another one next year. The minutes of each tenth of a %RH are
therefore counted, and those between two tenths apart from those that lie exactly on one: "below 60" and
"above 78" are then the same as from the minutes themselves. (Finer limits count as between.)
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta, tzinfo
from math import floor

from controller.ports import Sample

MINUTE_S = 60.0


class Tally:
    """The running sums of one day. ``rh_minutes`` counts by (is it day, step of RH): see ``step_of``."""

    def __init__(self) -> None:
        self.minutes = self.clock_doubtful_minutes = self.known = self.temp_known = 0
        self.on_s = self.rh_sum_pct = self.temp_sum_c = 0.0
        self.lowest_rh_pct: float | None = None
        self.highest_rh_pct: float | None = None
        self.lowest_temp_c: float | None = None
        self.highest_temp_c: float | None = None
        self.fallen_l: float | None = None  # what the tank estimate fell by, within the day
        self.first_tank_l: float | None = None
        self.last_tank_l: float | None = None
        self.rh_minutes: dict[tuple[bool, int], int] = {}
        self.reasons: dict[str, int] = {}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Tally) and vars(self) == vars(other)

    __hash__ = None  # type: ignore[assignment]  # it grows

    def add(self, row: Sample) -> None:
        self.minutes += 1
        self.clock_doubtful_minutes += not row.clock_trusted
        self.on_s += row.on_s
        if row.reason:
            self.reasons[row.reason] = self.reasons.get(row.reason, 0) + 1
        if row.tank_l is not None:
            self._tank(row.tank_l)
        if row.temp_c is not None:
            self._temp(row.temp_c)
        rh_pct = row.rh_pct
        if rh_pct is None:
            return
        self.known += 1
        self.rh_sum_pct += rh_pct
        place = row.is_day, step_of(rh_pct)
        self.rh_minutes[place] = self.rh_minutes.get(place, 0) + 1
        if self.lowest_rh_pct is None or rh_pct < self.lowest_rh_pct:
            self.lowest_rh_pct = rh_pct
        if self.highest_rh_pct is None or rh_pct > self.highest_rh_pct:
            self.highest_rh_pct = rh_pct

    def _tank(self, tank_l: float) -> None:
        if self.last_tank_l is None:
            self.first_tank_l = self.last_tank_l = tank_l
        self.fallen_l = (self.fallen_l or 0.0) + max(0.0, self.last_tank_l - tank_l)
        self.last_tank_l = tank_l

    def _temp(self, temp_c: float) -> None:
        self.temp_known += 1
        self.temp_sum_c += temp_c
        if self.lowest_temp_c is None or temp_c < self.lowest_temp_c:
            self.lowest_temp_c = temp_c
        if self.highest_temp_c is None or temp_c > self.highest_temp_c:
            self.highest_temp_c = temp_c

    def places(self, low_rh_pct: float, high_rh_pct: float) -> dict[tuple[bool, int], int]:
        """Minutes by (is it day, -1 below, 0 in, 1 above the band); a limit itself is in it."""
        found = {(is_day, place): 0 for is_day in (False, True) for place in (-1, 0, 1)}
        for (is_day, step), minutes in self.rh_minutes.items():
            rh_pct = (step // 2 + 0.5 * (step % 2)) / 10.0
            found[is_day, (rh_pct > high_rh_pct) - (rh_pct < low_rh_pct)] += minutes
        return found


def step_of(rh_pct: float) -> int:
    """Twice the tenths of a %RH: even where it lies exactly on a tenth, odd between that one and the next."""
    tenths = floor(rh_pct * 10.0)
    if tenths / 10.0 > rh_pct:  # the product was rounded up
        tenths -= 1
    return 2 * tenths + (tenths / 10.0 != rh_pct)


def local_day(at_s: float, tz: tzinfo) -> date:
    return datetime.fromtimestamp(at_s, tz).date()


class Days:
    """Finds the tally of an instant. Remembers the day it is in: a year has half a million minutes."""

    def __init__(self, tz: tzinfo, begun: Mapping[date, Tally] | None = None) -> None:
        self.tallies: dict[date, Tally] = dict(begun or {})
        self._tz = tz
        self._from_s = self._to_s = 0.0
        self._tally = Tally()

    def add(self, row: Sample) -> None:
        """A minute belongs to the day in which it began: the last one ends at midnight, on the next date."""
        began_s = row.at_s - MINUTE_S
        if not self._from_s <= began_s < self._to_s:
            day = local_day(began_s, self._tz)
            self._from_s, self._to_s = self._midnight_s(day), self._midnight_s(day + timedelta(days=1))
            self._tally = self.at(day)
        self._tally.add(row)

    def at(self, day: date) -> Tally:
        return self.tallies.setdefault(day, Tally())

    def _midnight_s(self, day: date) -> float:
        return datetime(day.year, day.month, day.day, tzinfo=self._tz).timestamp()
