"""RECORD: turns decisions into the rows of the history: one sample a minute, everything else on change.

In:    each tick's readings and decision.
Out:   calls on ``ports.History``.
Never: stops control: the history answers for its own trouble.
"""

from __future__ import annotations

from controller.core.alarms import is_fault
from controller.core.records import Decision, Inputs, Message, Reading
from controller.ports import History, Sample

MINUTE_S = 60.0
MOST_MINUTES = 10
"""After a longer stall the minutes that nobody looked at are not invented."""
NONE = Reading()


def _same_codes(one: Decision, other: Decision) -> bool:
    """Whether the same reasons hold; their figures move every tick."""
    mine, theirs = one.reasons, other.reasons
    if len(mine) != len(theirs):
        return False
    for a, b in zip(mine, theirs):  # noqa: B905, SIM110 - every tick comes by here
        if a.code != b.code:
            return False
    return True


class Recorder:
    """Remembers only what the current minute and the last change need."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._last: Decision | None = None
        self._minute_ends_s = 0.0
        self._on_s = 0.0
        self._rh_sum = 0.0
        self._temp_sum = 0.0
        self._believed = 0

    def record(self, inputs: Inputs, decision: Decision) -> bool:
        """Books one tick; True when something changed that a person may want to hear of."""
        changed = self._changes(decision)
        mono_s = decision.at.mono_s
        last = self._last
        if last is None:
            self._minute_ends_s = mono_s + MINUTE_S
        elif last.relay_on:
            self._on_s += mono_s - last.at.mono_s
        if decision.rh_pct is not None and decision.temp_c is not None:
            self._rh_sum += decision.rh_pct
            self._temp_sum += decision.temp_c
            self._believed += 1
        if decision.surface_hour is not None:
            self._history.surface(decision.at, decision.surface_hour)
        if mono_s >= self._minute_ends_s:
            self._end_minutes(inputs, decision)
        self._last = decision
        return changed

    def _changes(self, decision: Decision) -> bool:
        """Writes what changed, all of one tick together: each write wears a card."""
        last = self._last
        if (
            last is not None
            and not decision.answers
            and decision.relay_on == last.relay_on
            and _same_codes(decision, last)
            and decision.alarms == last.alarms
            and decision.notices == last.notices
        ):
            return False
        with self._history.together():
            self._write(decision, last)
        return True

    def _write(self, decision: Decision, last: Decision | None) -> None:
        history, at = self._history, decision.at
        for answer in decision.answers:
            history.note(at, answer)
        if last is None or not _same_codes(decision, last):
            history.reasons(decision)
        if last is None or decision.relay_on != last.relay_on:
            because = decision.on_because or (decision.reasons[0].code if decision.reasons else "")
            history.switched(at, decision.relay_on, because)
        self._messages((*last.alarms, *last.notices) if last is not None else (), decision)

    def _messages(self, before: tuple[Message, ...], decision: Decision) -> None:
        after = (*decision.alarms, *decision.notices)
        for raised, these, others in ((True, after, before), (False, before, after)):
            codes = {message.code for message in others}
            for message in these:
                if message.code not in codes:
                    kind = "alarm" if is_fault(message.code) else "notice"
                    self._history.message(decision.at, kind, message, raised)

    def _end_minutes(self, inputs: Inputs, decision: Decision) -> None:
        """One row for each minute that is over: a tick of five minutes makes five, alike."""
        minutes = 1 + int((decision.at.mono_s - self._minute_ends_s) // MINUTE_S)
        self._minute_ends_s += MINUTE_S * minutes
        minutes = min(minutes, MOST_MINUTES)
        first, second = (*inputs.readings, NONE, NONE)[:2]
        count = self._believed
        on_s = min(self._on_s / minutes, MINUTE_S)  # what a row cannot hold goes into the next
        row = Sample(
            decision.at.wall.timestamp(),
            decision.at.wall_trusted,
            self._rh_sum / count if count else None,
            self._temp_sum / count if count else None,
            first.rh_pct,
            first.temp_c,
            second.rh_pct,
            second.temp_c,
            decision.target_rh_pct,
            decision.is_day,
            on_s,
            decision.tank_l,
            inputs.outdoor_c,
            decision.reasons[0].code if decision.reasons else "",
        )
        for back in range(minutes - 1, -1, -1):
            self._history.sample(row._replace(at_s=row.at_s - MINUTE_S * back) if back else row)
        self._on_s -= on_s * minutes
        self._rh_sum = self._temp_sum = 0.0
        self._believed = 0
