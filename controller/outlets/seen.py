"""SEEN: one look at a room's status file, and whether it still counts.

In:    where the file is; the time now.
Out:   what it says, how old that is, and whether it is younger than it says it is good for.
Never: opens anything but the status file, or takes an old figure for a present one.
"""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from controller.core.units import UnitSystem, said
from controller.status import age_s, is_stale, read_status


class RoomFile(NamedTuple):
    """A room, where its status file is, and in which units its keeper reads sentences."""

    room: str
    status: Path
    units: UnitSystem = "si"


class RoomSeen(NamedTuple):
    """``plain``: the status file's keys (``controller.status.describe``); None where there is no such file.

    ``age_s`` is below zero where the clock was put back. ``fresh``: the figures are those of now.
    """

    room: str
    plain: dict[str, Any] | None
    age_s: float | None
    fresh: bool
    units: UnitSystem = "si"

    def told(self, sentence: str) -> str:
        """A sentence of the status in the keeper's units."""
        return said(sentence, self.units)


def look(file: RoomFile, now: datetime) -> RoomSeen:
    """What a room's program said last. ``now`` is aware. Raises nothing: a bad file counts as none."""
    plain = read_status(file.status)
    if plain is None or not _whole(plain):  # before its times are reckoned with
        return RoomSeen(file.room, None, None, False, file.units)
    return RoomSeen(file.room, plain, age_s(plain, now), not is_stale(plain, now), file.units)


def judged(
    room: str, plain: dict[str, Any] | None, old_s: float, fresh: bool, units: UnitSystem = "si"
) -> RoomSeen:
    """What another part has looked at and judged already; a status that is not whole counts as none."""
    if plain is None or not _whole(plain):
        return RoomSeen(room, None, None, False, units)
    return RoomSeen(room, plain, old_s, fresh, units)


FIGURES = (
    *("rh_pct", "temp_c", "target_rh_pct", "ceiling_rh_pct", "duty", "tank_l", "tank_on_h", "used_h_in_24"),
    *("surface_c", "surface_rh_pct", "surface_measured", "mould_index", "good_for_s", "relay_on", "is_day"),
)


def _whole(plain: dict[str, Any]) -> bool:
    """Whether all that is used here is of its kind: what tells several rooms must not end because of one."""
    figures = [plain.get(key) for key in FIGURES]
    if not all(one is None or (isinstance(one, int | float) and math.isfinite(one)) for one in figures):
        return False
    told = [*plain["alarms"], *plain["notices"]]
    texts = [plain["sentence"], plain["to_do"], *plain["reasons"]]
    texts += [one.get(key) for one in told for key in ("code", "since", "words", "acked_by")]
    return all(isinstance(one, str) for one in texts)
