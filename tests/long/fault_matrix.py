"""The fault matrix: every scripted fault, two ways of control, by day and by night, in two simulated rooms.

    python tests/long/fault_matrix.py            the table, and every bound of the judged room that is broken
    python tests/long/fault_matrix.py --write    and kept as hardware_notes/fault-matrix.md
    python tests/long/fault_matrix.py frozen     only the rows whose name holds one of these words

By hand, on all cores (WORKERS in the environment changes it). ``tests/test_fault_bounds.py`` runs a quick
part of it. Every figure comes from the simulated room's true air, the outlet's true state and the decisions;
none is written by hand.
"""

from __future__ import annotations

import os
import sys
import time
from collections import deque
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from controller import __version__  # noqa: E402
from controller.core.records import Action, Decision, Inputs  # noqa: E402
from controller.core.words import DOUBTS, reason_name  # noqa: E402
from controller.settings import Settings  # noqa: E402
from controller.wiring import make_rehearsal  # noqa: E402
from tests.long.commit import commit  # noqa: E402

PAGE = ROOT / "hardware_notes" / "fault-matrix.md"
HOUR_S, DAY_S = 3600.0, 86400.0
BEGINS_H = {"day": 60.0, "night": 74.0, "first": 0.0, "early": 30.0}
"""Noon of the third day, two o'clock of the night after it; the mist's effect is known after half a day."""
METHODS = ("hysteresis", "pid")

# The judged room: small, a strong humidifier, a cap that binds. About three hours and a half of mist in ten.
JUDGED: dict[str, Any] = {
    "room": {"timezone": "UTC"},
    "runtime": {"cap_hours_in_any_24": 8},
    "tank": {"tank_l": 6, "output_l_per_h": 0.6},
    "bench": {
        "starts": "2026-01-05T00:00:00",
        "climate": "continental-winter",
        "room": {"volume_m3": 25, "start_rh_pct": 60},
        "probe": {"noise_rh_pct": 0.25},
        "keeper": {"fills_below_l": 4},
    },
}
# The hard room, only reported: walls that hold fifteen times the air's moisture, and a coarse probe.
HARD: dict[str, Any] = {
    "room": {"timezone": "UTC"},
    "tank": {"tank_l": 12, "output_l_per_h": 0.8},
    "loop": {"tick_s": 30},
    "bench": {
        "starts": "2026-01-05T00:00:00",
        "climate": "continental-winter",
        "room": {
            "volume_m3": 60,
            "air_changes_per_h": 0.3,
            "store_times_air": 15,
            "store_hours": 4,
            "heat_loss_w_per_k": 80,
            "heater_w": 4000,
            "start_rh_pct": 60,
        },
        "probe": {"noise_rh_pct": 0.25, "step_rh_pct": 1},
        "keeper": {"fills_below_l": 8},
    },
}
ROOMS = {"judged": JUDGED, "hard": HARD}

PROBE = frozenset({"probe_lost"})
VAIN = frozenset({"no_mist", "tank_dry"})
STRAY = frozenset({"stray_mist"})


class Fault(NamedTuple):
    """One kind of row."""

    name: str
    scripted: tuple[dict[str, Any], ...] = ()
    names_it: frozenset[str] = frozenset()  # any of these alarms or notices names it; none: none is due
    within_s: float | None = None  # ... after it first made a difference; None: only reported
    dry_within_s: float | None = None  # ... or within so much on-time in vain
    two_probes: bool = False
    flat: bool = False  # one target day and night, so that a wall clock has nothing to decide
    change: dict[str, Any] = {}  # noqa: RUF012 - settings of this row alone
    holds_ceiling: bool = False
    holds_cap: bool = True
    same_run: str = ""  # "exactly" or "nearly": the outlet as in the reference
    lasts_h: float = 26.0
    tick_s: float | None = None
    times: tuple[str, ...] = ("day", "night")
    at_start_of_run: bool = False  # begins just after the outlet was switched on
    falls_pct_a_day: float = 0.0  # the humidifier's output, of what it gave when new
    silent: bool = False  # no fault alarm may be raised at all
    alone: bool = False  # is its own reference


def one(kind: str, **more: Any) -> tuple[dict[str, Any], ...]:
    return ({"kind": kind, **more},)


def _of_probes() -> Iterable[Fault]:
    quarter, hour = 900.0, 3600.0
    for at_start in (False, True):
        when = ", just after mist began" if at_start else ""
        for kind, words, within_s in (
            ("probe-silent", "probe silent", quarter),
            ("probe-nan", "probe gives NaN", quarter),
            ("probe-all-ones", "probe gives all ones", quarter),
            ("probe-zero", "probe gives zeros", hour),
            ("probe-frozen", "probe frozen", hour),
        ):
            yield Fault(
                words + when, one(kind), PROBE, within_s, holds_ceiling=True, at_start_of_run=at_start
            )
    for size in (30.0, -30.0):
        yield Fault(
            f"single readings {size:+.0f} %RH", one("probe-jumps", size=size),
            holds_ceiling=True, same_run="nearly", silent=True,
        )  # fmt: skip
    yield Fault(
        "one of two probes silent", one("probe-silent", probe=2), frozenset({"one_probe_lost"}), quarter,
        two_probes=True, holds_ceiling=True,
    )  # fmt: skip
    drift = one("probe-drifts", size=8.0 / 14.0)
    yield Fault(
        "one of two probes drifts 8 %RH in 14 days", drift, frozenset({"probes_drifted", "probes_apart"}),
        14 * DAY_S, two_probes=True, lasts_h=15 * 24, tick_s=30,
    )  # fmt: skip
    yield Fault(
        "the only probe drifts 8 %RH in 14 days", drift, lasts_h=15 * 24, tick_s=30,
    )  # fmt: skip


def _of_relays() -> Iterable[Fault]:
    two_hours = 2 * HOUR_S
    for size, seen in ((0, "unseen"), (1, "seen by the board")):
        stuck = STRAY | ({"relay_stuck_on"} if size else set())
        dead = VAIN | ({"relay_no_answer"} if size else set())
        yield Fault(
            f"relay welded, {seen}", one("relay-welded", size=size), stuck, two_hours, holds_cap=False
        )
        yield Fault(f"relay dead, {seen}", one("relay-dead", size=size), dead, two_hours)
        yield Fault(
            f"relay wired backwards, {seen}", one("relay-backwards", size=size), stuck | dead, two_hours,
            holds_cap=False,
        )  # fmt: skip


def _of_mist() -> Iterable[Fault]:
    yield Fault("humidifier gives nothing", one("humidifier-dead"), VAIN, dry_within_s=HOUR_S)
    yield Fault(
        "tank empty, the estimate says full", one("tank-leaks", size=100, lasts_h=20), VAIN,
        dry_within_s=HOUR_S,
    )  # fmt: skip
    no_keeper = {"tank": {"tank_l": 12}, "bench": {"keeper": {"looks_in": []}}}
    yield Fault(
        "nobody fills the tank, the estimate is right", (), frozenset({"tank_low"}), 0.0, change=no_keeper,
        lasts_h=120, times=("first",),
    )  # fmt: skip
    yield Fault(
        "filled and nobody told", one("tank-filled-untold"), frozenset({"tank_dry"}), change=no_keeper,
        lasts_h=72,
    )  # fmt: skip
    asleep = ({"kind": "power-cut", "lasts_h": 0.5}, {"kind": "humidifier-dead", "lasts_h": 10})
    yield Fault("power cut, and the humidifier waits for its button", asleep, VAIN, dry_within_s=HOUR_S)
    yield Fault(
        "output falls 1 % of new a day", (), frozenset({"mist_weak"}), 35 * DAY_S, lasts_h=36 * 24, tick_s=30,
        falls_pct_a_day=1.0, times=("day",),
    )  # fmt: skip


def _of_the_rest() -> Iterable[Fault]:
    for hours in (6.0, -6.0, 1.0, 5000.0):
        yield Fault(
            f"clock jumps by {hours:+.0f} h", one("clock-jump", size=hours), flat=True, same_run="exactly",
            silent=True,
        )  # fmt: skip
    yield Fault(
        "clock jumps by +6 h and is doubted", one("clock-jump-doubted", size=6),
        frozenset({"clock_doubted"}), 7200.0, flat=True, same_run="exactly",
    )  # fmt: skip
    yield Fault("program killed every hour", one("restarts", size=1), silent=True)
    yield Fault("power cut of three hours", one("power-cut", lasts_h=3, size=2), frozenset({"power_was_out"}))
    yield Fault("door left open for ten hours", one("door-open", lasts_h=10))
    yield Fault("heating fails for a day", one("heating-fails", lasts_h=24), frozenset({"room_cold"}))


YEAR = Fault(
    "no fault, a year", lasts_h=365 * 24 - BEGINS_H["day"], tick_s=30, times=("day",), silent=True, alone=True
)  # fmt: skip
FAULTS = (*_of_probes(), *_of_relays(), *_of_mist(), *_of_the_rest(), YEAR)


class Row(NamedTuple):
    fault: Fault
    room: str
    method: str
    at: str

    @property
    def settings(self) -> Settings:
        """Without any scripted fault."""
        return settings_of(self, (), {})

    @property
    def days(self) -> float:
        return round((BEGINS_H[self.at] + self.fault.lasts_h) / 24.0, 3)

    @property
    def name(self) -> str:
        return f"{self.fault.name} / {self.room} / {self.method} / {self.at}"


class Seen(NamedTuple):
    """What a run was like. Times are seconds since its start, the rest is from the fault's begin on."""

    began_s: float
    onset_s: float | None  # the fault first made a difference
    peak_rh_pct: float
    lowest_rh_pct: float
    above_s: float
    past_cap_s: float  # of the whole run
    on_s: float
    switchings: int
    alarms: dict[str, float]  # first raised after the fault's begin, and not standing then
    notices: dict[str, float]
    vain_s: dict[str, float]  # on-time without mist at each of those moments
    stood: frozenset[str]  # fault alarms of the time before
    did: str
    ticks: bytes  # commanded, at each tick
    held_after_start_s: float  # the longest a start of the program kept mist from coming
    took_s: float


class Reference(NamedTuple):
    """The same room and seed without the fault."""

    on: bytes
    above: bytes
    tick_s: float
    alarms: frozenset[str]

    def first_on_after_h(self, hours: float) -> float:
        """A moment just after the first switching on at or after this time."""
        number = int(hours * HOUR_S / self.tick_s)
        while self.on[number - 1] or not self.on[number]:
            number += 1
        return (number + 1) * self.tick_s / HOUR_S

    def part(self, what: bytes, from_s: float, until_s: float) -> float:
        return self.tick_s * sum(what[round(from_s / self.tick_s) : round(until_s / self.tick_s)])


def settings_of(row: Row, faults: tuple[dict[str, Any], ...], change: dict[str, Any]) -> Settings:
    fault = row.fault
    plain = merged(ROOMS[row.room], change)
    plain["demand"] = {"method": row.method}
    if fault.two_probes:
        plain["probe"] = [{}, {}]
    if fault.flat:
        plain["target"] = {"day_rh_pct": 68, "night_rh_pct": 68}
    if fault.tick_s is not None:
        plain["loop"] = {"tick_s": fault.tick_s}
    plain["bench"] = plain["bench"] | {"days": row.days, "seed": 5, "fault": faults}
    return Settings(**plain)


def merged(base: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    both = dict(base)
    for key, value in change.items():
        before = both.get(key)
        both[key] = merged(before, value) if isinstance(value, dict) and isinstance(before, dict) else value
    return both


class Watch:
    """Implements ``loop.Teller``, and looks at the room after each of its steps."""

    def __init__(self, world: Any, settings: Settings, begins_s: float, falls_pct_a_day: float) -> None:
        self.world, self.begins_s = world, begins_s
        self._ceiling_rh_pct = settings.ceiling.highest_rh_pct
        self._cap_s = settings.runtime.cap_s
        self._falls = falls_pct_a_day / 100.0 / DAY_S
        self._new_kg_per_s = world.room.humidifier._full_kg_per_s
        self.onset_s: float | None = None
        self.peak, self.lowest = -1.0, 101.0
        self.above_s = self.past_cap_s = self.on_s = self._vain_s = 0.0
        self._window: deque[tuple[float, float]] = deque()  # (end of a step with mist, its length)
        self._window_s = 0.0
        self.alarms: dict[str, float] = {}
        self.notices: dict[str, float] = {}
        self.vain_s: dict[str, float] = {}
        self._standing: set[str] = set()
        self.stood: set[str] = set()
        self.ticks, self.above = bytearray(), bytearray()
        self.switchings = 0
        self._last_on = False
        self._off_s: dict[str, float] = {}
        self._on_because_s: dict[str, float] = {}
        self._told_s: float | None = None
        self._lives, self._started_s = 1, None
        self.held_after_start_s = 0.0
        world.room.advance, self._advance = self._moved, world.room.advance

    def _moved(self, dt_s: float, on: bool, outdoor: Any, drive: Any) -> None:
        """The room moves on by one step; called by the world in place of the room's own."""
        world, room = self.world, self.world.room
        if self._falls:
            days_s = max(0.0, world.mono_s - self.begins_s)
            room.humidifier._full_kg_per_s = self._new_kg_per_s * (
                1.0 - self._falls * (days_s // 3600 * 3600)
            )
        self._advance(dt_s, on, outdoor, drive)
        now_s = world.mono_s + dt_s
        self._cap(now_s, dt_s, on)
        if now_s <= self.begins_s:
            return
        rh = room.rh_pct
        self.peak, self.lowest = max(self.peak, rh), min(self.lowest, rh)
        self.above_s += dt_s * (rh > self._ceiling_rh_pct)
        self.on_s += dt_s * on
        commanded = getattr(world.relay, "commanded", on)
        vain = commanded and not (on and room.humidifier.misting)
        self._vain_s += dt_s * vain
        if self.onset_s is None and (vain or commanded != on):
            self.onset_s = now_s - dt_s

    def _cap(self, now_s: float, dt_s: float, on: bool) -> None:
        """Exactly: each second of mist leaves the window 24 hours after it."""
        window = self._window
        while window and window[0][0] <= now_s - DAY_S:
            self._window_s -= window.popleft()[1]
        if not on:
            return
        window.append((now_s, dt_s))
        self._window_s += dt_s
        partly_s = max(0.0, window[0][1] - (window[0][0] - (now_s - DAY_S)))
        over_s = self._window_s - partly_s - self._cap_s
        if over_s > 0.0:
            self.past_cap_s += min(over_s, dt_s)

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        now_s = self.world.mono_s
        self.ticks.append(decision.relay_on)
        self.above.append(self.world.room.rh_pct > self._ceiling_rh_pct)
        codes = {alarm.code for alarm in decision.alarms}
        if now_s < self.begins_s:
            self._standing = codes | {notice.code for notice in decision.notices}
            self.stood |= codes
            self._told_s = now_s
            return
        for found, raised in ((self.alarms, decision.alarms), (self.notices, decision.notices)):
            for message in raised:
                if message.code not in self._standing and message.code not in found:
                    found[message.code] = now_s
                    self.vain_s[message.code] = self._vain_s
        self._standing &= codes | {notice.code for notice in decision.notices}
        self.switchings += decision.relay_on != self._last_on
        self._last_on = decision.relay_on
        self._account(decision, now_s)
        self._starts(decision, now_s)

    def unattended(self) -> None:
        self._told_s = None

    def _account(self, decision: Decision, now_s: float) -> None:
        passed_s = 0.0 if self._told_s is None else now_s - self._told_s
        self._told_s = now_s
        if decision.relay_on:
            self._on_because_s[decision.on_because] = (
                self._on_because_s.get(decision.on_because, 0.0) + passed_s
            )
        elif decision.reasons:
            first = decision.reasons[0]
            words = reason_name(first.code)
            if first.code == "untrusted":
                words += f" ({DOUBTS.get(first.detail, first.detail)})"
            self._off_s[words] = self._off_s.get(words, 0.0) + passed_s

    def _starts(self, decision: Decision, now_s: float) -> None:
        """How long a new start of the program keeps mist from coming."""
        if self.world.lives != self._lives:
            self._lives, self._started_s = self.world.lives, now_s
        if self._started_s is None:
            return
        if all(reason.action == Action.CONTENT for reason in decision.reasons):
            self.held_after_start_s = max(self.held_after_start_s, now_s - self._started_s)
            self._started_s = None

    def did(self, reference_on_s: float) -> str:
        """One phrase, from the decisions alone."""
        held = {
            words: seconds for words, seconds in self._off_s.items()
            if words not in ("humid enough", "between pulses", "rest between runs")
        }  # fmt: skip
        parts = []
        for words, seconds in sorted(held.items(), key=lambda item: -item[1])[:2]:
            if seconds >= 600.0:
                parts.append(f"held off {seconds / HOUR_S:.1f} h: {words}")
        if self._on_because_s.get("trial", 0.0) > 0.0:
            parts.append(f"tried {self._on_because_s['trial'] / 60.0:.0f} min whether there is water")
        on_s = sum(self._on_because_s.values())
        without = f" (without the fault {reference_on_s / HOUR_S:.1f})" if reference_on_s else ""
        parts.append(f"on for {on_s / HOUR_S:.1f} h{without}")
        return "; ".join(parts)


def _run(settings: Settings, begins_s: float, falls: float) -> tuple[Watch, float]:
    began = time.monotonic()
    rehearsal = make_rehearsal(settings, False)
    watch = Watch(rehearsal.world, settings, begins_s, falls)
    begin, witness = rehearsal.begin, rehearsal.witness

    class Both:
        def unattended(self) -> None:
            watch.unattended()
            witness.unattended()

    heard: Any = rehearsal._replace(
        witness=Both(),  # type: ignore[arg-type]
        begin=lambda kept: begin(kept)._replace(tellers=(watch,)),
    )
    heard.run()
    return watch, time.monotonic() - began


def reference_key(row: Row) -> tuple[Any, ...]:
    fault = row.fault
    return row.room, row.method, fault.two_probes, fault.flat, fault.tick_s, fault.lasts_h


def run_reference(row: Row) -> Reference:
    if row.fault.alone:
        return Reference(b"", b"", row.settings.loop.tick_s, frozenset())
    settings = settings_of(row._replace(at="night" if row.at == "day" else row.at), (), {})
    watch, _ = _run(settings, 0.0, 0.0)
    return Reference(bytes(watch.ticks), bytes(watch.above), settings.loop.tick_s, frozenset(watch.alarms))


def run_row(row: Row, reference: Reference) -> Seen:
    fault = row.fault
    starts_h = BEGINS_H[row.at]
    if fault.at_start_of_run:
        starts_h = reference.first_on_after_h(starts_h)
    scripted = tuple({"starts_h": starts_h, **plain} for plain in fault.scripted)
    settings = settings_of(row, scripted, fault.change)
    begins_s = starts_h * HOUR_S
    watch, took_s = _run(settings, begins_s, fault.falls_pct_a_day)
    end_s = row.days * DAY_S
    return Seen(
        begins_s, watch.onset_s, watch.peak, watch.lowest,
        max(0.0, watch.above_s - reference.part(reference.above, begins_s, end_s)),
        watch.past_cap_s, watch.on_s, watch.switchings, watch.alarms, watch.notices, watch.vain_s,
        frozenset(watch.stood), watch.did(reference.part(reference.on, begins_s, end_s)), bytes(watch.ticks),
        watch.held_after_start_s, took_s,
    )  # fmt: skip


# --- the bounds ----------------------------------------------------------------------------------


def named(row: Row, seen: Seen) -> tuple[str, float] | None:
    """The first message that names the fault, and when it came."""
    found = {**seen.notices, **seen.alarms}
    times = [(at_s, code) for code, at_s in found.items() if code in row.fault.names_it]
    return (min(times)[1], min(times)[0]) if times else None


def onset_s(row: Row, seen: Seen) -> float:
    """When it first made a difference: at once, but for what has to be used to be seen."""
    waits = row.fault.names_it & (VAIN | STRAY | {"tank_low"})
    return seen.onset_s if waits and seen.onset_s is not None else seen.began_s


def broken(row: Row, seen: Seen, reference: Reference) -> list[str]:
    """The bounds of the judged room that this run breaks."""
    fault = row.fault
    found = [*_limits_broken(fault, seen), *_alarm_broken(row, seen), *_run_broken(row, seen, reference)]
    if reference.alarms:
        found.append(f"the reference raised {', '.join(sorted(reference.alarms))}")
    if seen.stood:
        found.append(f"raised {', '.join(sorted(seen.stood))} before it began")
    return found


def _limits_broken(fault: Fault, seen: Seen) -> Iterable[str]:
    if fault.holds_cap and seen.past_cap_s > 0.0:
        yield f"{seen.past_cap_s:.0f} s past the cap"
    if fault.holds_ceiling and seen.above_s > 0.0:
        yield f"{seen.above_s:.0f} s above the ceiling"


def _alarm_broken(row: Row, seen: Seen) -> Iterable[str]:
    fault, told = row.fault, named(row, seen)
    if fault.silent and seen.alarms:
        yield f"raised {', '.join(seen.alarms)}"
    if fault.within_s is not None:
        late_s = float("inf") if told is None else told[1] - onset_s(row, seen)
        if late_s > fault.within_s:
            yield f"told after {late_s / HOUR_S:.2f} h, not {fault.within_s / HOUR_S:.2f}"
    if fault.dry_within_s is not None:
        late_s = float("inf") if told is None else seen.vain_s[told[0]]
        if late_s > fault.dry_within_s:
            yield f"told after {late_s / HOUR_S:.2f} h on in vain, not {fault.dry_within_s / HOUR_S:.2f}"


SAME_SHARE = 0.02


def _run_broken(row: Row, seen: Seen, reference: Reference) -> Iterable[str]:
    fault = row.fault
    commanded = reference.on[: len(seen.ticks)]
    if fault.same_run == "exactly":
        differ = sum(a != b for a, b in zip(seen.ticks, commanded, strict=True))
        if differ > 1:
            yield f"{differ} ticks differ from the reference"
    elif fault.same_run == "nearly":
        would_s = reference.part(reference.on, seen.began_s, row.days * DAY_S)
        if abs(seen.on_s - would_s) > SAME_SHARE * would_s:
            yield f"on for {seen.on_s:.0f} s, not {would_s:.0f}"
    if any(plain["kind"] == "restarts" for plain in fault.scripted):
        limits = row.settings
        most_s = limits.guards.shortest_off_s + limits.trust.good_samples * limits.loop.tick_s
        if seen.held_after_start_s > most_s:
            yield f"a start kept mist away for {seen.held_after_start_s:.0f} s, not {most_s:.0f}"


# --- the table -----------------------------------------------------------------------------------


class Result(NamedTuple):
    row: Row
    seen: Seen
    broken: tuple[str, ...]


def rows(words: list[str]) -> list[Row]:
    return [
        Row(fault, room, method, at)
        for room in ROOMS
        for fault in FAULTS
        if not words or any(word in f"{fault.name} / {room}" for word in words)
        if not (fault.alone and room != "judged")
        for method in METHODS
        for at in fault.times
    ]


def run(todo: list[Row]) -> list[Result]:
    keys = {reference_key(row): row for row in todo}
    longest_first = sorted(todo, key=lambda row: -row.days / row.settings.loop.tick_s)
    with ProcessPoolExecutor(int(os.environ.get("WORKERS", os.cpu_count() or 1))) as pool:
        references = dict(zip(keys, pool.map(run_reference, keys.values()), strict=True))
        futures = {
            row.name: pool.submit(run_row, row, references[reference_key(row)]) for row in longest_first
        }
        found = []
        for number, row in enumerate(todo, 1):
            seen = futures[row.name].result()
            bad = broken(row, seen, references[reference_key(row)]) if row.room == "judged" else []
            found.append(Result(row, seen, tuple(bad)))
            print(
                f"{number}/{len(todo)} {line(found[-1])} {'BROKEN: ' if bad else ''}{'; '.join(bad)}",
                flush=True,
            )
    return found


def lasted(seconds: float) -> str:
    if seconds < 0.0:
        return f"{lasted(-seconds)} before"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / HOUR_S:.1f} h" if seconds < 3 * DAY_S else f"{seconds / DAY_S:.1f} days"


def told_words(result: Result) -> str:
    """What named it and when; then the other fault alarms that came."""
    row, seen = result.row, result.seen
    told, from_s = named(row, seen), onset_s(row, seen)
    words = "nothing" if told is None else f"{told[0]} {lasted(told[1] - from_s)}"
    if told is not None and row.fault.dry_within_s is not None:
        words += f" ({lasted(seen.vain_s[told[0]])} on in vain)"
    others = [
        f"{code} {lasted(at_s - seen.began_s)}" for code, at_s in seen.alarms.items()
        if code not in row.fault.names_it
    ]  # fmt: skip
    return words + (f"; also {', '.join(others)}" if others else "")


def line(result: Result) -> str:
    row, seen = result.row, result.seen
    at = {"day": "by day", "night": "by night"}.get(row.at, "-")
    cells = (
        row.fault.name, row.method, at, f"{seen.peak_rh_pct:.1f}", f"{seen.above_s:.0f}",
        f"{seen.past_cap_s:.0f}", told_words(result), seen.did,
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


HEAD = (
    "| fault | control | begins | highest RH | s above the ceiling | s past the cap "
    "| told after | what it did |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- |"
)
SHORT_HEAD = (
    "| fault | told at the latest after | highest RH | s above the ceiling | s past the cap |\n"
    "| --- | --- | --- | --- | --- |"
)


def short_line(results: list[Result]) -> str:
    """The worst of the runs of one fault."""
    told = [(named(result.row, result.seen), result) for result in results]
    if not results[0].row.fault.names_it:
        words = "nothing is due"
    elif any(one is None for one, _ in told):
        words = "**not told in every run**"
    else:
        late, result = max(
            ((one[1] - onset_s(result.row, result.seen), result) for one, result in told if one),
            key=lambda pair: pair[0],
        )
        words = f"{lasted(late)}, {(named(result.row, result.seen) or ('',))[0]}"
    seen = [result.seen for result in results]
    cells = (
        results[0].row.fault.name, words, f"{max(s.peak_rh_pct for s in seen):.1f}",
        f"{max(s.above_s for s in seen):.0f}", f"{max(s.past_cap_s for s in seen):.0f}",
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


def page(results: list[Result], of_commit: str, took_s: float) -> str:
    judged = [result for result in results if result.row.room == "judged"]
    by_fault: dict[str, list[Result]] = {}
    for result in judged:
        by_fault.setdefault(result.row.fault.name, []).append(result)
    bad = [f"- {result.row.name}: {'; '.join(result.broken)}" for result in judged if result.broken]
    year = by_fault[YEAR.name]
    false = sum(len(result.seen.alarms) + len(result.seen.stood) for result in year)
    alone = by_fault["the only probe drifts 8 %RH in 14 days"]
    told = sorted({code for result in alone for code in result.seen.alarms})
    return TEMPLATE.format(
        today=f"{date.today():%Y-%m-%d}",  # noqa: DTZ011 - the day this page was made, where it was made
        version=__version__,
        commit=of_commit,
        minutes=took_s / 60.0,
        cores=os.environ.get("WORKERS", os.cpu_count() or 1),
        runs=len(results),
        broken="\n".join(bad) or "None is broken.",
        short="\n".join([SHORT_HEAD, *map(short_line, by_fault.values())]),
        judged="\n".join([HEAD, *map(line, judged)]),
        hard="\n".join([HEAD, *(line(result) for result in results if result.row.room == "hard")]),
        alone=f"the fault alarms {', '.join(told)}" if told else "no fault alarm",
        false=false,
        years=len(year),
    )


TEMPLATE = """# Fault matrix: how soon each fault is told, and what it does to the room

**SIMULATED, all of it.** No real probe, relay, humidifier, room or animal was part of this. It shows what the
program does with these faults in two invented rooms, not what happens in yours. Rehearse your own room:
`hygrohold bench --list` names the faults.

Generated {today} by hygrohold {version}, commit {commit}, with `python tests/long/fault_matrix.py --write`:
{runs} runs in {minutes:.0f} minutes on {cores} processes. Do not edit by hand.

What a message means and what to look at is in [troubleshooting.md](troubleshooting.md).

## How to read it

- A fault begins on the third day, at noon (by day) or at two the following night, and the true air of the
  room is watched for 26 hours from then on, longer where it is slow. "Just after mist began": moments after
  the first switching on from then on, the worst moment for a lying probe.
- **Told after**: from the moment the fault made a difference. A dead relay makes none while nothing is to be
  switched on. "Before": so long before that moment. "On in vain": how long the humidifier had been
  commanded on since then without any mist.
- **s above the ceiling**: seconds of true RH above 80 %RH, beyond those of the same room without the fault.
- **s past the cap**: seconds of the outlet's true on-time beyond the cap in any 24 hours.
- **What it did**: counted from the program's decisions.
- A welded contact, and one wired backwards, pass the ceiling and the cap: no command opens them. Only an
  independent high limit does ([high_limit.md](high_limit.md)).

## The bounds, and whether they hold

They are judged in the judged room: 25 m³, 0.6 L/h, a cap of 8 h in any 24, a January climate, a probe with a
noise of 0.25 %RH.

- No second past the cap, but for a welded or backwards contact.
- A probe that is silent, gives no number, zeros, ones or single wild readings, or is frozen: no second above
  the ceiling more than without the fault. Silent, no number, ones: told within 15 minutes; frozen, zeros:
  within an hour.
- Single wild readings: no alarm, and the on-time within 2 %.
- Tank empty though the estimate says full: told within an hour of being on in vain. Estimate right: told
  before it is empty.
- Relay welded, dead or backwards: told within two hours.
- Output falling by 1 % of new a day: told by day 35.
- One of two probes drifting 8 %RH in 14 days: told within the 14 days.
- A clock that jumps: with one target for day and night, not one tick is switched differently.
- A program that is killed every hour: each start keeps mist away for no longer than the shortest off and the
  time three samples take.
- Without a fault no fault alarm, not in the reference runs and not in a year.

{broken}

## A single probe that drifts

With one probe that drifts 8 %RH in 14 days the program raised {alone} in 15 days; without a fault it raised
{false} fault alarms in {years} years, one of each way of control. It does not guess: a drift of the only
probe and a change of the room look the same to it. **Comparing the probe is the cure**, and a second probe
tells of it: [placement.md](placement.md).

## In short: the judged room, the worst of its runs

{short}

## All runs in the judged room

{judged}

## All runs in the hard room

Only reported, nothing is judged: 60 m³, walls that hold 15 times the moisture of the air, 0.8 L/h, a cap of
12 h, a probe that shows whole %RH only.

{hard}
"""


def main(arguments: list[str]) -> int:
    words = [word for word in arguments if word != "--write"]
    began, of_commit = time.monotonic(), commit()
    results = run(rows(words))
    took_s = time.monotonic() - began
    bad = sum(bool(result.broken) for result in results)
    print(f"{len(results)} runs in {took_s / 60.0:.0f} min; {bad} break a bound")
    if "--write" in arguments and not words:
        PAGE.write_text(page(results, of_commit, took_s), encoding="utf-8")
        print(f"written: {PAGE.relative_to(ROOT)}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
