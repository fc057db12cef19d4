"""Ten thousand damaged files of every kind the program reads: a clear error, never a traceback, never mist.

    python tests/long/fuzz.py                       all kinds, all cores
    python tests/long/fuzz.py kept_state            only these
    SEED=5 ROUNDS=1 python tests/long/fuzz.py kept_state   one case again

ROUNDS in the environment is how many of each (10000), SEED the first seed (0), WORKERS how many processes.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.crash.targets import TARGETS

ROUNDS = int(os.environ.get("ROUNDS", "10000"))
SEED = int(os.environ.get("SEED", "0"))
CHUNK = 500
MOST_TOLD = 3


def chunk(name: str, seeds: range) -> list[tuple[int, str]]:
    """The seeds that went wrong, each with its last words."""
    warnings.simplefilter("error")
    found = []
    for seed in seeds:
        folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
        try:
            TARGETS[name](random.Random(f"{name} {seed}"), folder)
        except BaseException:
            found.append((seed, traceback.format_exc()))
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    return found


def main(wanted: list[str]) -> int:
    unknown = [name for name in wanted if name not in TARGETS]
    if unknown:
        print(f"no kind {unknown[0]!r}; there are {', '.join(TARGETS)}")
        return 2
    wrong = 0
    with ProcessPoolExecutor(int(os.environ.get("WORKERS", os.cpu_count() or 1))) as pool:
        for name in wanted or TARGETS:
            began = time.monotonic()
            starts = range(SEED, SEED + ROUNDS, CHUNK)
            jobs = [
                pool.submit(chunk, name, range(start, min(start + CHUNK, SEED + ROUNDS))) for start in starts
            ]
            found = [case for job in jobs for case in job.result()]
            wrong += len(found)
            print(
                f"{name:22} {ROUNDS} files, {len(found)} wrong ({time.monotonic() - began:.0f} s)", flush=True
            )
            for seed, words in found[:MOST_TOLD]:
                print(f"  SEED={seed}:\n{words}", flush=True)
    print(f"{wrong} of {ROUNDS * len(wanted or TARGETS)} files wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
