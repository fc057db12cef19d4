"""How soon it is noticed that mist does not come, or comes unasked, against false alarms a year.

    python tests/long/detection.py                 DAYS=120 of each room without a fault; a quarter of an hour
    python tests/long/detection.py --write         and kept in tests/long/DETECTION.md

By hand. The evidence is the log likelihood ratio of ``core/effect_model.py``, summed as Page's CUSUM. Here no
verdict is passed, so that every threshold can be read off the same lives: of the rooms of
``tests/long/control/rooms.py`` without a fault, and with one that begins at several hours. WORKERS in the
environment: how many processes.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from controller.core import effect, effect_model  # noqa: E402
from controller.simulator.world import World  # noqa: E402
from tests.long.commit import commit  # noqa: E402
from tests.long.control.live import Ours, live  # noqa: E402
from tests.long.control.rooms import ROOMS, settings_of  # noqa: E402

WRITTEN = ROOT / "tests/long/DETECTION.md"
DAYS = float(os.environ.get("DAYS", "120"))
THRESHOLDS = (4.0, 6.0, 8.0, 10.0, 12.0)
BEGINS_H = (200.0, 209.0, 223.0)
AFTER_H = 48.0
DRY = ("one-refill", "scarce-water")
"""Rooms whose tank runs dry by their own nature: no mist is no false alarm there."""
FAULTS = {"no mist": "humidifier-dead", "mist unasked": "relay-welded"}


class Watched(NamedTuple):
    """Of one life: crossings of each threshold, and hours (and hours on) until the first after the fault."""

    days: float
    crossings: dict[str, list[int]]
    delays_h: dict[str, list[float | None]]
    on_h: dict[str, list[float | None]]


class Watch:
    """Looks at the evidence at every tick. A crossing counts once it had fallen to where doubt begins."""

    def __init__(self, begins_h: float) -> None:
        self.begins_s = begins_h * 3600.0
        self.ours: Ours | None = None
        self.armed = {kind: [True] * len(THRESHOLDS) for kind in FAULTS}
        self.crossings = {kind: [0] * len(THRESHOLDS) for kind in FAULTS}
        self.delays_h: dict[str, list[float | None]] = {kind: [None] * len(THRESHOLDS) for kind in FAULTS}
        self.on_h: dict[str, list[float | None]] = {kind: [None] * len(THRESHOLDS) for kind in FAULTS}
        self.on_at_s: float | None = None

    def make(self, settings: Any, world: World) -> Ours:
        self.ours = Ours(settings)
        return self.ours

    def look(self, world: World) -> None:
        assert self.ours is not None
        learned = self.ours.controller.state.effect.learned
        after = world.mono_s >= self.begins_s
        if after and self.on_at_s is None:
            self.on_at_s = world.on_s
        for kind, evidence in (("no mist", learned.none), ("mist unasked", learned.stray)):
            for i, threshold in enumerate(THRESHOLDS):
                if evidence >= threshold and self.armed[kind][i]:
                    self.armed[kind][i] = False
                    self.crossings[kind][i] += 1
                    if after and self.delays_h[kind][i] is None and self.on_at_s is not None:
                        self.delays_h[kind][i] = (world.mono_s - self.begins_s) / 3600.0
                        self.on_h[kind][i] = (world.on_s - self.on_at_s) / 3600.0
                elif evidence <= effect_model.LEARNS_BELOW:
                    self.armed[kind][i] = True


def watched(room: str, days: float, begins_h: float, over: dict[str, Any]) -> Watched:
    effect.ENOUGH = float("inf")  # type: ignore[misc]  # no verdict: it would change what comes after
    watch = Watch(begins_h)
    live(settings_of(room, days, over), watch.make, look=watch.look)
    return Watched(days, watch.crossings, watch.delays_h, watch.on_h)


def job(room: str, fault: str, begins_h: float) -> tuple[str, str, Watched]:
    if not fault:
        return room, fault, watched(room, DAYS, float("inf"), {})
    scripted = [{"kind": FAULTS[fault], "starts_h": begins_h}]
    return room, fault, watched(room, (begins_h + AFTER_H) / 24.0, begins_h, {"bench": {"fault": scripted}})


def percentile(figures: list[float | None], share: float) -> str:
    """Those that were never told count as the longest."""
    ordered = sorted(float("inf") if figure is None else figure for figure in figures)
    found = ordered[min(int(share * len(ordered)), len(ordered) - 1)]
    return "not within 48 h" if found == float("inf") else f"{found:.1f}"


def table(found: list[tuple[str, str, Watched]]) -> list[str]:
    lines = []
    for kind in FAULTS:
        free = [(room, life) for room, fault, life in found if not fault]
        if kind == "no mist":
            free = [(room, life) for room, life in free if room not in DRY]
        years = sum(life.days for _, life in free) / 365.0
        lives = [life for _, fault, life in found if fault == kind]
        lines += [
            "",
            f"## {kind}: {len(lives)} faults, {years:.1f} years without",
            "",
            "| threshold | false a year | told, h on: median | 90 % | told, h: median | 90 % | of all told |",
            "|---|---|---|---|---|---|---|",
        ]
        for i, threshold in enumerate(THRESHOLDS):
            false = sum(life.crossings[kind][i] for _, life in free)
            told = sum(life.delays_h[kind][i] is not None for life in lives)
            cells = [f"{threshold:g}" + (" (in use)" if threshold == effect_model.ENOUGH else "")]
            cells.append(f"{false / years:.2f}")
            for delays in (
                [life.on_h[kind][i] for life in lives],
                [life.delays_h[kind][i] for life in lives],
            ):
                cells += [percentile(delays, 0.5), percentile(delays, 0.9)]
            lines.append(f"| {' | '.join(cells)} | {told} of {len(lives)} |")
        said = "; ".join(
            f"{room} {life.crossings[kind][2]}" for room, life in free if life.crossings[kind][2]
        )
        lines += ["", f"False at {THRESHOLDS[2]:g}, by room: {said or 'none'}."]
    return lines


def main(arguments: list[str]) -> int:
    began, of_commit = time.monotonic(), commit()
    jobs = [(room, "", 0.0) for room in ROOMS]
    jobs += [(room, fault, begins_h) for room in ROOMS for fault in FAULTS for begins_h in BEGINS_H]
    with ProcessPoolExecutor(int(os.environ.get("WORKERS", os.cpu_count() or 1))) as pool:
        found = list(pool.map(job, *zip(*jobs, strict=True)))
    head = [
        "# How soon mist that is missing, or comes unasked, is noticed, against false alarms",
        "",
        "SIMULATED. Made by `python tests/long/detection.py --write` "
        f"at {of_commit}, {datetime.now(UTC):%Y-%m-%d}, in {(time.monotonic() - began) / 60:.0f} min.",
        "",
        f"{DAYS:g} days of each room without a fault; ticks of a minute; the rooms of "
        "tests/long/control/rooms.py on real weather. The threshold is of the summed log likelihood ratio "
        "(`core/effect_model.py`). Hours on: of the outlet, after the fault began. One room has doors that "
        "are opened; rooms whose tank runs dry by their own nature do not count without a fault for no mist.",
    ]
    text = "\n".join(head + table(found)) + "\n"
    print(text)
    if "--write" in arguments:
        WRITTEN.write_text(text)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
