"""CALIBRATION: what comparisons against a reference found for each probe, and a probe that is away for one.

In:    requests (a probe goes into the jar, is back, a correction was found, the last one is taken back).
Out:   the correction that counts for each probe; whether one is away, and for how long.
Never: believes a probe in a jar because time has passed: only a person knows that it is back in the room, and
       an alarm asks for that word when it is overdue. Forgets an earlier correction: the newest counts, and
       can be taken back.

A probe that is away is not believed, so the minutes go into the record without a figure, and the guard on
trust holds the humidifier off unless a second probe is there. The settings' own correction counts until one
was found here, and again where its date is later.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple, Protocol

from controller.core.records import Correcting, Request

LONGEST_AWAY_S = 8 * 3600.0
USUAL_AWAY_S = 2 * 3600.0
COMES_BACK_S = 600.0
"""After the jar the element needs some minutes in the room's air."""
MOST_KEPT = 8
LOWEST_GAIN, HIGHEST_GAIN = 0.8, 1.25
MOST_OFFSET_PCT = 20.0
"""What a probe in order can need at most; the same bounds as in the settings. Common practice, no source."""


class Correction(NamedTuple):
    """shown * rh_gain + rh_offset_pct is the truth; shown + temp_offset_c."""

    rh_gain: float = 1.0
    rh_offset_pct: float = 0.0
    temp_offset_c: float = 0.0
    day: str = ""  # the day of the comparison, like 2026-01-14
    how: str = ""  # in words


class CalibrationMemory(NamedTuple):
    kept: tuple[tuple[Correction, ...], ...] = ()  # by probe, the oldest first
    away: int = 0  # the number of the probe that is in a jar, from 1; 0 = none
    due_t: float = 0.0  # when it should be back
    back_t: float | None = None  # when it is believed again, once somebody has said that it is back


class Corrects(Correcting, Protocol):
    """What the settings say of one probe."""

    @property
    def calibrated_on(self) -> date | None: ...


def away(memory: CalibrationMemory, t: float) -> int:
    """The number of the probe that is away now; 0 = none."""
    return memory.away if memory.away and (memory.back_t is None or t < memory.back_t) else 0


def overdue(memory: CalibrationMemory, t: float) -> bool:
    """Nobody has said that it is back, although it was to be."""
    return memory.away > 0 and memory.back_t is None and not t < memory.due_t


def newest(memory: CalibrationMemory, index: int) -> Correction | None:
    """The last correction that was found here for a probe, counted from 0."""
    of_probe = memory.kept[index] if index < len(memory.kept) else ()
    return of_probe[-1] if of_probe else None


def counts(settings: Corrects, found: Correction | None) -> Correction | None:
    """What was found here, if it counts; None where the settings' own correction does."""
    if found is None or not _sane(found):
        return None
    compared = settings.calibrated_on
    if compared is not None and compared.isoformat() > found.day:
        return None
    return found._replace(temp_offset_c=settings.temp_offset_c)


def compared_on(settings: Corrects, found: Correction | None) -> date | None:
    """The day of the newest comparison; None = never, as far as anybody said."""
    if found is None:
        return settings.calibrated_on
    counting = counts(settings, found)
    try:
        return settings.calibrated_on if counting is None else date.fromisoformat(counting.day)
    except ValueError:  # a kept state from elsewhere
        return settings.calibrated_on


def _sane(found: Correction) -> bool:
    """A kept figure may come from a file. A comparison with NaN is false."""
    gain, offset = found.rh_gain, found.rh_offset_pct
    return LOWEST_GAIN <= gain <= HIGHEST_GAIN and -MOST_OFFSET_PCT <= offset <= MOST_OFFSET_PCT


def handle(
    memory: CalibrationMemory, request: Request, t: float, wall: datetime, probes: Sequence[Corrects]
) -> tuple[CalibrationMemory, bool, str]:
    """One request of the kinds ``calibrate_begin``, ``_end``, ``_keep``, ``_undo``.

    ``probes``: as the settings have them.
    """
    number = 1 if request.probe is None else request.probe
    if request.kind == "calibrate_end" and away(memory, t):
        number = memory.away  # only one can be away, and the settings may have lost it meanwhile
    elif not 1 <= number <= len(probes):
        return memory, False, f"there is no probe {number} in this room"
    if request.kind in ("calibrate_begin", "calibrate_end"):
        return _moved(memory, request, number, t, wall)
    rows = [list(memory.kept[index]) if index < len(memory.kept) else [] for index in range(len(probes))]
    of_probe = rows[number - 1]
    if request.kind == "calibrate_undo":
        if not of_probe:
            return memory, False, f"nothing was found here for probe {number} that could be taken back"
        of_probe.pop()
        now = of_probe[-1].how if of_probe else "the settings' own correction"
        words = f"taken back; for probe {number} counts again: {now}"
    elif request.kind == "calibrate_keep":
        gain, offset_pct = request.rh_gain, request.rh_offset_pct
        if gain is None or offset_pct is None:
            return memory, False, "the gain or the offset is missing"
        found = Correction(gain, offset_pct, 0.0, f"{wall:%Y-%m-%d}", str(request.remark)[:300])
        if not _sane(found):
            words = (
                f"a gain of {gain:g} with an offset of {offset_pct:g} %RH is no drift but a fault: "
                "the correction stays as it was"
            )
            return memory, False, words
        of_probe.append(found)
        del of_probe[:-MOST_KEPT]
        words = f"kept: probe {number} is corrected to shown x {gain:.4g} {offset_pct:+.2f} %RH from now on"
        if counts(probes[number - 1], found) is None:
            words = (
                f"kept under {found.day}, but the settings' own correction has a later date and counts. Is "
                "this board's clock right? If so, take probe.calibrated_on out of the settings"
            )
    else:
        return memory, False, f"{str(request.kind)[:40]!r} is not a request known here"
    return memory._replace(kept=tuple(tuple(row) for row in rows)), True, words


def _moved(
    memory: CalibrationMemory, request: Request, number: int, t: float, wall: datetime
) -> tuple[CalibrationMemory, bool, str]:
    """A probe goes into the jar, or comes back."""
    gone = away(memory, t)
    if gone not in (0, number):
        return memory, False, f"probe {gone} is away; say first that it is back: hygrohold calibrate back"
    if request.kind == "calibrate_begin":
        for_s = min(request.for_s or USUAL_AWAY_S, LONGEST_AWAY_S)
        words = f"probe {number} is away; from {_clock(wall, for_s)} on an alarm asks whether it is back"
        return memory._replace(away=number, due_t=t + for_s, back_t=None), True, words
    if not gone:
        return memory, True, "no probe was away"
    if memory.back_t is not None:
        at = _clock(wall, memory.back_t - t)
        return memory, True, f"that is known; probe {number} is believed again at {at}"
    words = f"probe {number} is back; it is believed again at {_clock(wall, COMES_BACK_S)}"
    return memory._replace(back_t=t + COMES_BACK_S), True, words


def _clock(wall: datetime, for_s: float) -> str:
    at = datetime.fromtimestamp(wall.timestamp() + for_s, wall.tzinfo)
    return f"{at:%H:%M}" if at.date() == wall.date() else f"{at:%Y-%m-%d %H:%M}"
