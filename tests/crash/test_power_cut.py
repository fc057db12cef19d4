"""The power goes while the loop writes: only what had been synced is still on the card.

The writer is stopped (SIGSTOP) at a random moment, or by strace after its n-th write, sync or rename. Then
the image under its file system is copied, and the next life begins on the copy. HYGROHOLD_TEST_CUTS is how
often (4 unless said; tests/long/crash.py says 60). Needs root; elsewhere it is not run, loudly.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.crash.image import Card
from tests.crash.test_at_a_call import CALLED
from tests.crash.world import World, tool, traced, until

pytestmark = pytest.mark.process

CUTS = int(os.environ.get("HYGROHOLD_TEST_CUTS", "4"))
SEED = int(os.environ.get("HYGROHOLD_TEST_SEED", "1"))


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    made = Card(tmp_path, 32)
    yield made
    made.throw_away()


def stopped(pid: int) -> bool:
    """Whether a process has been stopped: by a signal, or by one that its tracer has passed on."""
    before = _standing(pid)
    time.sleep(0.02)
    return before != "" and before == _standing(pid)


def _standing(pid: int) -> str:
    """How often it has been switched to and from, if it stands still; "" if it does not."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines() if pid else []
    except (FileNotFoundError, ProcessLookupError):
        return ""
    if not lines:
        return ""
    said = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
    if said["State"][0] not in "Tt":
        return ""
    return said["voluntary_ctxt_switches"] + said["nonvoluntary_ctxt_switches"]


def life_under(tracer: int) -> int:
    """The life's process, once it is the program and not the tracer's own helper; 0 before."""
    for pid in Path(f"/proc/{tracer}/task/{tracer}/children").read_text().split():
        with suppress(FileNotFoundError, ProcessLookupError):
            if Path(f"/proc/{pid}/cmdline").read_bytes().startswith(sys.executable.encode() + b"\0"):
                return int(pid)
    return 0


def one_life(world: World, card: Card, call: str) -> None:
    """``call``: after which call it is cut; "" = at a random moment."""
    fate = world.fate
    under: tuple[str, ...] = ()
    if call:
        at = fate.randint(1, CALLED[call])
        under = traced(f"{call}:signal=SIGSTOP:when={at}", tool("strace"))
    process = world.start(under, pace_s=fate.choice((0.0, 0.002, 0.02)))
    if call:  # the stop may come within the first look
        until(lambda: life_under(process.pid), "the life's beginning", process)
        until(lambda: world.began() or stopped(life_under(process.pid)), "the first look", process)
    else:
        until(world.began, "the first look", process)
    writer = life_under(process.pid) if call else process.pid
    assert writer > 1
    end = time.monotonic() + (10.0 if call else fate.uniform(0.05, 0.8))
    notes = 6
    while time.monotonic() < end and not stopped(writer):
        if notes and fate.random() < 0.1:
            world.leave(fate.choice(("refilled", "pause")))
            notes -= 1
        time.sleep(0.01)
    os.kill(writer, signal.SIGSTOP)
    until(lambda: stopped(writer), "stopped", process)
    card.copy()
    os.kill(writer, signal.SIGKILL)
    process.communicate()
    world.after_end()
    card.back_to_copy()
    # An answer is not synced: what is gone with the power is answered again, and obeyed no second time.
    world.truth.answered.intersection_update(world.answers())


def test_power_cuts(tmp_path: Path, card: Card) -> None:
    world = World(card.mount / "room", tmp_path, SEED)
    for number in range(CUTS):
        call = world.fate.choice(tuple(CALLED)) if number % 2 else ""
        one_life(world, card, call)
        assert world.complaints(aside_allowed=1) == [], f"cut {number} at {call or 'random'}, seed {SEED}"
        world.wait(world.fate.choice((5.0, 400.0, 4000.0, 30000.0)), reboot=True)
    truth = world.truth
    print(f"{CUTS} cuts; {len(truth.looks)} looks, {truth.runs} runs, {len(truth.done)} requests done")
    assert truth.runs > 1
    assert truth.done
