"""SHEDS: the air of the 14 days before a shed, beside that before the same animal's earlier whole sheds.

In:    the journal's notes as they stand, recorded minutes, the band.
Out:   figures of a fortnight; what differs. Words for them are in ``sheds_text.py``.
Never: calls anything a cause. It finds what differs, and how easily chance alone does that; few sheds, or a
       record with holes, tell nothing, and that is said instead.

A figure differs when it lies outside the range of the earlier ones. Of figures that have nothing to do with
the shed, the newest falls outside the range of n earlier ones with a chance of 2 in n + 1: each of the n + 1
is as likely as another to be the highest or the lowest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from controller.dry_spell import DryWatch
from controller.journal import animal_key, happened_s
from controller.tally import Row, Tally

if TYPE_CHECKING:
    from controller.history.read import Note

DAYS = 14
WINDOW_S = DAYS * 86400.0
MINUTES = DAYS * 1440
FEWEST = 3
"""So many earlier whole sheds are needed. Common practice, no source: a range of two says next to nothing."""
MOST = 12
"""No more are read: on a small board a fortnight of minutes takes a while."""
ENOUGH = 0.9
"""So much of a fortnight must be known. Common practice, no source."""


class Shed(NamedTuple):
    animal: str
    at_s: float
    whole: bool
    number: int | None = None  # of its note; None: not written yet


class Fortnight(NamedTuple):
    """The 14 days that end at ``to_s``. Hours are of 336: known minutes stand for those that are missing."""

    to_s: float
    known: float  # share of the minutes whose RH is on record
    doubtful: float  # share of the recorded minutes whose time was not sure
    day_below_h: float = 0.0
    day_in_h: float = 0.0
    day_above_h: float = 0.0
    night_below_h: float = 0.0
    night_in_h: float = 0.0
    night_above_h: float = 0.0
    mean_rh_pct: float | None = None
    lowest_rh_pct: float | None = None
    dry_spell_h: float = 0.0  # the longest time below the band without a break or a hole; not scaled
    mean_temp_c: float | None = None
    mean_vpd_kpa: float | None = None  # vapour pressure deficit of the air
    off_h: tuple[tuple[str, float], ...] = ()  # how long each reason kept the mist off, the longest first

    @property
    def enough(self) -> bool:
        return self.known >= ENOUGH


FIGURES: dict[str, float] = {
    **dict.fromkeys(("day_below_h", "day_in_h", "day_above_h"), 1.0),
    **dict.fromkeys(("night_below_h", "night_in_h", "night_above_h"), 1.0),
    "mean_rh_pct": 1.0,
    "lowest_rh_pct": 1.0,
    "dry_spell_h": 1.0,
    "mean_temp_c": 0.5,
    "mean_vpd_kpa": 0.05,
}
"""What is compared, and how far outside the range it has to lie to be told. Common practice, no source."""
SMALLEST_OFF_H = 1.0
NO_REASON_TO_TELL = ("enough", "enough_ahead")
"""The air was humid enough: that is what the figures of the air say already."""


class Beside(NamedTuple):
    """One figure beside those before the earlier whole sheds."""

    name: str  # of a Fortnight's figure; "off:CODE" for the hours of a reason
    value: float
    median: float
    low: float
    high: float
    differs: bool


class Comparison(NamedTuple):
    shed: Shed
    own: Fortnight
    earlier: tuple[Fortnight, ...]  # of whole sheds with enough on record, the newest first
    left_out: int  # earlier whole sheds with too little on record
    figures: tuple[Beside, ...]  # empty where there is too little to tell

    @property
    def too_few(self) -> bool:
        return len(self.earlier) < FEWEST

    @property
    def chance(self) -> float:
        """That a figure lies outside the range although it has nothing to do with the shed."""
        return 2.0 / (len(self.earlier) + 1)


def sheds_of(notes: Iterable[Note]) -> dict[str, list[Shed]]:
    """The sheds of each animal (``animal_key``), oldest first, out of the notes that stand."""
    found: dict[str, list[Shed]] = {}
    for note in sorted(notes, key=happened_s):
        if note.kind == "shed":
            shed = Shed(note.animal, happened_s(note), note.outcome == "whole", note.number)
            found.setdefault(animal_key(note.animal), []).append(shed)
    return found


def earlier_whole(shed: Shed, sheds: Sequence[Shed]) -> list[Shed]:
    """That animal's whole sheds before this one, newest first, whose 14 days do not overlap.

    Two notes within 14 days are one shed noted twice, or share their air: the newer is taken.
    """
    taken: list[Shed] = []
    before_s = shed.at_s
    for other in sorted(sheds, key=lambda one: one.at_s, reverse=True):
        if other.whole and other.at_s <= before_s - WINDOW_S:
            taken.append(other)
            before_s = other.at_s
    return taken[:MOST]


def fortnight(
    minutes: Iterable[Sequence[Row]], to_s: float, low_rh_pct: float, high_rh_pct: float
) -> Fortnight:
    """The figures of the minutes that ended in the 14 days up to ``to_s``; ``minutes``: those, in batches."""
    tally, dry = Tally(), DryWatch(low_rh_pct)
    for rows in minutes:
        tally.add_rows(rows)
        dry.add_rows(rows)
    known, recorded = tally.known, tally.minutes
    placed = tally.places(low_rh_pct, high_rh_pct)
    airs, *_, vpd_sum = map(sum, zip(*tally.air.values(), strict=True))
    scale_h = MINUTES / 60.0 / known if known else 0.0
    off_scale_h = MINUTES / 60.0 / recorded if recorded else 0.0
    return Fortnight(
        to_s,
        known=min(known / MINUTES, 1.0),
        doubtful=tally.clock_doubtful_minutes / recorded if recorded else 0.0,
        day_below_h=scale_h * placed[True, -1],
        day_in_h=scale_h * placed[True, 0],
        day_above_h=scale_h * placed[True, 1],
        night_below_h=scale_h * placed[False, -1],
        night_in_h=scale_h * placed[False, 0],
        night_above_h=scale_h * placed[False, 1],
        mean_rh_pct=_mean(tally.rh_sum_pct, known),
        lowest_rh_pct=tally.lowest_rh_pct,
        dry_spell_h=dry.longest.minutes / 60.0 if dry.longest is not None else 0.0,
        mean_temp_c=_mean(tally.temp_sum_c, tally.temp_known),
        mean_vpd_kpa=_mean(vpd_sum, airs),
        off_h=tuple((code, count * off_scale_h) for code, count in _by_length(tally.reasons)),
    )


def _mean(total: float, count: float) -> float | None:
    return total / count if count else None


def _by_length(off: Mapping[str, int]) -> list[tuple[str, int]]:
    return sorted(off.items(), key=lambda item: (-item[1], item[0]))


def compare(shed: Shed, own: Fortnight, earlier: Sequence[Fortnight]) -> Comparison:
    """A shed's fortnight beside those before earlier whole sheds of the same animal, newest first."""
    usable = tuple(each for each in earlier if each.enough)
    left_out = len(earlier) - len(usable)
    if not own.enough or len(usable) < FEWEST:
        return Comparison(shed, own, usable, left_out, ())
    figures = []
    for name, smallest in FIGURES.items():
        value = getattr(own, name)
        others = [other for each in usable if (other := getattr(each, name)) is not None]
        if value is not None and len(others) >= FEWEST:
            figures.append(_beside(name, value, others, smallest))
    hours = [dict(each.off_h) for each in (own, *usable)]
    for code in sorted({code for each in hours for code in each} - set(NO_REASON_TO_TELL)):
        mine, *others = (each.get(code, 0.0) for each in hours)
        figures.append(_beside(f"off:{code}", mine, others, SMALLEST_OFF_H))
    return Comparison(shed, own, usable, left_out, tuple(figures))


def _beside(name: str, value: float, others: Sequence[float], smallest: float) -> Beside:
    low, high = min(others), max(others)
    outside = max(low - value, value - high)
    return Beside(name, value, median(others), low, high, outside >= smallest)


def median(values: Sequence[float]) -> float:
    """The middle one, or the mean of the two in the middle."""
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0
