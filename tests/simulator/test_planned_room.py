"""The planner's linear room is the simulated room, and what it plans keeps the rules.

The dynamics are checked against the simulated room itself: the map is another calculation of the same
physics, and the room's own is checked elsewhere against outside truth.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pvlib
import pytest

from controller.core.records import Instant, Reading, Request
from controller.settings import Settings
from controller.simulator.weather import Weather
from controller.simulator.weather_files import load_weather
from controller.simulator.world import World
from tests.long.control import rooms
from tests.long.control.live import live
from tests.long.control.plan import Plan, plan, rules_of
from tests.long.control.replay import Follows, Style
from tests.long.control.slots import Recorder, Ticks, slots_of

SAND_POINT = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
EACH = 10  # ticks of a minute in a slot


def settings_of(room: str, days: float, over: dict[str, Any]) -> Settings:
    return rooms.settings_of(room, days, over, SAND_POINT)


class Pattern:
    """On for whole slots, so that a slot's share is exactly what the relay did."""

    def __init__(self, shares: Sequence[float]) -> None:
        self._shares = shares
        self._tick = 0

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        slot = min(self._tick // EACH, len(self._shares) - 1)
        self._tick += 1
        return bool(self._shares[slot])


@cache
def weather() -> Weather:
    """One for all, since reading it takes half of the time."""
    return load_weather(SAND_POINT)


def record(settings: Settings, shares: Sequence[float]) -> tuple[Ticks, np.ndarray[Any, Any]]:
    recorder, states = Recorder(settings), []

    def look(world: World) -> None:
        recorder(world)
        states.append((world.room.ratio, world.room.store_ratio))

    live(settings, lambda settings, world: Pattern(shares), weather(), look)
    return recorder.ticks(), np.array(states)


@pytest.mark.parametrize(
    ("room", "tolerance_rh_pct"),
    [
        ("oversized", 1e-6),  # its mist's delay is three whole ticks: nothing is rounded
        ("doors", 0.05),  # a tick and a half: mist that comes in the middle of a tick is spread over it
        ("night-setback", 0.05),  # the store's capacity moves with the temperature
    ],
)
def test_the_linear_room_is_the_room_over_a_day(room: str, tolerance_rh_pct: float) -> None:
    settings = settings_of(room, 1.0, {"tank": {"full_tank_lasts_h": 50}})  # or mist would condense
    shares = [float(slot % 5 == 0) for slot in range(144)]
    ticks, states = record(settings, shares)
    slots = slots_of(ticks, 600.0)
    found = slots.run(ticks.start, np.array(shares[: len(slots.keep)]))
    for column in (0, 1):
        planned = ticks.rh_pct(found[:, column], slots.ends)
        lived = ticks.rh_pct(states[slots.ends, column], slots.ends)
        assert np.abs(planned - lived).max() < tolerance_rh_pct
    assert np.ptp(ticks.rh_pct(states[:, 0], slice(0, len(states)))) > 10.0  # the room did move


@pytest.fixture(scope="module")
def capped() -> tuple[Settings, Ticks, Plan]:
    """Two days of a room with a cap too low to keep it."""
    settings = settings_of("capped", 2.0, {"runtime": {"cap_hours_in_any_24": 4}})
    ticks, _ = record(settings, [0.0])
    return settings, ticks, plan(settings, ticks, "hours", low_rh_pct=62, high_rh_pct=74, slot_s=1800.0)


def test_a_plan_keeps_the_cap_and_uses_it(capped: tuple[Settings, Ticks, Plan]) -> None:
    settings, ticks, planned = capped
    rules = rules_of(settings, ticks, planned.slots, 62, 74)
    sums = np.concatenate((np.zeros(rules.day), [0.0], np.cumsum(planned.shares)))
    used = sums[rules.day :] - sums[: -rules.day]
    assert used.max() <= rules.cap + 1e-5
    assert used.max() > 0.99 * rules.cap
    assert planned.scarce.all()
    assert 0.0 < planned.out_h < 48.0


def test_what_is_planned_is_between_nothing_and_everything(capped: tuple[Settings, Ticks, Plan]) -> None:
    _, _, planned = capped
    assert planned.shares.min() >= 0.0
    assert planned.shares.max() <= 1.0


def test_a_lived_plan_keeps_cap_and_shortest_runs(capped: tuple[Settings, Ticks, Plan]) -> None:
    settings, ticks, planned = capped
    relay: list[bool] = []
    scores = live(
        settings,
        lambda settings, world: Follows(settings, world, planned, ticks, Style()),
        weather(),
        lambda world: relay.append(world.relay.on),
    )
    assert scores.over_cap_s == 0.0
    assert scores.dry_h == 0.0
    turns = [tick for tick, (before, now) in enumerate(pairwise(relay)) if before != now]
    assert len(turns) > 10
    least = settings.guards.shortest_on_s / ticks.dt_s
    assert all(b - a >= least for a, b in pairwise(turns[:-1]))


def test_a_tank_is_planned_as_what_it_holds_between_two_rounds() -> None:
    """Never more drawn between two fillings than the tank holds: 3.8 L, filled at 07:45 alone."""
    settings = settings_of(
        "scarce-water", 2.0, {
            "tank": {"tank_l": 3.8, "full_tank_lasts_h": 8},
            "bench": {"keeper": {"looks_in": ["07:45:00"], "fills_below_l": 3.75}},
        },
    )  # fmt: skip
    ticks, _ = record(settings, [0.0])
    planned = plan(settings, ticks, "error", low_rh_pct=62, high_rh_pct=74, slot_s=1800.0)
    litres = planned.shares * ticks.rate_l_per_h / 2.0
    sums = np.interp(np.array(ticks.fills) / 30.0, np.arange(len(litres) + 1), [0.0, *np.cumsum(litres)])
    drawn = np.diff([0.0, *sums, litres.sum()])
    assert len(drawn) == 3
    assert drawn.max() <= 3.8 + 1e-5
    assert drawn.max() > 3.0


def test_a_room_that_is_not_linear_is_refused() -> None:
    settings = settings_of("leaky", 1.0, {"bench": {"humidifier": {"kind": "evaporative"}}})
    with pytest.raises(ValueError, match="linear"):
        record(settings, [0.0])
