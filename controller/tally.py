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

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta, tzinfo
from math import floor, inf
from typing import TypeAlias

from controller.core import air
from controller.ports import Sample

MINUTE_S = 60.0


COLUMNS = ("at_s", "clock_trusted", "rh_pct", "temp_c", "is_day", "on_s", "tank_l", "reason")
"""What of a recorded minute is counted, in this order. A year is counted row by row: nothing else is read."""
Row: TypeAlias = tuple[float, int, float | None, float | None, int, float, float | None, str]
AIR = ("air_known", "air_rh_sum_pct", "air_temp_sum_c", "vapour_sum_kpa", "vpd_sum_kpa")
"""By day and by night, over the minutes whose RH and temperature are both known, so that they go together."""


def row_of(sample: Sample) -> Row:
    of_air = sample.at_s, sample.clock_trusted, sample.rh_pct, sample.temp_c
    return (*of_air, sample.is_day, sample.on_s, sample.tank_l, sample.reason)


class Tally:
    """The running sums of one day. ``rh_minutes`` counts by (is it day, step of RH).

    A step is twice the tenths of a %RH: even where it lies exactly on a tenth, odd between that and the next.
    """

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
        self.air: dict[bool, list[float]] = {  # by is_day, as AIR says
            is_day: [0, 0.0, 0.0, 0.0, 0.0] for is_day in (True, False)
        }

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Tally) and vars(self) == vars(other)

    __hash__ = None  # type: ignore[assignment]  # it grows

    def add(self, sample: Sample) -> None:
        self.add_rows((row_of(sample),))

    def add_rows(self, rows: Iterable[Row], from_s: float = -inf, to_s: float = inf) -> int:  # noqa: C901 - one loop on purpose
        """Counts rows up to the first one that began outside ``from_s`` to ``to_s``; how many it counted.

        One loop over plain rows and local names: a year is half a million turns.
        """
        counted = doubtful = 0
        begin_s, end_s = from_s + MINUTE_S, to_s + MINUTE_S
        on_sum_s = self.on_s
        reasons: dict[str, int] = {}
        steps: dict[int, int] = {}
        rh_known, rh_sum, temp_known, temp_sum = self.known, self.rh_sum_pct, self.temp_known, self.temp_sum_c
        rh_low, rh_high = _bounds(self.lowest_rh_pct, self.highest_rh_pct)
        temp_low, temp_high = _bounds(self.lowest_temp_c, self.highest_temp_c)
        air_by_day, air_by_night = self.air[True], self.air[False]
        last_tank_l, fallen_l = self.last_tank_l, self.fallen_l or 0.0
        saturation_kpa = air.quick_saturation()
        for at_s, trusted, rh_pct, temp_c, is_day, on_s, tank_l, reason in rows:
            if not begin_s <= at_s < end_s:
                break
            counted += 1
            on_sum_s += on_s
            reasons[reason] = reasons.get(reason, 0) + 1
            if not trusted:
                doubtful += 1
            if tank_l != last_tank_l and tank_l is not None:
                if last_tank_l is None:
                    self.first_tank_l = tank_l
                elif tank_l < last_tank_l:
                    fallen_l += last_tank_l - tank_l
                last_tank_l = tank_l
            if temp_c is not None:
                temp_known += 1
                temp_sum += temp_c
                if temp_c < temp_low:
                    temp_low = temp_c
                if temp_c > temp_high:
                    temp_high = temp_c
            if rh_pct is None:
                continue
            rh_known += 1
            rh_sum += rh_pct
            if rh_pct < rh_low:
                rh_low = rh_pct
            if rh_pct > rh_high:
                rh_high = rh_pct
            tenths = floor(rh_pct * 10.0)
            if tenths / 10.0 > rh_pct:  # the product was rounded up
                tenths -= 1
            place = 4 * tenths + 2 * (tenths / 10.0 != rh_pct) + (1 if is_day else 0)
            steps[place] = steps.get(place, 0) + 1
            if temp_c is None or not -60.0 <= temp_c <= 80.0:
                continue
            saturated_kpa = saturation_kpa(temp_c)
            vapour_kpa = saturated_kpa * rh_pct * 0.01
            sums = air_by_day if is_day else air_by_night
            sums[0] += 1
            sums[1] += rh_pct
            sums[2] += temp_c
            sums[3] += vapour_kpa
            sums[4] += saturated_kpa - vapour_kpa
        self.minutes += counted
        self.clock_doubtful_minutes += doubtful
        self.on_s = on_sum_s
        self.known, self.rh_sum_pct, self.temp_known, self.temp_sum_c = rh_known, rh_sum, temp_known, temp_sum
        if last_tank_l is not None:
            self.last_tank_l, self.fallen_l = last_tank_l, fallen_l
        if rh_known:
            self.lowest_rh_pct, self.highest_rh_pct = rh_low, rh_high
        if temp_known:
            self.lowest_temp_c, self.highest_temp_c = temp_low, temp_high
        for reason, minutes in reasons.items():
            if reason:
                self.reasons[reason] = self.reasons.get(reason, 0) + minutes
        for place, minutes in steps.items():
            of = place % 2 == 1, place // 2
            self.rh_minutes[of] = self.rh_minutes.get(of, 0) + minutes
        return counted

    def places(self, low_rh_pct: float, high_rh_pct: float) -> dict[tuple[bool, int], int]:
        """Minutes by (is it day, -1 below, 0 in, 1 above the band); a limit itself is in it."""
        found = {(is_day, place): 0 for is_day in (False, True) for place in (-1, 0, 1)}
        for (is_day, step), minutes in self.rh_minutes.items():
            rh_pct = (step // 2 + 0.5 * (step % 2)) / 10.0
            found[is_day, (rh_pct > high_rh_pct) - (rh_pct < low_rh_pct)] += minutes
        return found


def _bounds(lowest: float | None, highest: float | None) -> tuple[float, float]:
    return inf if lowest is None else lowest, -inf if highest is None else highest


def local_day(at_s: float, tz: tzinfo) -> date:
    return datetime.fromtimestamp(at_s, tz).date()


class Days:
    """Finds the tally of an instant. Remembers the day it is in: a year has half a million minutes."""

    def __init__(self, tz: tzinfo, begun: Mapping[date, Tally] | None = None) -> None:
        self.tallies: dict[date, Tally] = dict(begun or {})
        self._tz = tz
        self._from_s = self._to_s = 0.0
        self._tally = Tally()

    def add_rows(self, rows: Sequence[Row]) -> None:
        """A minute belongs to the day in which it began: the last one ends at midnight, on the next date."""
        done = self._tally.add_rows(rows, self._from_s, self._to_s)
        while done < len(rows):
            day = local_day(rows[done][0] - MINUTE_S, self._tz)
            self._from_s, self._to_s = self._midnight_s(day), self._midnight_s(day + timedelta(days=1))
            self._tally = self.at(day)
            counted = self._tally.add_rows(rows[done:], self._from_s, self._to_s)
            # Where a zone's midnights do not bound the day that it names, a row is taken by the name.
            done += counted or self._tally.add_rows(rows[done : done + 1])

    def at(self, day: date) -> Tally:
        return self.tallies.setdefault(day, Tally())

    def _midnight_s(self, day: date) -> float:
        return datetime(day.year, day.month, day.day, tzinfo=self._tz).timestamp()
