"""The one check command: lint, types, import contracts, real processes, tests; by hand what takes longer.

    python tests/check.py            lint, types, imports, processes, tests
    python tests/check.py lint types only these tiers
    python tests/check.py years      one that is run by hand: coverage, years, crash

Each tier has a time budget; one that takes longer is told, and fails only far beyond it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import IO, NamedTuple

ROOT = Path(__file__).resolve().parent.parent
PYTHON = sys.executable
PYTEST = (PYTHON, "-m", "pytest", "-q")
ALL_CORES = ("-n", "auto")
FILES_APART = ("-n", "4", "--dist", "loadfile")
"""Processes mostly wait: more of them than cores, but those of one file one after the other."""
COVERAGE = (PYTHON, "-m", "coverage")
BY_HAND = ("coverage", "years", "crash")
"""They do not fit into the time of a check."""
SLOWEST = 4.0
"""A machine may be this many times slower than the one the budgets were set on."""
APART = ("browser", "crash", "kernel", "long")
"""Folders of tests/ that have a command of their own."""


def files_with(mark: str) -> tuple[str, ...]:
    """The test files that name a mark, but those run by hand: each worker reads all that it is given, which
    takes longer than many a test. ``conftest.py`` refuses a test that this would miss."""
    found = sorted(
        path.relative_to(ROOT)
        for path in (ROOT / "tests").rglob("test_*.py")
        if f"mark.{mark}" in path.read_text(encoding="utf-8")
    )
    return tuple(str(path) for path in found if path.parts[1] not in APART)


TIERS: dict[str, tuple[float, tuple[tuple[str, ...], ...]]] = {
    "lint": (10, ((PYTHON, "-m", "ruff", "check", "."), (PYTHON, "-m", "ruff", "format", "--check", "."))),
    "types": (90, ((PYTHON, "-m", "mypy"),)),
    "imports": (15, ((PYTHON, "-c", "from importlinter.cli import lint_imports_command as go; go()"),)),
    "processes": (150, ((*PYTEST, *FILES_APART, "-m", "process", *files_with("process")),)),
    "tests": (360, ((*PYTEST, *ALL_CORES, "-m", "not slow and not process"),)),
    "coverage": (
        600,
        (
            (*PYTEST, *ALL_CORES, "--cov", "--cov-report=", "-m", "not slow and not process"),
            (*COVERAGE, "report", "--include=controller/core/*", "--fail-under=99", "--skip-covered"),
            (*COVERAGE, "report", "--fail-under=93", "--skip-covered", "--sort=cover"),
        ),
    ),
    "years": (900, ((*PYTEST, *ALL_CORES, "-m", "slow and not process"),)),
    "crash": (150, ((*PYTEST, "-m", "process", "tests/crash"),)),
}
"""Tier -> (budget in seconds, commands)."""


def surroundings() -> dict[str, str]:
    """Compiled code is kept beside its source, whatever the caller's habit: else each of the hundreds of
    processes would compile the program anew, and each worker all tests."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    return environment


def compile_tests() -> subprocess.Popen[bytes]:
    """Lets pytest compile the tests, beside a tier that has use for one core only."""
    command = (*PYTEST, "--collect-only", "-m", "not slow and not process")
    nothing = subprocess.DEVNULL
    return subprocess.Popen(command, cwd=ROOT, env=surroundings(), stdout=nothing, stderr=nothing)


class Begun(NamedTuple):
    """A tier of one command that runs beside others; its words are kept until it is asked for."""

    process: subprocess.Popen[bytes]
    said: IO[bytes]
    began: float


def begin(tier: str) -> Begun:
    """For a tier that mostly waits, while others have use for one core only."""
    (command,) = TIERS[tier][1]
    said = tempfile.TemporaryFile()  # noqa: SIM115 - a pipe that nobody reads yet would fill up
    process = subprocess.Popen(command, cwd=ROOT, env=surroundings(), stdout=said, stderr=subprocess.STDOUT)
    return Begun(process, said, time.monotonic())


def run(tier: str, begun: Begun | None = None) -> bool:
    budget_s, commands = TIERS[tier]
    began = time.monotonic() if begun is None else begun.began
    environment = surroundings()
    for command in commands:
        print(f"[{tier}] {' '.join(word for word in command[1:] if not word.endswith('.py'))}", flush=True)
        if begun is None:
            code = subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode
        else:
            code = begun.process.wait()
            begun.said.seek(0)
            print(begun.said.read().decode(errors="replace"), flush=True)
        if code != 0:
            print(f"[{tier}] FAILED", flush=True)
            return False
    took_s = time.monotonic() - began
    over = " OVER ITS BUDGET" if took_s > budget_s else ""
    print(f"[{tier}] fine, {took_s:.0f} of {budget_s:.0f} s{over}\n", flush=True)
    return took_s <= budget_s * SLOWEST


def main(names: list[str]) -> int:
    unknown = [name for name in names if name not in TIERS]
    if unknown:
        print(f"no tier {unknown[0]!r}; there are {', '.join(TIERS)}")
        return 2
    wanted = names or [tier for tier in TIERS if tier not in BY_HAND]
    compiling = compile_tests() if {"types", "tests"} <= set(wanted) else None
    begun = begin("processes") if {"types", "processes"} <= set(wanted) else None
    failed = []
    for tier in wanted:
        if tier == "tests" and compiling is not None:
            compiling.wait()  # whether they can be collected, the tier itself says
        if not run(tier, begun if tier == "processes" else None):
            failed.append(tier)
    print(f"failed: {', '.join(failed)}" if failed else "every check passed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
