"""What really happened in a world whose program was killed, read from its log, and what must hold of it.

In:    the log that ``tests/crash/child.py`` writes; the room's folder as the killed program left it.
Out:   a list of complaints in words; empty when all is well.

The bounds are the promises themselves: the state is kept at least every five minutes while on, and an unclean
end counts as on for that long; a batch of the record is ten minutes; what is answered "done" is recorded.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

from tests.crash.child import BEGAN, CAP_H, LONGEST_RUN_S, RATE_L_PER_H, REST_S, TANK_L, TICK_S

DAY_S = 86400.0
MARK_S = 300.0
MERGED_S = 1800.0  # a second note of one filling within half an hour is put to the first
PAUSE_S = 3600.0
BATCH_ROWS = 10
ROUNDING_S = 1e-3
RATE_L_PER_S = RATE_L_PER_H / 3600.0


class Span(NamedTuple):
    start_s: float
    end_s: float
    killed: bool  # ended by a kill


class Truth:
    """The log, taken in line by line. ``unclean``: when lives ended that did not end by themselves."""

    def __init__(self) -> None:
        self.at_s = 0.0
        self.spans: list[Span] = []
        self.unclean: list[float] = []
        self.done: dict[str, tuple[float, str]] = {}  # answered "done": when, what
        self.answered: set[str] = set()
        self.took: dict[str, tuple[float, str]] = {}
        self.taken_before: dict[str, tuple[float, str]] = {}
        self.samples: list[float] = []
        self.switched: list[tuple[float, bool]] = []
        self.lives_samples = [0]  # how many samples there were at each life's beginning
        self.complaints: list[str] = []
        self.alarms: list[tuple[float, frozenset[str]]] = []
        self.looks: list[float] = []
        self.begun: list[float] = []
        self.starts = self.runs = 0
        self.rows_lost = 0
        self.longest_s = 0.0  # the longest look, on the machine's own clock
        self._on_since_s: float | None = None
        self._first_look = False
        self._alive = False
        self._clean = True

    def line(self, text: str) -> None:
        what, *rest = json.loads(text)
        getattr(self, f"_{what}")(*rest)

    def killed(self) -> None:
        """The life has ended without a word; its relay is off from then on."""
        if self._alive:
            self.unclean.append(self.at_s)
        self._end_span(killed=True)
        self._alive = False

    # one method for each word of the log

    def _start(self, at_s: float, remarks: list[str], set_aside: str) -> None:
        self.at_s, self._alive, self._first_look = at_s, True, True
        self.starts += 1
        self.begun.append(at_s)
        self.remarks, self.set_aside = remarks, set_aside
        self.lives_samples.append(len(self.samples))

    def _t(self, at_s: float) -> None:
        self.at_s = at_s

    def _level(self, at_s: float, on: bool) -> None:
        if on:
            self._on_since_s = at_s
            self.runs += 1
            for _, (since_s, kind) in self.done.items():
                if kind == "pause" and since_s <= at_s < since_s + PAUSE_S:
                    self.complaints.append(f"{at_s}: on within a pause promised at {since_s}")
            if self.spans and not self.spans[-1].killed:
                last = self.spans[-1]
                if last.end_s - last.start_s >= LONGEST_RUN_S - TICK_S and at_s < last.end_s + REST_S:
                    self.complaints.append(f"{at_s}: on within the rest after a longest run")
        else:
            self._end_span(killed=False, at_s=at_s)

    def _end_span(self, killed: bool, at_s: float | None = None) -> None:
        if self._on_since_s is not None:
            self.spans.append(Span(self._on_since_s, self.at_s if at_s is None else at_s, killed))
            self._on_since_s = None

    def _took(self, at_s: float, identity: str, kind: str) -> None:
        if identity in self.answered:
            self.complaints.append(f"{at_s}: {identity} was taken again after its answer")
        self.taken_before[identity] = self.took.get(identity, (at_s, kind))
        self.took[identity] = (at_s, kind)

    def _answered(self, at_s: float, identity: str, done: bool, already: bool) -> None:
        """``already``: obeyed when it was taken the time before."""
        self.answered.add(identity)
        if already and self.taken_before[identity] == self.took[identity]:
            self.complaints.append(f"{at_s}: {identity} is said to be done already, and was not taken before")
        if done:
            self.done[identity] = self.taken_before[identity] if already else (at_s, self.took[identity][1])

    def _sample(self, at_s: float) -> None:
        self.samples.append(at_s)

    def _switched(self, at_s: float, on: bool) -> None:
        self.switched.append((at_s, on))

    def _done(self, at_s: float, took_s: float) -> None:
        self.longest_s = max(self.longest_s, took_s)

    def _said(self, words: str) -> None:
        a_disk_takes_nothing = "could not be written" in words or "cannot be taken yet" in words
        if not a_disk_takes_nothing:
            self.complaints.append(f"{self.at_s}: a request was refused: {words}")

    def _ended(self, at_s: float, rows_lost: int) -> None:
        self._alive = False
        self.rows_lost += rows_lost

    def _believes(
        self,
        at_s: float,
        used_s: float,
        tank_l: float | None,
        on: bool,
        alarms: list[str],
        reasons: list[str],
    ) -> None:
        self.looks.append(at_s)
        self.alarms.append((at_s, frozenset(alarms)))
        if not self._first_look:
            return
        self._first_look = False  # a later one is the core's own affair, and tested there
        true_s = self.used_s(at_s)
        if used_s < true_s - ROUNDING_S:
            self.complaints.append(f"{at_s}: believes {true_s - used_s:.1f} s less than it ran")
        unclean = sum(1 for end_s in self.unclean if end_s > at_s - DAY_S)
        if used_s > true_s + unclean * MARK_S + ROUNDING_S and not self.lost_clock:
            self.complaints.append(
                f"{at_s}: believes {used_s - true_s:.1f} s more than it ran, after {unclean} kills in a day"
            )
        self._judge_tank(at_s, tank_l)

    lost_clock = False
    """Set by a world whose clock does not know how long the power was away: runs then age later."""

    def _judge_tank(self, at_s: float, tank_l: float | None) -> None:
        fillings = [since_s for since_s, kind in self.done.values() if kind == "refilled"]
        if not fillings:
            return
        last_s = max(fillings)
        slack_l = RATE_L_PER_S * MARK_S * sum(1 for end_s in self.unclean if end_s >= last_s - MERGED_S)
        least_l = TANK_L - RATE_L_PER_S * self.on_s(last_s - MERGED_S, at_s) - slack_l
        if tank_l is None:  # where it may have run dry, a trial pulse may have found that it had not
            if least_l > 0.0:
                self.complaints.append(f"{at_s}: the tank is unknown, though a filling was noted")
            return
        lately = set().union(*(codes for looked_s, codes in self.alarms if looked_s > last_s))
        if tank_l == 0.0 and lately & {"no_mist", "tank_dry"}:
            return  # it has seen that no mist comes, which is better knowledge than any note
        if tank_l < max(0.0, least_l) - 1e-6:
            self.complaints.append(f"{at_s}: believes {tank_l:.3f} L, and {least_l:.3f} L are there at least")
        taken_s = max(since_s for since_s, kind in self.took.values() if kind == "refilled")
        most_l = TANK_L - RATE_L_PER_S * self.on_s(taken_s, at_s)
        if tank_l > max(0.0, most_l) + 1e-6:
            self.complaints.append(f"{at_s}: believes {tank_l:.3f} L, and {most_l:.3f} L are there at most")

    # sums

    def on_s(self, from_s: float, to_s: float) -> float:
        spans = list(self.spans)
        if self._on_since_s is not None:
            spans.append(Span(self._on_since_s, to_s, False))
        return sum(max(0.0, min(span.end_s, to_s) - max(span.start_s, from_s)) for span in spans)

    def used_s(self, at_s: float) -> float:
        return self.on_s(at_s - DAY_S, at_s)

    def whole(self) -> list[str]:
        """What must hold of the whole history of the relay, whatever the program believed."""
        found = []
        most_s = max((self.used_s(span.end_s) for span in self.spans), default=0.0)
        if most_s > CAP_H * 3600.0 + ROUNDING_S:
            found.append(f"{most_s:.0f} s of mist within one day")
        longest_s = max((span.end_s - span.start_s for span in self.spans), default=0.0)
        if longest_s > LONGEST_RUN_S + TICK_S:
            found.append(f"a run of {longest_s:.0f} s")
        return found


def recorded(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Rows of the record as another program reads them; none where it has no tables yet."""
    with closing(sqlite3.connect(path)) as db:
        if not query.startswith("PRAGMA") and not db.execute("SELECT 1 FROM sqlite_master").fetchall():
            return []
        return db.execute(query).fetchall()


def complaints_of_record(truth: Truth, path: Path, answered: dict[str, bool]) -> list[str]:
    """The record beside the truth. ``answered``: the answers that lie in the spool: id, done."""
    found = []
    (sound,) = recorded(path, "PRAGMA integrity_check")[0]
    if sound != "ok":
        return [f"the record is damaged: {sound}"]
    began_s = BEGAN.timestamp()
    rows = [at_s for (at_s,) in recorded(path, "SELECT at_s FROM sample ORDER BY id")]
    if len(rows) != len(set(rows)) and not truth.lost_clock:
        found.append("a minute is recorded twice")
    there = set(rows)
    bounds = [*truth.lives_samples[1:], len(truth.samples)]
    for begin, end in zip(truth.lives_samples, bounds, strict=True):
        missing = [at_s for at_s in truth.samples[begin:end] if at_s not in there]
        if len(missing) > BATCH_ROWS or missing != truth.samples[end - len(missing) : end]:
            found.append(f"of the {end - begin} minutes of a life {len(missing)} are missing")
    if len(rows) > len(truth.samples) + 2 * truth.starts:
        found.append(f"{len(rows)} minutes recorded, {len(truth.samples)} given")
    switchings = set(recorded(path, "SELECT at_s, relay_on FROM switching"))
    for at_s, on in truth.switched:
        if (at_s, int(on)) not in switchings:
            found.append(f"{at_s - began_s}: a switching is not recorded")
    notes = recorded(path, "SELECT request_id, done FROM note")
    told = {**{identity: True for identity in truth.done}, **answered}
    for identity, done in told.items():
        if notes.count((identity, int(done))) != 1:
            times = notes.count((identity, int(done)))
            found.append(
                f"{identity} was answered {'done' if done else 'refused'} and is recorded {times} times"
            )
    if len(notes) != len({identity for identity, _ in notes}):
        found.append("a note is recorded twice")
    return found
