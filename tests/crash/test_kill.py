"""``kill -9`` at random moments of a running loop, over one room: nothing corrupt, no account too short.

HYGROHOLD_TEST_KILLS is how often (12 unless said; tests/long/crash.py says 200), HYGROHOLD_TEST_SEED where
the dice begin.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.crash.world import World, until

pytestmark = pytest.mark.process

KILLS = int(os.environ.get("HYGROHOLD_TEST_KILLS", "12"))
SEED = int(os.environ.get("HYGROHOLD_TEST_SEED", "1"))


def one_life(world: World) -> None:
    fate = world.fate
    process = world.start(pace_s=fate.choice((0.0, 0.0, 0.002, 0.05)))
    until(world.began, "the first look", process)
    end = time.monotonic() + fate.uniform(0.0, 0.6)
    notes = fate.choice((0, 1, 1, 3))
    while time.monotonic() < end or notes:
        if notes:
            world.leave(fate.choice(("refilled", "refilled", "pause", "cleaned")))
            notes -= 1
        time.sleep(fate.uniform(0.0, 0.06))
    if fate.random() < 0.15:
        world.stop(process)
    else:
        world.kill(process)


def test_killed_at_random(tmp_path: Path) -> None:
    world = World(tmp_path / "room", tmp_path, SEED)
    for number in range(KILLS):
        one_life(world)
        assert world.complaints() == [], f"after life {number}, seed {SEED}"
        world.wait(world.fate.choice((5.0, 30.0, 400.0, 4000.0, 30000.0)), reboot=world.fate.random() < 0.3)
    truth = world.truth
    print(
        f"{KILLS} lives, {len(truth.unclean)} killed; {len(truth.looks)} looks, {truth.runs} runs, "
        f"{len(truth.done)} requests done, {world.unanswered()} taken by a kill"
    )
    assert len(truth.unclean) > KILLS // 2
    assert truth.runs > KILLS
    assert truth.done
