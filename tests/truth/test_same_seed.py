"""The same seed gives the same rows, another seed others: trace, record and summary."""

from __future__ import annotations

from typing import Any

import pytest

from controller.loop import Loop
from controller.settings import Settings
from controller.wiring import Rehearsal, make_rehearsal


def rows(seed: int, method: str) -> tuple[Any, ...]:
    settings = Settings(
        demand={"method": method},
        room={"timezone": "Europe/Berlin"},
        loop={"tick_s": 30},
        bench={"days": 2, "seed": seed},
    )
    rehearsal = make_rehearsal(settings, True)
    drive(rehearsal, 30.0)
    reader = rehearsal.history.reader()
    record = (list(reader.minutes()), reader.switchings(), reader.messages(), reader.notes(), reader.events())
    trace = rehearsal.witness.trace
    assert trace is not None
    assert len(trace.hours) == 2880
    assert len(record[0]) in (2879, 2880)
    assert len(record[1]) > 20
    return [list(map(repr, column)) for column in trace], record, rehearsal.witness.summary()


def drive(rehearsal: Rehearsal, tick_s: float) -> None:
    """As ``Loop.run`` does, without closing the record, which lives in memory only."""
    world = rehearsal.world
    loop = Loop(rehearsal.begin(None), tick_s)
    loop.tick(world.now())
    while world.wait_until(world.mono_s + tick_s):
        loop.tick(world.now())


@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_the_seed_decides_every_row(method: str) -> None:
    first, again, other = rows(1, method), rows(1, method), rows(2, method)
    assert first == again
    for mine, others in zip(first, other, strict=True):
        assert mine != others
