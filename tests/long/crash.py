"""Crash and power, the long way: the tests of tests/crash with many more rounds, and other dice each time.

python tests/long/crash.py           200 kills, 25 places for each call, 60 power cuts: about 20 minutes
SEED=5 python tests/long/crash.py    the same dice again
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROUNDS = {"HYGROHOLD_TEST_KILLS": "200", "HYGROHOLD_TEST_CALLS": "25", "HYGROHOLD_TEST_CUTS": "60"}


def main() -> int:
    seed = os.environ.get("SEED", str(int(time.time())))
    print(f"SEED={seed}", flush=True)
    environment = {**ROUNDS, **os.environ, "HYGROHOLD_TEST_SEED": seed, "PYTHONPATH": str(ROOT)}
    command = (sys.executable, "-m", "pytest", "-q", "-s", "-rs", "-m", "process", "tests/crash")
    return subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
