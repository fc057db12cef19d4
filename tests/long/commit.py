"""Which commit a long run is of."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def commit() -> str:
    """The short name of what is checked out here, and whether that is all. Ask before a run, not after it."""

    def git(*words: str) -> str:
        return subprocess.run(
            ("git", *words), cwd=ROOT, capture_output=True, text=True, check=False
        ).stdout.strip()

    name = git("rev-parse", "--short", "HEAD") or "unknown"
    return f"{name} with changes that are not committed" if git("status", "--porcelain") else name
