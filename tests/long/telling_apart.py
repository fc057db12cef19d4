"""What is said of each fault and of each thing people do, how soon, and how often without any.

    python tests/long/telling_apart.py             DAYS=120 of each room without a fault
    python tests/long/telling_apart.py --write     and kept in tests/long/TELLING_APART.md

By hand. The whole core with foresight on lives in the rooms of ``tests/long/control/rooms.py``; of what it
says, the alarms and what is unexpected (``core/unexpected.py``) are noted. WORKERS in the environment: how
many processes. With DAYS=30 and two of them it took 3 to 5 minutes on PyPy.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from statistics import median_high
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from controller.core.records import Decision, Inputs, Instant, Reading, Request  # noqa: E402
from controller.simulator.world import World  # noqa: E402
from tests.long.commit import commit  # noqa: E402
from tests.long.control.live import Ours, live  # noqa: E402
from tests.long.control.rooms import ROOMS, settings_of  # noqa: E402

WRITTEN = ROOT / "tests/long/TELLING_APART.md"
DAYS = float(os.environ.get("DAYS", "120"))
SETTLED_H = 168.0
"""Of a life without a fault: what is said while the room is learned does not count."""
BEGINS_H = (200.0, 209.0, 223.0)
LEFT_OUT = {"one-refill", "scarce-water"}
"""Their tank is dry by their own nature."""
DOORS = "doors"
"""Has its own, four times a day."""
SAID = ("no mist", "mist unasked", "drier", "wetter", "open for long", "probe frozen", "probes apart")
CODES = {
    "no_mist": "no mist", "stray_mist": "mist unasked", "stands_open": "open for long",
    "probe_lost": "probe frozen", "probes_drifted": "probes apart", "probes_apart": "probes apart",
}  # fmt: skip


class Case(NamedTuple):
    about: str
    bench: Mapping[str, Any] | None = None
    water: tuple[str, float] | None = None  # a pool that somebody fills, kg
    after_h: float = 48.0


def _fault(kind: str, **more: Any) -> dict[str, Any]:
    return {"fault": [{"kind": kind, **more}]}


FREE = Case("nothing")
SECOND = {"noise_rh_pct": 0.25}
CASES = (
    Case("humidifier dead", _fault("humidifier-dead")),
    Case("contact welded", _fault("relay-welded")),
    Case("door open 20 min", _fault("door-open", lasts_h=0.34, size=6)),
    Case("door open 4 h", _fault("door-open", lasts_h=4, size=6)),
    Case("window open 4 h", _fault("door-open", lasts_h=4, size=2)),
    Case("100 ml misted by hand", {"sources": {"dish_m2": 1e-6}}, ("sprayed", 0.1)),
    Case("2 l into the substrate", {"sources": {"dish_m2": 1e-6}}, ("soaked", 2.0)),
    Case("probe frozen", _fault("probe-frozen")),
    Case("lone probe drifts 3 %RH a day", _fault("probe-drifts", size=3), after_h=96),
    Case("one of two drifts so", {**_fault("probe-drifts", size=3), "second_probe": SECOND}, after_h=96),
)


class Life(NamedTuple):
    room: str
    case: str
    first_h: dict[str, float]  # of each thing said after it began: hours until it was
    times: dict[str, int]  # how often it began to be said, once the room had settled


class Heard(Ours):
    """Keeps what the core said last."""

    now: frozenset[str] = frozenset()

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        decision = self.controller.step(Inputs(readings, on, requests=tuple(requests)), now)
        self.now = said(decision)
        return decision.relay_on


def said(decision: Decision) -> frozenset[str]:
    found = frozenset(
        CODES[message.code]
        for message in (*decision.alarms, *decision.notices)
        if message.code in CODES and (message.code != "probe_lost" or message.detail == "frozen")
    )
    odd = None if decision.ahead is None else decision.ahead.odd
    return found | {odd.kind} if odd is not None and odd.ended_s is None else found


def lived(room: str, case: Case, begins_h: float) -> Life:
    first_h: dict[str, float] = {}
    times = dict.fromkeys(SAID, 0)
    before: frozenset[str] = frozenset()
    heard: list[Heard] = []
    poured: list[float] = []

    def make(settings: Any, world: World) -> Heard:
        heard.append(Heard(settings))
        return heard[0]

    def look(world: World) -> None:
        nonlocal before
        hours = world.mono_s / 3600.0
        if case.water is not None and not poured and hours >= begins_h:
            pool, kg = case.water
            getattr(world.room.sources, pool).kg += kg
            poured.append(kg)
        for word in heard[0].now - before:
            times[word] += hours >= SETTLED_H
            if hours >= begins_h:
                first_h.setdefault(word, hours - begins_h)
        before = heard[0].now

    bench = {**(case.bench or {})}
    if "fault" in bench:
        bench["fault"] = [{**fault, "starts_h": begins_h} for fault in bench["fault"]]
    over: dict[str, Any] = {"bench": bench, "demand": {"method": "hysteresis", "foresight": "keep-hours"}}
    if "second_probe" in bench:
        over["probe"] = [{}, {}]
    days = DAYS if case == FREE else (begins_h + case.after_h) / 24.0
    live(settings_of(room, days, over), make, look=look)
    return Life(room, case.about, first_h, times)


def duration(hours: float) -> str:
    return f"{60 * hours:.0f} min" if hours < 2.0 else f"{hours:.0f} h"


def by_case(lives: list[Life]) -> list[str]:
    lines = [f"| what happens | {' | '.join(SAID)} |", f"|{'---|' * (len(SAID) + 1)}"]
    for case in CASES:
        of_case = [life for life in lives if life.case == case.about]
        cells = []
        for word in SAID:
            told = [life.first_h[word] for life in of_case if word in life.first_h]
            cells.append(f"{len(told)}, {duration(median_high(told))}" if told else "")
        lines.append(f"| {case.about} ({len(of_case)}) | {' | '.join(cells)} |")
    return lines


def without(lives: list[Life]) -> list[str]:
    free = [life for life in lives if life.case == FREE.about and life.room != DOORS]
    years = len(free) * (DAYS - SETTLED_H / 24.0) / 365.0
    counts = {word: sum(life.times[word] for life in free) for word in SAID}
    rooms = {
        word: ", ".join(f"{life.room} {life.times[word]}" for life in free if life.times[word])
        for word in SAID
    }
    lines = [
        f"| said, in {years:.1f} years without any of it | times | a year | where |",
        "|---|---|---|---|",
        *(f"| {word} | {counts[word]} | {counts[word] / years:.1f} | {rooms[word]} |" for word in SAID),
    ]
    doors = [life for life in lives if life.case == FREE.about and life.room == DOORS]
    openings = 4.0 * (DAYS - SETTLED_H / 24.0)
    lines += [
        "",
        *(
            f"The room with doors, ten minutes four times a day: of {openings:.0f} openings "
            f"{life.times['drier']} were told as drier; wetter {life.times['wetter']} times, open for long "
            f"{life.times['open for long']} times."
            for life in doors
        ),
    ]
    return lines


def main(arguments: list[str]) -> int:
    began, of_commit = time.monotonic(), commit()
    rooms = [room for room in ROOMS if ROOMS[room].tuned_on and room not in LEFT_OUT]
    jobs: list[tuple[str, Case, float]] = [(room, FREE, float("inf")) for room in rooms]
    jobs += [
        (room, case, BEGINS_H[(i + j) % len(BEGINS_H)])
        for i, room in enumerate(rooms)
        for j, case in enumerate(CASES)
        if room != DOORS
    ]
    workers = int(os.environ.get("WORKERS", os.cpu_count() or 1))
    do: Callable[..., Iterable[Life]] = map
    if workers > 1:
        do = ProcessPoolExecutor(workers).map
    lives = list(do(lived, *zip(*jobs, strict=True)))
    head = [
        "# What is said of what happens, and how soon",
        "",
        f"SIMULATED. Made by `python tests/long/telling_apart.py --write` at {of_commit}, "
        f"{datetime.now(UTC):%Y-%m-%d}, by {platform.python_implementation()} with DAYS={DAYS:g}, in "
        f"{(time.monotonic() - began) / 60:.0f} min.",
        "",
        "The rooms of tests/long/control/rooms.py that ways are tuned on, but those whose tank runs dry by "
        "nature; foresight on, ticks of a minute, after a week or more to learn. In each row: in how many "
        "of the rooms it was said within 48 h (of drift: 96), and after how long in the median. Drier and "
        "wetter (`core/unexpected.py`): in what `hygrohold status` shows as learned; else an alarm or a "
        "notice. A door: 6 air changes an hour more, a window: 2.",
        "",
    ]
    text = "\n".join([*head, *by_case(lives), "", *without(lives)]) + "\n"
    print(text)
    if "--write" in arguments:
        WRITTEN.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
