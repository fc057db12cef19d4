"""Outdoor air as the rehearsed room meets it: known points in time, straight lines between them.

In:    points (temperature, water, pressure) at rising times.
Out:   the outdoor air at any elapsed second.
Never: reads a file, draws a random number, or knows the room.

Water is interpolated as humidity ratio. A straight line between two saturated points lies a
little above saturation (the curve is hollow): that is fog, and its water is counted.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import datetime
from math import floor
from typing import NamedTuple

HOUR_S = 3600.0


class Outdoor(NamedTuple):
    """Outdoor air. The humidity ratio is kg of water per kg of dry air."""

    temp_c: float
    humidity_ratio: float
    pressure_pa: float


class Weather:
    """A series of outdoor air that repeats: after ``period_s`` it begins again, so a year file wraps.

    A straight line joins the last point to the first of the next round. Elapsed time counts from
    ``start``, the moment of the series' first row (None where the series has no calendar).
    """

    __slots__ = (
        "_from_s",
        "_points",
        "_pressure_pa",
        "_pressure_rate",
        "_ratio",
        "_ratio_rate",
        "_temp_c",
        "_temp_rate",
        "_times_s",
        "_until_s",
        "gaps_filled",
        "hours",
        "invented",
        "name",
        "period_s",
        "start",
    )

    def __init__(
        self,
        times_s: Sequence[float],
        points: Sequence[Outdoor],
        *,
        period_s: float,
        name: str,
        start: datetime | None = None,
        invented: bool = False,
        gaps_filled: int = 0,
    ) -> None:
        """``times_s`` rise strictly, from 0 or later up to less than ``period_s``."""
        if not points or len(times_s) != len(points):
            raise ValueError(f"weather needs as many times as points, and one at least: {len(times_s)} times")
        if times_s[0] < 0.0 or any(b <= a for a, b in zip(times_s, [*times_s[1:], period_s], strict=True)):
            raise ValueError("weather's times must rise from 0 or later and stay below its period")
        self._times_s = tuple(float(time_s) for time_s in times_s)
        self._points = tuple(points)
        self.period_s = float(period_s)
        self.name = name
        self.start = start
        self.invented = invented
        self.gaps_filled = gaps_filled
        self.hours = round(period_s / HOUR_S)
        self._seek(self._times_s[0])

    @classmethod
    def from_hourly(
        cls,
        points: Iterable[Outdoor],
        *,
        name: str,
        start: datetime | None = None,
        invented: bool = False,
        gaps_filled: int = 0,
    ) -> Weather:
        """One point an hour, the first at elapsed 0."""
        kept = tuple(points)
        return cls(
            [index * HOUR_S for index in range(len(kept))],
            kept,
            period_s=len(kept) * HOUR_S,
            name=name,
            start=start,
            invented=invented,
            gaps_filled=gaps_filled,
        )

    @property
    def times_s(self) -> tuple[float, ...]:
        """When each point is, in seconds since ``start``."""
        return self._times_s

    @property
    def points(self) -> tuple[Outdoor, ...]:
        return self._points

    def at(self, elapsed_s: float) -> Outdoor:
        """The outdoor air ``elapsed_s`` after the start; before the start counts backwards in the round.

        Cheap while times rise: the segment met last is kept, and only leaving it costs a search.
        """
        if not self._from_s <= elapsed_s < self._until_s:
            self._seek(elapsed_s)
        into_s = elapsed_s - self._from_s
        return Outdoor(
            self._temp_c + into_s * self._temp_rate,
            self._ratio + into_s * self._ratio_rate,
            self._pressure_pa + into_s * self._pressure_rate,
        )

    def _seek(self, elapsed_s: float) -> None:
        """Takes up the segment that holds ``elapsed_s``. What it finds depends on nothing else."""
        times_s = self._times_s
        lap_s = floor(elapsed_s / self.period_s) * self.period_s
        index = bisect_right(times_s, elapsed_s - lap_s) - 1  # -1: still between the rounds
        after = index + 1
        from_s = times_s[index] if index >= 0 else times_s[-1] - self.period_s
        until_s = times_s[after] if after < len(times_s) else times_s[0] + self.period_s
        here, there = self._points[index], self._points[after % len(times_s)]
        per_s = 1.0 / (until_s - from_s)
        self._from_s = lap_s + from_s
        self._until_s = lap_s + until_s
        self._temp_c, self._ratio, self._pressure_pa = here
        self._temp_rate = (there.temp_c - here.temp_c) * per_s
        self._ratio_rate = (there.humidity_ratio - here.humidity_ratio) * per_s
        self._pressure_rate = (there.pressure_pa - here.pressure_pa) * per_s
