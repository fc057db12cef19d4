"""A disk that is full, that fails, or that answers late: control misses no look, says so, and recovers.

The full disk is a really full ext4 image (root) for an hour of the room's time; the failing one is strace's
(EIO and ENOSPC from the n-th call to the m-th). Where one of the two cannot be had it is said loudly.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.crash.child import TICK_S
from tests.crash.image import Card
from tests.crash.test_at_a_call import settle
from tests.crash.world import World, tool, until

pytestmark = pytest.mark.process

SEED = int(os.environ.get("HYGROHOLD_TEST_SEED", "1"))
HOUR_TICKS = 120


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    made = Card(tmp_path, 8)
    yield made
    made.throw_away()


def quiet(world: World, ticks: int) -> int:
    """A life without trouble, to its end; its return code."""
    process = world.start(ticks=ticks)
    process.communicate()
    world.after_end()
    return int(process.returncode)


def missed(world: World) -> list[str]:
    """Looks that did not come when they were due."""
    looks, begun = world.truth.looks, world.truth.begun
    return [f"{a} to {b}" for a, b in pairwise(looks) if abs(b - a - TICK_S) > 1e-6 and b not in begun]


def test_a_full_disk_for_an_hour(tmp_path: Path, card: Card) -> None:
    world = World(card.mount / "room", tmp_path, SEED)
    process = world.start(pace_s=0.005)
    until(world.looked(60), "an hour before", process)
    world.leave("refilled")
    until(lambda: world.answers(), "answered", process)
    ballast = card.fill()
    world.take_log()
    full_from_s = world.truth.at_s
    until(world.looked(len(world.truth.looks) + 2 * HOUR_TICKS), "two hours on a full disk", process)
    world.take_log()
    full_until_s = world.truth.at_s
    ballast.unlink()
    until(world.looked(len(world.truth.looks) + HOUR_TICKS), "an hour after", process)
    world.stop(process)

    truth = world.truth
    while_full = set().union(*(codes for at_s, codes in truth.alarms if full_from_s < at_s <= full_until_s))
    assert "record_broken" in while_full
    assert "state_unkept" not in while_full  # it is written over the older copy, which has its blocks
    assert truth.alarms[-1][1] & {"record_broken", "state_unkept"} == frozenset()
    assert missed(world) == []
    assert truth.rows_lost == 0
    assert truth.used_s(truth.at_s) > 0.0
    assert world.complaints() == []


def test_killed_on_a_full_disk(tmp_path: Path, card: Card) -> None:
    """The record has a hole, and said so before; the accounts that protect have none."""
    world = World(card.mount / "room", tmp_path, SEED)
    process = world.start(pace_s=0.005)
    until(world.looked(60), "half an hour before", process)
    world.leave("refilled")
    until(lambda: world.answers(), "answered", process)
    ballast = card.fill()
    world.take_log()
    full_from_s = world.truth.at_s
    until(world.looked(len(world.truth.looks) + 3 * HOUR_TICKS), "three hours on a full disk", process)
    world.kill(process)
    ballast.unlink()
    truth = world.truth
    assert "record_broken" in truth.alarms[-1][1]
    assert truth.on_s(full_from_s, truth.at_s) > 2 * 600.0
    world.wait(5.0)
    assert quiet(world, ticks=5) == 0
    assert truth.complaints == []
    assert truth.whole() == []


CASES = [
    ("fsync:error=EIO:when=5..10", {"state_unkept"}),
    ("fdatasync:error=EIO:when=6..8", {"record_broken"}),
    ("pwrite64:error=ENOSPC:when=30..32", {"record_broken"}),
    ("write:error=ENOSPC:when=10..20", set()),
    ("rename:error=EROFS:when=10..160", {"state_unkept"}),
]


@pytest.mark.parametrize(("inject", "said"), CASES)
def test_a_failing_disk(tmp_path: Path, inject: str, said: set[str]) -> None:
    """A life over which some calls fail; then another that must find everything in order."""
    world = World(tmp_path / "room", tmp_path, SEED)
    assert quiet(world, ticks=40) == 0  # both copies of the state are there from now on
    world.wait(30.0)
    assert settle(world, inject, tool("strace")) == 0
    truth = world.truth
    heard = set().union(*(codes for _, codes in truth.alarms)) & {"record_broken", "state_unkept"}
    assert heard == said
    assert truth.alarms[-1][1] & {"record_broken", "state_unkept"} == frozenset()
    assert missed(world) == []
    assert truth.rows_lost == 0
    assert world.complaints() == []
    world.wait(30.0)
    assert quiet(world, ticks=10) == 0
    assert world.complaints() == []
