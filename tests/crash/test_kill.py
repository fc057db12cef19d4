"""``kill -9`` at random moments of a running loop, over one room: nothing corrupt, no account too short.

HYGROHOLD_TEST_KILLS is how often (12 unless said; tests/long/crash.py says 200), HYGROHOLD_TEST_SEED where
the dice begin.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from controller.keep import peek
from tests.crash.child import STEPS
from tests.crash.world import PATIENCE_S, World, until

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
        assert world.unanswered() == 0
        world.wait(world.fate.choice((5.0, 30.0, 400.0, 4000.0, 30000.0)), reboot=world.fate.random() < 0.3)
    truth = world.truth
    print(
        f"{KILLS} lives, {len(truth.unclean)} killed; {len(truth.looks)} looks, {truth.runs} runs, "
        f"{len(truth.done)} of {len(world.left)} requests done, none lost"
    )
    assert len(truth.unclean) > KILLS // 2
    assert truth.runs > KILLS
    assert truth.done


@pytest.mark.parametrize("kind", ["pause", "refilled"])
@pytest.mark.parametrize("step", STEPS)
def test_a_request_is_obeyed_once_wherever_the_kill_comes(tmp_path: Path, step: str, kind: str) -> None:
    world = World(tmp_path / "room", tmp_path, SEED)
    process = world.start(pace_s=0.002, dies=step)
    until(world.began, "the first look", process)
    world.leave(kind)
    (identity,) = world.left
    assert process.wait(PATIENCE_S) == -signal.SIGKILL
    process.communicate()
    world.after_end()
    assert world.complaints() == []
    assert world.unanswered() == 0
    killed = peek(tmp_path / "room")
    obeyed = killed is not None and identity in dict(killed.handled)
    assert obeyed == (step != "taken")
    world.wait(60.0)
    process = world.start(pace_s=0.002)
    until(lambda: identity in world.answers(), "the answer", process)
    until(world.looked(5), "some looks", process)
    world.stop(process)
    assert world.answers() == {identity: True}
    assert world.complaints() == []  # among others: one note of it is in the record
    assert not [*(tmp_path / "room/requests/taken").iterdir(), *(tmp_path / "room/requests/asked").iterdir()]
    after = peek(tmp_path / "room")
    assert after is not None
    assert dict(after.handled) == {identity: True}
    if obeyed and killed is not None:  # not a second time: the pause ends when it would have
        assert after.keeper.pause_until_t == killed.keeper.pause_until_t
        assert after.tank.fill_t == killed.tank.fill_t
    wish = after.keeper.pause_until_t if kind == "pause" else after.tank.fill_t + 1e9
    assert wish > 0.0
