"""The tank's output and its refill time, learned in a simulated winter room, against what was truly there.

The humidifier gives 30 % more or less than its plate says. The keeper fills when it is dry, and notes the
litres wrong by up to 3 %, seeded, and that it is full.
"""

from __future__ import annotations

import random
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from controller.core.records import Decision, Inputs, Request, Water
from controller.core.refill import outlook
from controller.settings import Settings
from controller.simulator.world import World
from controller.wiring import make_rehearsal
from tests.truth.helpers import HOUR_S, merged, steady_outdoors

TANK_L, PLATE = 4.0, 0.4
AHEAD_S = 6 * HOUR_S


class Jug:
    """Hears of every tick; fills a dry tank, and tells of it twice: litres, and to the top."""

    world: World

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.beliefs: list[Water] = []  # when the tank was truly dry, before the note
        self.apart_min: list[tuple[float, bool]] = []  # told six hours before, less true; whether between
        self.looks: list[tuple[Any, Water]] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        room, water = self.world.room, decision.water
        assert water is not None
        self.looks.append((decision.at, water))
        if room.tank_l > 0.01 and decision.tank_l != 0.0:
            return
        self.beliefs.append(water)
        self._judge(decision)
        put_l = (TANK_L - room.tank_l) * (1.0 + self.rng.uniform(-0.03, 0.03))
        room.fill(TANK_L)
        self.world.keeper.ask(Request("refilled", litres=put_l))
        self.world.keeper.ask(Request("refilled"))

    def _judge(self, decision: Decision) -> None:
        dry = decision.at
        at, water = next(look for look in reversed(self.looks) if dry.mono_s - look[0].mono_s >= AHEAD_S)
        told = outlook(water, at.wall)
        if told is not None:
            apart = (told.middle - dry.wall) / timedelta(minutes=1)
            self.apart_min.append((apart, told.early <= dry.wall <= told.late))


def lived(factor: float, seed: int, days: float, **bench: Any) -> Jug:
    groups: dict[str, Any] = {
        "tank": {"tank_l": TANK_L, "output_l_per_h": PLATE},
        "loop": {"tick_s": 60},
        "trust": {"oldest_s": 120, "bridge_s": 120},
        "bench": {
            "days": days,
            "seed": seed,
            "humidifier": {"output_l_per_h": PLATE * factor},
            "keeper": {"looks_in": ()},
        },
    }
    jug = Jug(seed)
    rehearsal = make_rehearsal(Settings(**merged(groups, {"bench": bench})), False, (jug,))
    jug.world = rehearsal.world
    rehearsal.run()
    return jug


@pytest.mark.parametrize("factor", [0.7, 1.3])
def test_after_five_refills_output_and_refill_time_are_true_in_a_steady_winter(
    factor: float, tmp_path: Path
) -> None:
    jug = lived(factor, 1, 8.5, weather_file=steady_outdoors(tmp_path, 0.0, 80.0))
    after = jug.beliefs[5:]
    assert len(after) >= 2
    for water in after:
        assert water.rate_l_per_h == pytest.approx(factor * PLATE, rel=0.03)
        assert abs(water.rate_l_per_h / (factor * PLATE) - 1.0) <= 2.0 * water.rate_sd
    told = jug.apart_min[-len(after) :]
    assert max(abs(apart) for apart, _ in told) <= 45.0
    assert all(between for _, between in told)


def test_in_changing_weather_it_lies_between_the_two_times_told() -> None:
    """One day is not like the next, so that the time itself is good for about an hour, six hours ahead."""
    jug = lived(1.3, 2, 9.0)
    assert len(jug.apart_min) >= 6
    assert all(between for _, between in jug.apart_min[2:])
    assert median(abs(apart) for apart, _ in jug.apart_min[2:]) <= 45.0
