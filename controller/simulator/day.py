"""The day of the simulated room: heating hours, open windows, sleepers, hand misting.

In:    local time, once a minute.
Out:   a ``Drive`` for the room; sleepers and sprays for its sources.
Never: keeps a timer: it asks only what the local time is now.
"""

from __future__ import annotations

from datetime import datetime

from controller.core.limits import seconds_of_day
from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings

DAY_S = 86400


class Day:
    """What a clock on the wall decides."""

    def __init__(self, bench: BenchSettings) -> None:
        self._room = bench.room
        self._sources = bench.sources
        self._openings = [
            (seconds_of_day(opening.at), opening.minutes * 60.0, opening.air_changes_per_h / 3600.0)
            for opening in bench.opening
        ]
        self._sprays_s = [seconds_of_day(at) for at in bench.sources.hand_mist_at]
        self._last_s: int | None = None

    def drive(self, wall: datetime, room: Room) -> Drive:
        """Called once a minute; sprays once for each time passed since the last call."""
        now_s = seconds_of_day(wall.time())
        begin_s, length_s = self._room.warm_s
        warm = (now_s - begin_s) % DAY_S < length_s
        open_per_s = 0.0
        for at_s, for_s, per_s in self._openings:
            if (now_s - at_s) % DAY_S < for_s:
                open_per_s += per_s
        if self._sources.sleepers:
            begin_s, length_s = self._sources.asleep_s
            room.sources.sleepers = self._sources.sleepers if (now_s - begin_s) % DAY_S < length_s else 0
        if self._sprays_s and self._last_s is not None:
            passed_s = (now_s - self._last_s) % DAY_S
            if passed_s < DAY_S // 2:  # a clock put back by more sprays nothing
                for at_s in self._sprays_s:
                    if 0 < (at_s - self._last_s) % DAY_S <= passed_s:
                        room.sources.spray()
        self._last_s = now_s
        return Drive(self._room.warm_temp_c if warm else self._room.cool_temp_c, open_per_s)
