"""The long tier: everything that takes too long for each change, one after the other, and what came of it.

    python tests/long/run.py               all: some hours (TICK_S=60 for shorter fault-free years)
    python tests/long/run.py crash fuzz    only these

tests/long/LAST.md keeps each part's last result, with its date, commit and machine. A part that could not run
here (no root, no strace, ...) counts as not run: what it said before stays.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

from tests.long.commit import commit  # noqa: E402

LAST = HERE / "LAST.md"
PYTHON = sys.executable
PYTEST = (PYTHON, "-m", "pytest", "-q", "-rs")
TOLD_LINES = 3
NOT_RUN = ("NOT TESTED:", "not measured")


class Part(NamedTuple):
    command: tuple[str, ...]
    profile: str = "ci"  # of hypothesis, see tests/conftest.py


PARTS: dict[str, Part] = {
    "fault-free years": Part((PYTHON, "tests/long/fault_free_years.py")),
    "fault matrix": Part((PYTHON, "tests/long/fault_matrix.py", "--write")),
    "fuzz": Part((PYTHON, "tests/long/fuzz.py")),
    "crash": Part((PYTHON, "tests/long/crash.py")),
    "never-list": Part(
        (
            *PYTEST,
            "tests/core/test_never.py",
            "tests/core/test_never_machine.py",
            "tests/loop/test_never_list.py",
        ),
        "search",
    ),
    "soak": Part((PYTHON, "tests/benchmark.py", "soak", "stall", "hang", "disk")),
}


class Outcome(NamedTuple):
    name: str
    passed: bool
    whole: bool  # nothing was left out
    minutes: float
    last: list[str]


def run(name: str) -> Outcome:
    part = PARTS[name]
    print(f"== {name}: {' '.join(part.command[1:])}", flush=True)
    began = time.monotonic()
    environment = {**os.environ, "HYPOTHESIS_PROFILE": part.profile, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        part.command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    lines = []
    assert process.stdout is not None
    for line in process.stdout:
        print(line, end="", flush=True)
        lines.append(line.rstrip())
    code = process.wait()
    left_out = any(words in line for line in lines for words in NOT_RUN)
    told = [line for line in lines if line][-(6 if name == "soak" else TOLD_LINES) :]
    return Outcome(name, code == 0, not left_out, (time.monotonic() - began) / 60, told)


HEAD = """# The long tier: each part's last result

Written by `python tests/long/run.py`, which runs them all, or those that are named.
"""


def section(outcome: Outcome, of_commit: str) -> str:
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Linux {platform.release()}"
    said = "passed" if outcome.passed else "FAILED"
    lines = [
        f"## {outcome.name}: {said}, {outcome.minutes:.0f} min",
        "",
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, commit {of_commit}; {machine}, "
        f"Python {platform.python_version()}.",
        *("", "```", *outcome.last, "```", ""),
    ]
    return "\n".join(lines)


def keep(outcome: Outcome, text: str) -> None:
    """Puts one part's result in the place of its last one."""
    before = LAST.read_text(encoding="utf-8") if LAST.exists() else HEAD
    parts = {part.split(":", 1)[0]: f"## {part}" for part in before.split("\n## ")[1:]}
    parts[outcome.name] = text
    kept = [parts[name].rstrip() + "\n" for name in PARTS if name in parts]
    LAST.write_text("\n".join([HEAD, *kept]), encoding="utf-8")


def main(wanted: list[str]) -> int:
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        print(f"no part {unknown[0]!r}; there are {', '.join(PARTS)}")
        return 2
    outcomes, of_commit = [], commit()
    for name in wanted or PARTS:
        outcomes.append(outcome := run(name))
        print(text := section(outcome, of_commit))
        if outcome.whole:
            keep(outcome, text)
        else:
            print(f"{LAST.name} stays as it was: a part of {name} did not run")
    return 0 if all(outcome.passed and outcome.whole for outcome in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
