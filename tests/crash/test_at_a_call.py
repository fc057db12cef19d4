"""Killed at the n-th write, sync or rename of a running loop; strace does it.

HYGROHOLD_TEST_CALLS is how many places are tried for each call (1 unless said; tests/long/crash.py says 25).
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.crash.world import PATIENCE_S, World, tool, traced

pytestmark = pytest.mark.process

CALLS = int(os.environ.get("HYGROHOLD_TEST_CALLS", "1"))
SEED = int(os.environ.get("HYGROHOLD_TEST_SEED", "1"))
TICKS = 200
CALLED = {"fsync": 30, "fdatasync": 20, "pwrite64": 110, "write": 40, "rename": 40, "unlink": 4}
"""How often a life of so many ticks makes each call, at least."""


def settle(world: World, inject: str, strace: str) -> int:
    """One life that meets what is injected; its return code. Notes are left while it runs."""
    process = world.start(traced(inject, strace), ticks=TICKS)
    end = time.monotonic() + PATIENCE_S
    notes = 0
    while process.poll() is None and time.monotonic() < end:
        if notes < 6 and world.looked(notes * 40 + 1)():
            world.leave("refilled" if notes % 2 else "pause")
            notes += 1
        time.sleep(0.01)
    assert process.poll() is not None, "the life did not end"
    process.communicate()
    world.after_end()
    return int(process.returncode)


@pytest.mark.parametrize("call", CALLED)
def test_killed_at_a_call(tmp_path: Path, call: str) -> None:
    strace = tool("strace")
    world = World(tmp_path / "room", tmp_path, SEED)
    killed = 0
    for number in range(CALLS):
        at = world.fate.randint(1, CALLED[call] if number % 2 else min(12, CALLED[call]))
        killed += settle(world, f"{call}:signal=SIGKILL:when={at}", strace) != 0
        assert world.complaints() == [], f"killed at {call} number {at}, seed {SEED}"
        world.wait(world.fate.choice((5.0, 400.0, 30000.0)))
    assert killed
