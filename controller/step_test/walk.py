"""WALK: mist for a while, then none for as long, with words on what is seen meanwhile.

In:    the keeper's yes and no (``Talk``), the running program (``Site``), how long.
Out:   the span of the record in which it took place; or None, in words, where it did not.
Never: switches anything: it leaves requests, and every guard and limit of the program stands. Whatever
       ends it, mist that was asked for is taken back, and a pause ends by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple, Protocol

from controller.commissioning.talk import Ended, Talk
from controller.core.guards import GuardLimits
from controller.core.keeper import KeeperLimits, duration_words
from controller.core.records import Request
from controller.errors import HygroholdError
from controller.history.rows import Note
from controller.ports import Sample
from controller.step_test.minutes import MINUTE_S, Untold

SHORTEST_S, LONGEST_S = 15.0 * 60.0, 40.0 * 60.0
USUAL_S = 30.0 * 60.0
BEFORE_S = 30.0 * 60.0
"""Of the record before the mist; it is there already."""
LEAST_BEFORE_MINUTES = 8
LOOK_S = 10.0
TOLD_EVERY_S = 300.0
OFF_FOR_S = 120.0
"""So long without mist although it is asked for: a guard holds it off, and waiting changes nothing."""
RECORD_LATE_S = 12.0 * 60.0
"""The program may write ten minutes at once."""
FLAT_SHARE = 0.2
"""It has settled when five minutes bring less than this share of what the quickest five brought."""


class Look(NamedTuple):
    """What the program sees and does now."""

    rh_pct: float | None
    temp_c: float | None
    on: bool
    sentence: str
    reasons: tuple[str, ...] = ()  # codes of what holds the humidifier off


class Site(Protocol):
    """Where the walk takes place."""

    def now(self) -> datetime:
        """The wall clock, by which the record is labelled."""
        ...

    def ask(self, request: Request) -> tuple[bool, str]:
        """Asks the running program. Raises HygroholdError where none answers."""
        ...

    def look(self) -> Look:
        """Raises HygroholdError where the program does not run."""
        ...

    def minutes(self, from_s: float, to_s: float) -> Sequence[Sample]:
        """Of the record. Raises HistoryError."""
        ...


class Span(NamedTuple):
    """Where in the record a test is. ``asked_s``: of mist; None: any mist counts."""

    from_s: float
    to_s: float
    asked_s: float | None = None


def allowed_s(wanted_s: float, keeper: KeeperLimits, guards: GuardLimits) -> float:
    """Mist that the settings let a person ask for, up to ``wanted_s``. Raises Untold below the least."""
    most_s = min(keeper.longest_humidify_minutes * 60.0, guards.longest_run_s)
    for_s = min(wanted_s, LONGEST_S, most_s, keeper.longest_pause_hours * 3600.0)
    if for_s < SHORTEST_S:
        raise Untold(
            f"the settings allow no more than {duration_words(for_s)} in one go, and a test needs at least "
            f"{duration_words(SHORTEST_S)}: see keeper.longest_humidify_minutes, keeper.longest_pause_hours "
            "and guards.longest_run_minutes"
        )
    return for_s


class Walk:
    def __init__(self, talk: Talk, site: Site, by: str) -> None:
        self._talk = talk
        self._site = site
        self._by = by
        self._told: list[tuple[float, float]] = []  # seconds, RH: as told

    def walk(self, for_s: float) -> Span | None:
        """Raises Untold, HygroholdError; Ended where the keeper stops it."""
        say, begin = self._talk.say, self._site.look()
        words = duration_words(for_s)
        say(f"Step test: {words} of mist, then {words} without. Every guard stands all through.")
        say("  - The air will be wetter than the target, then drier. Not while an animal cannot bear that.")
        say("  - Keep the door shut, and do not mist by hand; no more people in the room than always.")
        say("  - There must be water for it, and the humidifier must stand as it always does.")
        self._before(begin)
        if not self._talk.ask("May it begin?"):
            say("Nothing was begun.")
            return None
        began_s = self._now_s()
        self._mist(for_s)
        self._quiet(for_s)
        span = Span(began_s - BEFORE_S, self._now_s(), for_s)
        self._await_record(span.to_s)
        return span

    def _before(self, look: Look) -> None:
        """Told, not waited for: what the room was doing already is in the fit."""
        if look.rh_pct is None:
            raise Untold(f"no probe is believed now. {look.sentence}")
        if "paused" in look.reasons or "bypassed" in look.reasons:
            raise Untold(look.sentence)
        now_s = self._now_s()
        rows = [row for row in self._site.minutes(now_s - BEFORE_S, now_s) if row.rh_pct is not None]
        if len(rows) < LEAST_BEFORE_MINUTES:
            raise Untold(
                "the record has too few minutes of what the room did before: let the program run for "
                f"{duration_words(BEFORE_S)} first"
            )
        figures = [row.rh_pct for row in rows if row.rh_pct is not None]
        say = self._talk.say
        say(
            f"The room before: {look.rh_pct:.1f} %RH; in the last {len(rows)} recorded minutes between "
            f"{min(figures):.1f} and {max(figures):.1f}."
        )

    def _mist(self, for_s: float) -> None:
        done, words = self._ask("humidify_now", for_s)
        if not done:
            raise Untold(words)
        self._talk.say(f"\n{words[:1].upper()}{words[1:]}.")
        try:
            self._watch(for_s, misting=True)
        except BaseException:
            self._take_back()
            raise

    def _quiet(self, for_s: float) -> None:
        done, words = self._ask("pause", for_s)
        if not done:
            raise Untold(words)
        self._talk.say(f"\nNow without mist: {words}.")
        try:
            self._watch(for_s, misting=False)
        except Ended:
            self._talk.say(
                "The pause ends by itself; `hygrohold resume` ends it now. Once it is over, "
                "`hygrohold step-test --last` looks at what the record has."
            )
            raise

    def _watch(self, for_s: float, misting: bool) -> None:
        began_s = told_s = on_s = self._now_s()
        self._told = []
        while (left_s := began_s + for_s - self._now_s()) > 0.5:
            self._talk.wait(min(LOOK_S, left_s))
            now_s, look = self._now_s(), self._site.look()
            if misting and "paused" in look.reasons:
                raise Untold("somebody paused the humidifier meanwhile")
            if look.on or not misting:
                on_s = now_s
            if now_s - on_s > OFF_FOR_S:
                self._talk.say(f"  No mist any more. {look.sentence}")
                return
            if now_s - told_s >= TOLD_EVERY_S and look.rh_pct is not None:
                told_s = now_s
                self._talk.say(f"{duration_words(now_s - began_s):>10}  {self._said(now_s, look.rh_pct)}")

    def _said(self, now_s: float, rh_pct: float) -> str:
        """How it moves, by what was told before."""
        words = f"{rh_pct:.1f} %RH"
        if self._told:
            steps = [b - a for (_, a), (_, b) in pairwise(self._told)]
            moved = rh_pct - self._told[-1][1]
            quickest = max((abs(step) for step in steps), default=0.0)
            settled = len(steps) > 1 and abs(moved) < FLAT_SHARE * quickest
            how = "settled" if settled else "rising" if moved > 0.0 else "falling"
            words += f", {how}: {moved:+.1f} in {duration_words(now_s - self._told[-1][0])}"
        self._told.append((now_s, rh_pct))
        return words

    def _take_back(self) -> None:
        """The mist that was asked for; but not a pause that somebody else asked for meanwhile."""
        try:
            if "paused" not in self._site.look().reasons:
                self._ask("resume")
                self._talk.say("The mist that was asked for is taken back.")
        except HygroholdError as error:
            self._talk.say(f"The mist that was asked for ends by itself ({error}).")

    def _await_record(self, to_s: float) -> None:
        until_s = to_s + RECORD_LATE_S
        while self._now_s() < until_s:
            rows = self._site.minutes(to_s - 2.0 * MINUTE_S, to_s + RECORD_LATE_S)
            if rows and rows[-1].at_s >= to_s - MINUTE_S:
                return
            if self._now_s() - to_s < LOOK_S:
                self._talk.say("\nWaiting for the last minutes to be written into the record.")
            self._talk.wait(LOOK_S)

    def _ask(self, kind: str, for_s: float | None = None) -> tuple[bool, str]:
        return self._site.ask(Request(kind, by=self._by, for_s=for_s))

    def _now_s(self) -> float:
        return self._site.now().timestamp()


def last_asked(notes: Sequence[Note], keeper: KeeperLimits) -> Span | None:
    """Where the last mist that was asked for and granted is in the record; None: there was none."""
    found = [note for note in notes if note.kind == "humidify_now" and note.done]
    if not found:
        return None
    last = found[-1]
    usual_s = keeper.humidify_minutes * 60.0
    for_s = min(usual_s if last.for_s is None else last.for_s, keeper.longest_humidify_minutes * 60.0)
    return Span(last.at_s - BEFORE_S, last.at_s + 2.0 * for_s, for_s)
