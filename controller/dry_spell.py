"""DRY_SPELL: the longest time below the band's low edge without a break.

In:    recorded minutes as ``tally.Row``, in the order of writing.
Out:   the longest spell.
Never: bridges a hole in the record, or a minute without a figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from controller.tally import MINUTE_S, Row

GAP_S = 90.0
"""Two minutes that lie further apart are not one spell."""


class DrySpell(NamedTuple):
    """Recorded minutes one after the other, all below the band's low edge."""

    from_s: float
    to_s: float
    minutes: int


class DryWatch:
    """Looks for the longest dry spell while the minutes go by."""

    def __init__(self, low_rh_pct: float) -> None:
        self.longest: DrySpell | None = None
        self._low_rh_pct = low_rh_pct
        self._minutes = self._most = 0
        self._from_s = self._last_s = 0.0

    def add_rows(self, rows: Iterable[Row]) -> None:
        low_rh_pct, minutes, last_s = self._low_rh_pct, self._minutes, self._last_s
        for row in rows:
            rh_pct = row[2]
            if rh_pct is None or rh_pct >= low_rh_pct:
                minutes = 0
                continue
            at_s = row[0]
            if minutes == 0 or not 0.0 < at_s - last_s <= GAP_S:
                minutes = 0
                self._from_s = at_s - MINUTE_S
            minutes += 1
            last_s = at_s
            if minutes > self._most:
                self._most = minutes
                self.longest = DrySpell(self._from_s, at_s, minutes)
        self._minutes, self._last_s = minutes, last_s
