"""How long a report of a year of minutes takes, how much memory, how big its page is."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.history.schema import COLUMNS, open_to_write, transaction
from tests.benchmarks.paper import ROOT, line

YEAR_MIN = 365 * 1440
BEGAN_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()


def _minutes(count: int) -> Iterator[tuple[Any, ...]]:
    rng = random.Random(1)
    rh_pct = 65.0
    for n in range(1, count + 1):
        on = n % 60 < 20
        rh_pct += (0.05 if on else -0.025) + rng.gauss(0, 0.1) + (66 - rh_pct) * 0.01
        temp_c = 24.0 + rng.gauss(0, 0.5)
        why = "" if on else rng.choice(["enough", "shortest_off", "ceiling"])
        air = (rh_pct, temp_c, rh_pct, temp_c, None, None, 65.0)
        yield (
            BEGAN_S + 60 * n,
            1,
            *air,
            480 <= n % 1440 < 1200,
            60.0 * on,
            4 - n % 600 / 6e3,
            5.0,
            why,
            n // 20 + 1,
        )


def _record(path: Path, count: int) -> None:
    columns = COLUMNS["sample"]
    put = f"INSERT INTO sample ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    switched = ((BEGAN_S + 60 * n, 1, n % 60 == 0, "demand") for n in range(count) if n % 60 in (0, 20))
    with closing(open_to_write(path)) as db, transaction(db):
        db.executemany(put, _minutes(count))
        db.executemany(
            "INSERT INTO switching (at_s, clock_trusted, relay_on, because) VALUES (?, ?, ?, ?)", switched
        )


def report_year() -> None:
    """The whole command over 525 600 minutes, in each form; its memory beside that of a report of one day."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "room.toml").write_text(
            f'settings_version = 1\n[room]\nstate_dir = "{root}"\ntimezone = "UTC"\n'
        )
        (root / "room").mkdir()
        _record(root / "room" / "history.sqlite", YEAR_MIN)
        command = (sys.executable, "-m", "controller", "report", "--settings", str(root / "room.toml"))
        for span in (("--day", "2026-03-01"), ("--year", "2026")):
            for form in ("text", "csv", "json", "html"):
                took, size, peak_mib = _took((*command, *span, "--format", form))
                told = f"{took:.2f} s, {size / 1e3:.0f} kB, {peak_mib:.0f} MiB at most"
                line(f"report {' '.join(span)} --format {form}", told)


def _took(command: tuple[str, ...]) -> tuple[float, int, float]:
    """The best of three: seconds, bytes, MiB of the child's largest resident memory."""
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as child:
            assert child.stdout is not None
            size = len(child.stdout.read())
            _, _, used = os.wait4(child.pid, 0)
            child.returncode = 0
        best = min(best, time.perf_counter() - began)
    return best, size, used.ru_maxrss / 1024
