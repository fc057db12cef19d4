"""MINUTES: a stretch of the record as a fit needs it.

In:    rows of the record.
Out:   one ``Minute`` for each minute, in order, none left out; or why the stretch cannot be used.
Never: invents a minute: where the record has a hole, nobody knows whether there was mist in it.

Moisture is vapour pressure in %RH at 24 °C, which warming alone does not change: a heating swing is not
taken for mist.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from controller.core import air
from controller.core.room_block import PA_PER_PCT, moisture_of
from controller.ports import Sample

MINUTE_S = 60.0
LEAST_MINUTES = 25
MOST_MINUTES = 360
MOST_UNBELIEVED = 0.1
COLDEST_C, WARMEST_C = -40.0, 60.0


class Untold(ValueError):
    """The minutes do not tell; the text says why and what to do."""


class Minute(NamedTuple):
    at_s: float  # its end, UTC, seconds since 1970
    moisture: float | None  # mean, %RH at 24 °C; None: no probe was believed
    on: float  # share of it with the humidifier on
    rh_pct: float | None
    reason: str  # what held the humidifier off at its end


class Stretch(NamedTuple):
    """Minutes without a hole; ``per_pct``: %RH for each of moisture, at the mean temperature."""

    minutes: tuple[Minute, ...]
    per_pct: float
    temp_c: float
    warmed_k: float  # the warmest minute less the coldest


def stretch(rows: Iterable[Sample]) -> Stretch:
    """Raises Untold."""
    samples = sorted(rows, key=lambda row: row.at_s)
    if len(samples) < LEAST_MINUTES:
        raise Untold(
            f"the record has {len(samples)} minutes of that time, and at least {LEAST_MINUTES} are needed"
        )
    if len(samples) > MOST_MINUTES:
        raise Untold(f"that is longer than {MOST_MINUTES // 60} h: the weather would be taken for mist")
    _whole(samples)
    found = [_minute(row) for row in samples]
    temps = [row.temp_c for row, minute in zip(samples, found, strict=True) if minute.moisture is not None]
    known = [temp_c for temp_c in temps if temp_c is not None]
    if len(known) < (1.0 - MOST_UNBELIEVED) * len(found):
        raise Untold(f"no probe was believed in {len(found) - len(known)} of the {len(found)} minutes")
    temp_c = sum(known) / len(known)
    per_pct = 100.0 * PA_PER_PCT / air.saturation_pressure_pa(temp_c)
    return Stretch(tuple(found), per_pct, temp_c, max(known) - min(known))


def _whole(samples: Sequence[Sample]) -> None:
    for one, other in pairwise(samples):
        if not 0.5 * MINUTE_S < other.at_s - one.at_s < 1.5 * MINUTE_S:
            raise Untold(
                "the record has a hole, or the clock was set, in that time: the program must run all through"
            )


def _minute(row: Sample) -> Minute:
    moisture = None
    if row.rh_pct is not None and row.temp_c is not None and COLDEST_C <= row.temp_c <= WARMEST_C:
        moisture = moisture_of(row.temp_c, row.rh_pct)
    return Minute(row.at_s, moisture, min(max(row.on_s / MINUTE_S, 0.0), 1.0), row.rh_pct, row.reason)
