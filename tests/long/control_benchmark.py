"""How well the ways of control keep twenty rooms, beside a plan that knows everything. Nothing here can fail.

    python tests/long/control_benchmark.py --days 35                   hours, on one slow core
    python tests/long/control_benchmark.py --rooms leaky,doors --ways "plan: hours,keep-hours"
    python tests/long/control_benchmark.py --parts-days 63 --write  a year, and tests/long/CONTROL.md: hours

What was lived once is kept in a file outside the tree, by room (its figures in rooms.py, not how they are put
together), way, days and the sources it depends on (for a plan: the simulator and the planner, not the core),
so that it can be broken off and taken up again, and a plan need not be lived again for each change of the
core. WORKERS in the environment: how many processes. The ways but the plans need neither numpy nor scipy:
PyPy lives them in half the time or less, into the same file.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import platformdirs  # noqa: E402

from tests.long.commit import commit  # noqa: E402
from tests.long.control import table  # noqa: E402
from tests.long.control.live import SETTLING_DAYS, Scores  # noqa: E402
from tests.long.control.rooms import ROOMS, SHARED  # noqa: E402
from tests.long.control.ways import PARTS, PLANS, WAYS, Lived  # noqa: E402

WRITTEN = ROOT / "tests/long/CONTROL.md"
CONTROL = ROOT / "tests/long/control"
EVERYTHING = ("controller/**/*.py", "tests/long/control/live.py")
FOR_PLANS = (
    "controller/simulator/*.py", "controller/core/air.py", "controller/core/target.py",
    *(
        f"tests/long/control/{name}.py"
        for name in ("live", "slots", "plan", "plan_window", "replay", "best_plan")
    ),
)  # fmt: skip
FOR_THE_REST = (*EVERYTHING, "tests/long/control/ways.py", "tests/long/control/parts.py")
EVERY = {**WAYS, **PARTS}
PARTS_BESIDE = ("deadband 3", "keep-hours", "keep-error")
PYTHON = f"{platform.python_implementation()} {platform.python_version()}"


class Found(NamedTuple):
    lived: Lived
    took_s: float
    python: str


class Job(NamedTuple):
    room: str
    way: str
    days: float


def sources(way: str) -> str:
    """A short hash of the files that a way's result depends on."""
    found = hashlib.sha256()
    for pattern in FOR_PLANS if way in PLANS else FOR_THE_REST:
        for path in sorted(ROOT.glob(pattern)):
            found.update(path.read_bytes())
    return found.hexdigest()[:16]


def room_as_set(name: str) -> str:
    """A short hash of what a room is: other rooms may come and go without it."""
    room = ROOMS[name]
    return hashlib.sha256(repr((SHARED, room.over, room.place, room.seed)).encode()).hexdigest()[:8]


def lived(job: Job) -> tuple[Job, Lived, float]:
    began = time.monotonic()
    return job, EVERY[job.way](job.room, job.days), time.monotonic() - began


class Kept:
    """One JSON object a line, appended as each result comes."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._of = {way: sources(way) for way in EVERY}
        self._found: dict[tuple[str, ...], Found] = {}
        if path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                try:
                    row = json.loads(line)
                    scores = Scores(**row["scores"])
                except (ValueError, TypeError, KeyError):
                    continue  # broken off while it was written, or of another version
                self._found[tuple(row["key"])] = Found(
                    Lived(scores, row["remark"]), row["took_s"], row.get("python", "CPython")
                )

    def _key(self, job: Job) -> tuple[str, ...]:
        return (job.room, job.way, f"{job.days:g}", self._of[job.way], room_as_set(job.room))

    def get(self, job: Job) -> Found | None:
        return self._found.get(self._key(job))

    def put(self, job: Job, result: Lived, took_s: float, of_commit: str) -> None:
        self._found[self._key(job)] = Found(result, took_s, PYTHON)
        row = {"key": self._key(job), "scores": result.scores._asdict(), "remark": result.remark,
               "took_s": round(took_s, 1), "commit": of_commit,
               "python": PYTHON}  # fmt: skip
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def measure(jobs: Sequence[Job], kept: Kept) -> dict[Job, Found]:
    missing = [job for job in jobs if kept.get(job) is None]
    workers = int(os.environ.get("WORKERS", "1"))
    now = commit()

    def note(result: tuple[Job, Lived, float]) -> None:
        kept.put(*result, now)
        print(f"  {result[0].room}, {result[0].way}: {result[2]:.0f} s", file=sys.stderr, flush=True)

    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            for result in pool.map(lived, missing):
                note(result)
    else:
        for job in missing:
            note(lived(job))
    return {job: found for job in jobs if (found := kept.get(job)) is not None}


def names(text: str, known: Sequence[str], what: str) -> list[str]:
    chosen = [name.strip() for name in text.split(",")] if text else list(known)
    for name in chosen:
        if name not in known:
            raise SystemExit(f"no {what} {name!r}; there are: {', '.join(known)}")
    return [name for name in known if name in chosen]


def main() -> None:
    about = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    about.add_argument(
        "--days", type=float, default=365.0, help=f"the first {SETTLING_DAYS:g} are not counted"
    )
    about.add_argument("--rooms", default="", help="commas between; all if left out")
    about.add_argument(
        "--ways", default="", help="commas between; all if left out; the plans are always lived"
    )
    about.add_argument(
        "--parts-days", type=float, default=0.0,
        help="also each part of foresight alone, for so many days; 0: not",
    )  # fmt: skip
    about.add_argument("--write", action="store_true", help=f"keep {WRITTEN.relative_to(ROOT)}")
    about.add_argument(
        "--cache", type=Path, default=platformdirs.user_cache_path("hygrohold") / "control.jsonl"
    )
    given = about.parse_args()
    if given.days <= SETTLING_DAYS:
        raise SystemExit(f"--days must be more than {SETTLING_DAYS:g}, which are not counted")
    rooms = names(given.rooms, tuple(ROOMS), "room")
    ways = [way for way in WAYS if way in PLANS or way in names(given.ways, tuple(WAYS), "way")]
    kept = Kept(given.cache)
    found = measure([Job(room, way, given.days) for room in rooms for way in ways], kept)
    parts = (
        {
            room: {
                way: Job(room, way, given.parts_days) for way in (PARTS_BESIDE[0], *PARTS, *PARTS_BESIDE[1:])
            }
            for room in rooms
        }
        if given.parts_days
        else {}
    )
    found |= measure([job for of_room in parts.values() for job in of_room.values()], kept)
    results = {room: {way: found[Job(room, way, given.days)].lived for way in ways} for room in rooms}
    took_min = sum(each.took_s for each in found.values()) / 60.0
    words = "\n".join(
        (
            "# How well the rooms are kept",
            "",
            f"{datetime.now(UTC):%Y-%m-%d}, commit {commit()}, {given.days:g} days, of which the first "
            f"{SETTLING_DAYS:g} are not counted; {took_min:.0f} minutes of one process, by "
            f"{' and '.join(sorted({each.python for each in found.values()}))}.",
            "",
            *table.pages(results, given.days),
            *table.parts(
                {room: {way: found[job].lived for way, job in jobs.items()} for room, jobs in parts.items()},
                given.parts_days,
            ),
        )
    )
    print(words)
    if given.write:
        WRITTEN.write_text(words + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
