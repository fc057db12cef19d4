"""SPELLS: what lasted from then to then: runs and alarms.

In:    rows of the record, in the order of writing.
Out:   spells.
Never: takes a power cut for a run: where the program began anew in between, the end is not known.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from controller.history.rows import Event, Note, RecordedMessage, Switching


class Run(NamedTuple):
    """One run of the humidifier."""

    from_s: float
    to_s: float | None  # None: it still ran, or the program began anew meanwhile
    why_on: str  # a code of core/words.ON
    why_off: str  # a code of core/words.REASONS; "" where the end is not known

    @property
    def minutes(self) -> float | None:
        return None if self.to_s is None else (self.to_s - self.from_s) / 60.0


class MessageSpell(NamedTuple):
    """An alarm or a notice from raised to cleared."""

    kind: str
    code: str
    since_s: float  # when the condition began; the patience of its alarm is in it
    raised_s: float
    cleared_s: float | None  # None: it stood when the record ended, or at ``lost_s``
    lost_s: float | None  # when the program began anew and did not tell it again
    acknowledged_s: float | None
    acknowledged_by: str
    last: RecordedMessage


def starts(events: Iterable[Event]) -> list[float]:
    return [event.at_s for event in events if event.kind == "start"]


def runs(switchings: Iterable[Switching], begun_s: Sequence[float]) -> list[Run]:
    """``begun_s``: when the program was started."""
    found: list[Run] = []
    on: Switching | None = None
    for row in switchings:
        if on is not None:
            broken = any(on.at_s < start_s <= row.at_s for start_s in begun_s)
            end_s = None if broken or row.on or row.at_s < on.at_s else row.at_s
            found.append(Run(on.at_s, end_s, on.because, "" if end_s is None else row.because))
        on = row if row.on else None
    if on is not None:
        found.append(Run(on.at_s, None, on.because, ""))
    return found


def message_spells(
    messages: Iterable[RecordedMessage], notes: Iterable[Note], begun_s: Sequence[float]
) -> list[MessageSpell]:
    """In the order of being raised. ``notes``: answered requests; an acknowledgement is of all that stand.

    What stands when the program ends is told anew by its next life, with the same "since": one spell. What is
    not told anew ended unseen.
    """
    found: list[MessageSpell] = []
    standing: dict[str, int] = {}
    for at_s, _, what in _in_order(messages, notes):
        if isinstance(what, Note):
            for place in standing.values():
                if found[place].kind == "alarm" and found[place].acknowledged_s is None:
                    found[place] = found[place]._replace(acknowledged_s=at_s, acknowledged_by=what.by)
        elif what.raised:
            place = standing.get(what.code, -1)
            if place >= 0 and not _new_life(found[place], what, begun_s):
                found[place] = found[place]._replace(last=what)
                continue
            standing[what.code] = len(found)
            found.append(MessageSpell(what.kind, what.code, what.since_s, at_s, None, None, None, "", what))
        elif what.code in standing:
            place = standing.pop(what.code)
            found[place] = found[place]._replace(cleared_s=at_s)
    return [each if each.cleared_s is not None else _perhaps_lost(each, begun_s) for each in found]


def _perhaps_lost(spell: MessageSpell, begun_s: Sequence[float]) -> MessageSpell:
    later = [start_s for start_s in begun_s if start_s > spell.last.at_s]
    return spell._replace(lost_s=min(later, default=None))


def _in_order(
    messages: Iterable[RecordedMessage], notes: Iterable[Note]
) -> list[tuple[float, int, RecordedMessage | Note]]:
    told: list[tuple[float, int, RecordedMessage | Note]] = [(m.at_s, n, m) for n, m in enumerate(messages)]
    told += [(note.at_s, -1, note) for note in notes if note.kind == "acknowledge" and note.done]
    return sorted(told, key=lambda item: item[:2])


def _new_life(spell: MessageSpell, again: RecordedMessage, begun_s: Sequence[float]) -> bool:
    """Whether a message told again is another one: the program began anew, and its condition is younger."""
    began = [start_s for start_s in begun_s if spell.raised_s < start_s <= again.at_s]
    return bool(began) and again.since_s >= began[0]
