"""DESK: decides what is said to whom and when. Pure: time is an argument.

In:    the alarms and notices as they stand, again and again; elapsed and calendar time.
Out:   letters, each for the first or the second person.
Never: says a standing alarm twice before its repeat is due, or a flapping one each time; forgets that
       somebody was told and has to hear that it is over.

What comes and goes more than ``MOST_AN_HOUR`` times is told no more each time, but summed up after an hour,
then after two, four ..., until it has kept still for that long. The second person is told of a fault that
nobody acknowledged; acknowledging ends that and the repeats.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from controller.core.alarms import PATIENCE_S, is_fault
from controller.core.records import Message
from controller.core.units import UnitSystem, said
from controller.notifier import words
from controller.notifier.settings import NotifySettings
from controller.notifier.words import Letter

HOUR_S = 3600.0
MOST_AN_HOUR = 6
"""Letters about one code in one hour, before they are summed up: three times come and gone."""
MARGIN_S = 1200.0
"""What was told before a restart is over only when it has had its patience and this to come back."""
FIRST, SECOND = 1, 2


class Posted(NamedTuple):
    """A letter and whose it is."""

    contact: int
    letter: Letter


@dataclass
class Case:
    """What is known of one code; times are elapsed seconds."""

    message: Message
    began_s: float  # of this standing: the second person and the repeats count from here
    stands: bool = True
    told: bool = False  # the last letter about it said that it stands
    told_s: float = 0.0
    second: bool = False  # the second person knows of it
    letters_s: list[float] = field(default_factory=list)  # within the last hour
    pause_s: float = 0.0  # > 0: it is summed up, in steps of so long
    quiet_until_s: float = 0.0
    times: int = 0  # came since it was last told of
    over_after_s: float | None = None  # told before a restart, and not seen since


class Desk:
    """One room's. Not for two threads at once."""

    def __init__(self, settings: NotifySettings, room: str, units: UnitSystem = "si") -> None:
        self._settings = settings
        self._room = room
        self._units = units
        self._notices = frozenset(settings.notices)
        self.cases: dict[str, Case] = {}
        self.lost = 0
        """Changes that were not heard; said in the next letter."""

    def remember(self, code: str, case: Case, now_s: float) -> None:
        """What was told before this start. It may still stand, and is no news then."""
        if case.told:
            case.over_after_s = now_s + PATIENCE_S.get(code, 0.0) + MARGIN_S
        self.cases[code] = case

    def hear(
        self, alarms: tuple[Message, ...], notices: tuple[Message, ...], now_s: float, wall: datetime
    ) -> Iterator[Posted]:
        """Everything that stands at one moment, in the order of the moments."""
        standing = {message.code: message for message in alarms}
        standing |= {message.code: message for message in notices if message.code in self._notices}
        for code, message in standing.items():
            case = self.cases.get(code)
            if case is None or not case.stands:
                yield from self._raised(code, case, message, now_s, wall)
            else:
                case.message = message
        for code, case in self.cases.items():
            if case.stands and code not in standing:
                case.stands = False
                yield from self._cleared(case, now_s, wall)

    def _raised(
        self, code: str, case: Case | None, message: Message, now_s: float, wall: datetime
    ) -> Iterator[Posted]:
        kind = words.ALARM if is_fault(code) else words.NOTICE
        if case is None:
            case = self.cases[code] = Case(message, now_s)
        elif case.over_after_s is not None:  # told before a restart: no news, but perhaps not by every way
            case.stands, case.message, case.over_after_s = True, message, None
            if not message.acked_by:
                yield from self._post(case, self._letter(kind, message, wall))
            return
        elif not case.pause_s:
            case.began_s = now_s
        case.stands, case.message = True, message
        case.times += 1
        if not message.acked_by and not case.told:
            yield from self._rated(case, kind, now_s, wall)

    def _cleared(self, case: Case, now_s: float, wall: datetime) -> Iterator[Posted]:
        if case.told and is_fault(case.message.code):
            yield from self._rated(case, words.OVER, now_s, wall)
        elif case.told and not case.pause_s:  # the ways forget a notice: nobody has to hear that it is over
            case.told = False
            yield from self._post(case, self._letter(words.OVER, case.message, wall))
        if not case.told:
            case.second = False

    def _rated(self, case: Case, kind: str, now_s: float, wall: datetime) -> Iterator[Posted]:
        """A letter, unless there were too many."""
        case.letters_s = [at_s for at_s in case.letters_s if now_s - at_s < HOUR_S]
        if case.pause_s:
            return
        if len(case.letters_s) >= MOST_AN_HOUR:
            case.pause_s, case.quiet_until_s = HOUR_S, now_s + HOUR_S
            return
        yield from self._write(case, kind, now_s, wall)

    def _write(
        self, case: Case, kind: str, now_s: float, wall: datetime, over: bool = False
    ) -> Iterator[Posted]:
        """What changes what people know."""
        written = self._letter(kind, case.message, wall, case.times, over, self.lost)
        case.letters_s.append(now_s)
        case.told, case.told_s, case.times, self.lost = written.stands, now_s, 0, 0
        yield from self._post(case, written)

    def _letter(
        self, kind: str, message: Message, wall: datetime, times: int = 0, over: bool = False, lost: int = 0
    ) -> Letter:
        written = words.letter(self._room, kind, message, wall, times, over, lost)
        return written._replace(words=said(written.words, self._units))

    @staticmethod
    def _post(case: Case, written: Letter) -> Iterator[Posted]:
        """To the first, and to the second where that one knows of it."""
        for contact in (FIRST, SECOND) if case.second else (FIRST,):
            yield Posted(contact, written)

    def look(self, now_s: float, wall: datetime) -> Iterator[Posted]:
        """What time alone brings about: second person, repeats, sums, and what nobody saw again."""
        for code, case in list(self.cases.items()):
            if case.over_after_s is not None:
                if now_s >= case.over_after_s:
                    case.over_after_s = None
                    yield from self._cleared(case, now_s, wall)
            elif case.pause_s and now_s >= case.quiet_until_s:
                yield from self._sum_up(case, now_s, wall)
            elif is_fault(code) and not case.message.acked_by and (case.stands or case.pause_s):
                yield from self._unacknowledged(case, now_s, wall)
            if self._is_forgotten(case, now_s):
                del self.cases[code]

    def _sum_up(self, case: Case, now_s: float, wall: datetime) -> Iterator[Posted]:
        if not case.times and case.stands == case.told:
            case.pause_s = 0.0  # it has kept still
            return
        if not (case.stands and case.message.acked_by):
            kind = words.SUMMARY if case.times else words.ALARM if case.stands else words.OVER
            yield from self._write(case, kind, now_s, wall, over=not case.stands)
        else:
            case.told, case.times = True, 0
        if not case.told:
            case.second = False
        case.pause_s = min(2.0 * case.pause_s, self._settings.repeat_hours * HOUR_S)
        case.quiet_until_s = now_s + case.pause_s

    def _unacknowledged(self, case: Case, now_s: float, wall: datetime) -> Iterator[Posted]:
        settings = self._settings
        if (
            settings.second.named
            and not case.second
            and now_s - case.began_s >= settings.second_after_minutes * 60.0
        ):
            case.second = True
            flaps = case.times if case.pause_s else 0
            yield Posted(SECOND, self._letter(words.SECOND, case.message, wall, flaps))
        if case.told and not case.pause_s and now_s - case.told_s >= settings.repeat_hours * HOUR_S:
            case.told_s = now_s
            yield from self._post(case, self._letter(words.STILL, case.message, wall))

    def _is_forgotten(self, case: Case, now_s: float) -> bool:
        recent = any(now_s - at_s < HOUR_S for at_s in case.letters_s)
        return not (case.stands or case.told or case.pause_s or recent or case.over_after_s is not None)
