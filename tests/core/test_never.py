"""The never-list, as properties: whatever the readings, requests, ticks and restarts do.

The oracle keeps its own time, its own trust and its own ledger; it knows the rules' figures, and
nothing of how the core works.
"""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from math import inf, isfinite, nan
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Instant, Reading, Request
from controller.core.rules import Rules
from controller.core.state import State, after_loss
from tests.core.helpers import (
    HOUR_S,
    NOON,
    Embedder,
    Rig,
    at_surface_rh_pct,
    flat,
    float_paths,
    most_on_s,
    quick,
    through_json,
    with_figure,
)

NUMBERS = itertools.count()

BRIDGE_S = 60.0
LIMIT_RH_PCT = 78.0
COLD_C = 16.0
WALL_RH_PCT, WALL_OUTLIVES_S = 80.0, 7200.0


def plausible(reading: Reading) -> bool:
    figures = (reading.rh_pct, reading.temp_c, reading.age_s)
    if reading.failure or not all(isinstance(figure, float) and isfinite(figure) for figure in figures):
        return False
    rh, temp, age = figures
    assert rh is not None
    assert temp is not None
    assert age is not None
    return 0.0 < rh < 100.0 and -10.0 <= temp <= 60.0 and age <= 30.0


class Oracle:
    """Says at each tick what must not be. Times are true seconds."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.plausible_s = -inf
        self.highest_seen: list[tuple[float, float]] = []
        self.paused_until_s = -inf
        self.bypassed_until_s = -inf
        self.wall_c, self.wall_s = 0.0, -inf  # what the wall was last measured to be, and when
        self.off_since_s: float | None = None  # None until the first step
        self.on_since_s = 0.0
        self.was_on = False

    def restarted(self) -> None:
        self.plausible_s = self.wall_s = -inf
        self.off_since_s = None
        self.was_on = False

    def look(self, at_s: float, inputs: Inputs, decision: Decision) -> None:
        guards = self.rules.guards
        readings = [r for r in inputs.readings[: len(self.rules.probe)] if plausible(r)]
        if readings:
            self.plausible_s = at_s
        self._hear(at_s, decision)
        if inputs.surface_c is not None and -60.0 <= inputs.surface_c <= 80.0:
            self.wall_c, self.wall_s = inputs.surface_c, at_s
        assert isfinite(decision.valid_for_s)
        assert decision.valid_for_s > 0.0
        if self.off_since_s is None:
            self.off_since_s = at_s
        if decision.relay_on:
            assert at_s - self.plausible_s <= BRIDGE_S, "on without a plausible sample to go by"
            assert decision.rh_high_pct is not None
            assert decision.rh_high_pct < LIMIT_RH_PCT, "on above the ceiling"
            assert decision.temp_c is not None
            assert decision.temp_c >= COLD_C, "on in the cold"
            self._look_at_the_wall(at_s, decision.rh_high_pct, decision.temp_c)
            assert self.paused_until_s <= at_s, "on while paused"
            assert self.bypassed_until_s <= at_s, "on while bypassed"
            assert not inputs.hand, "on while the switch is seen at hand"
            if not self.was_on:
                assert at_s - self.off_since_s >= guards.shortest_off_s - 1e-6, "on before the shortest off"
                self.on_since_s = at_s
            run_s = at_s - self.on_since_s + min(decision.valid_for_s, 300.0)
            assert run_s <= guards.longest_run_minutes * 60.0 + 300.0
            assert at_s - self.on_since_s < guards.longest_run_minutes * 60.0, "on past the longest run"
            assert at_s - self.on_since_s + decision.valid_for_s <= guards.longest_run_minutes * 60.0 + 1e-6
        elif self.was_on:
            self.off_since_s = at_s
        self.was_on = decision.relay_on

    def _look_at_the_wall(self, at_s: float, rh_high_pct: float, temp_c: float) -> None:
        """A measured wall that rules: 80 % at its surface; what it was last stands for two hours."""
        if self.rules.surface.policy == "hold" and at_s - self.wall_s <= WALL_OUTLIVES_S:
            at_wall = at_surface_rh_pct(rh_high_pct, temp_c, self.wall_c)
            assert at_wall < WALL_RH_PCT + 0.3, "on while the wall is at its limit"

    def _hear(self, at_s: float, decision: Decision) -> None:
        for answer in decision.answers:
            if answer.done and answer.request.kind == "pause":
                for_s = answer.request.for_s
                self.paused_until_s = at_s + min(2 * HOUR_S if for_s is None else for_s, 12 * HOUR_S)
            elif answer.done and answer.request.kind == "resume":
                self.paused_until_s = -inf
            elif answer.done and answer.request.kind in ("bypass_hand", "bypass_off"):
                for_s = answer.request.for_s
                self.bypassed_until_s = at_s + min(2 * HOUR_S if for_s is None else for_s, 24 * HOUR_S)
            elif answer.done and answer.request.kind == "bypass_auto":
                self.bypassed_until_s = -inf


# --- one: the clocks are honest, everything else is wild; long seeded days, with restarts ---


def some_rules(rng: random.Random) -> Rules:
    shortest_s = rng.choice([0, 30, 120])
    return flat(
        demand={
            "method": rng.choice(["hysteresis", "pid"]),
            "foresight": rng.choice(["off", "keep-hours", "keep-error"]),
        },
        guards={
            "shortest_on_s": rng.choice([0, 60, 120]),
            "shortest_off_s": shortest_s,
            "longest_run_minutes": rng.choice([5, 45, 180, 1440]),
            "rest_minutes": rng.choice([0, 10]),
        },
        runtime={"cap_hours_in_any_24": rng.choice([0.5, 2, 6, 12])},
        tank={"dry_cutout": rng.random() < 0.5},
        surface={"frsi": rng.choice([None, 0.7]), "policy": rng.choice(["warn", "hold"])},
        probe=({},) * rng.choice([1, 2]),
    )


def wild_reading(rng: random.Random, rh: float, temp: float) -> Reading:
    kind = rng.random()
    if kind < 0.86:
        return Reading(rh + rng.gauss(0, 0.1), temp)
    if kind < 0.90:
        return Reading(failure=rng.choice(["no answer", "checksum", "x" * 1000]))
    if kind < 0.93:
        return Reading(rng.choice([nan, inf, -inf, 0.0, 100.0, -6.0, 119.0, 1e300]), temp)
    if kind < 0.95:
        return Reading(rh, rng.choice([nan, -45.0, 130.0, 85.0, None]))
    if kind < 0.97:
        return Reading(rh, temp, age_s=rng.choice([nan, inf, 31.0, 1e9, -5.0]))
    return Reading(rng.uniform(0, 100), rng.uniform(0, 50))


KINDS = [
    "refilled", "pause", "resume", "raise_target", "raise_end", "humidify_now", "acknowledge", "cleaned",
    "bypass_hand", "bypass_off", "bypass_auto", "bypass_?", "?",
]  # fmt: skip


def wild_request(rng: random.Random, wall: datetime) -> Request:
    kind = rng.choice(KINDS)
    figure = rng.choice([None, nan, -1.0, 0.0, 0.5, 600.0, 7200.0, 1e300])
    expires = rng.choice([None, None, wall - timedelta(1), wall + timedelta(1), datetime(2026, 1, 1)])  # noqa: DTZ001
    at = rng.choice([None, wall - timedelta(hours=rng.uniform(-1, 30))])
    rh_pct = rng.choice([None, 3.0, nan])
    return Request(
        kind,
        f"request-{next(NUMBERS)}",
        "me",
        expires,
        at,
        for_s=figure,
        litres=rng.choice([None, 0.05, 2.0, 1e9]),
        rh_pct=rh_pct,
    )


def wild_inputs(rng: random.Random, rh: float, temp: float, wall: datetime, was_on: bool) -> Inputs:
    return Inputs(
        tuple(wild_reading(rng, rh, temp) for _ in range(rng.choice([0, 1, 1, 1, 2, 2, 2]))),
        relay_on=was_on if rng.random() < 0.5 else None,
        surface_c=rng.choice([None, None, None, 15.0, temp - 3.0, nan, 1e9]),
        outdoor_c=rng.choice([None, -5.0, inf]),
        requests=(wild_request(rng, wall),) if rng.random() < 0.01 else (),
        hand=rng.choice([None, False, True]) if rng.random() < 0.03 else None,
    )


def end_and_begin(rng: random.Random, caller: Embedder, oracle: Oracle) -> bool:
    """A clean or unclean end, known or unknown time off, now and then with the state lost."""
    gap_s = rng.choice([2.0, 40.0, 400.0, 5 * HOUR_S, 40 * HOUR_S])
    clean = rng.random() < 0.5
    caller.pass_time(rng.uniform(0, 10))
    caller.stop(gap_s, clean=clean, reboot=rng.random() < 0.6)
    oracle.restarted()
    if rng.random() < 0.15:
        cap_s = caller.settings.runtime.cap_hours_in_any_24 * HOUR_S
        caller.controller = Controller(caller.settings, after_loss("torn", cap_s))
        caller.kept = caller.controller.state
        # What ran before is forgotten, by promise: half the cap stands for it. A pause is forgotten too.
        caller.spans = [(caller.true_s - cap_s / 2, caller.true_s)]
        oracle.paused_until_s = oracle.bypassed_until_s = -inf
    return rng.random() < 0.5


def room_days(seed: int, ticks: int, restarts: bool) -> None:
    rng = random.Random(seed)
    rules = some_rules(rng)
    caller, oracle = Embedder(rules), Oracle(rules)
    rh, temp, trusted, silent = 60.0, 22.0, rng.random() < 0.5, 0
    pace = rng.choice([1.0, 30.0, 300.0])
    cap_s = rules.runtime.cap_hours_in_any_24 * HOUR_S
    for count in range(ticks):
        was_on = caller.pass_time(min(300.0, rng.choice([1.0, pace, rng.uniform(1, 300)])))
        rh = min(max(rh + rng.gauss(-0.2, 1.5) * (1 if rh > 50 else -0.5), 20.0), 90.0)
        temp = min(max(temp + rng.gauss(0, 0.2), 13.0), 30.0)
        trusted = trusted or rng.random() < 0.002
        now = caller.now(trusted)
        inputs = wild_inputs(rng, rh, temp, now.wall, was_on)
        silent = rng.randrange(40) if not silent and rng.random() < 0.01 else max(0, silent - 1)
        if silent:
            inputs = inputs._replace(readings=(Reading(failure="unplugged"),) * 2)
        decision = caller.step(inputs, now)
        oracle.look(caller.true_s, inputs, decision)
        if count % 50 == 0:
            state = caller.controller.state
            back = State.from_plain(json.loads(json.dumps(state.to_plain(), allow_nan=False)))
            assert back == state._replace(started=False)
            assert back._replace(started=state.started).to_plain() == state.to_plain()
        if restarts and rng.random() < 0.005:
            trusted = end_and_begin(rng, caller, oracle)
    assert most_on_s(caller.spans) <= cap_s + 1e-6


@given(st.integers(0, 10**9))
def test_never_over_days_of_a_wild_room(seed: int) -> None:
    room_days(seed, 400, restarts=False)


@given(st.integers(0, 10**9))
def test_never_across_restarts(seed: int) -> None:
    room_days(seed, 400, restarts=True)


@pytest.mark.parametrize(
    "seed", [0, 1, 2, *(pytest.param(more, marks=pytest.mark.slow) for more in (3, 4, 5))]
)
def test_never_over_weeks(seed: int) -> None:
    room_days(seed, 8000, restarts=bool(seed % 2))


def dry_days(seed: int, ticks: int) -> Embedder:
    """A room that never gets wet enough, so that the cap is what ends the mist; power cuts all the while."""
    rng = random.Random(seed)
    rules = quick(runtime={"cap_hours_in_any_24": rng.choice([1, 3, 8])})
    caller, trusted = Embedder(rules), True
    for count in range(ticks):
        caller.pass_time(rng.choice([5.0, 60.0, 300.0]))
        caller.step(Inputs((Reading(50.0 + 0.01 * (count % 2), 24.0),)), caller.now(trusted))
        trusted = trusted or rng.random() < 0.01
        if rng.random() < 0.02:
            caller.pass_time(rng.uniform(0, 10))
            gap_s = rng.choice([5.0, 100.0, 1000.0, 8 * HOUR_S, 30 * HOUR_S])
            caller.stop(gap_s, clean=rng.random() < 0.3, reboot=rng.random() < 0.7)
            trusted = rng.random() < 0.6
    return caller


@pytest.mark.parametrize("seed", range(8))
def test_never_past_the_cap_across_power_cuts(seed: int) -> None:
    caller = dry_days(seed, 1500)
    cap_s = caller.settings.runtime.cap_hours_in_any_24 * HOUR_S
    assert most_on_s(caller.spans) <= cap_s + 1e-6
    assert most_on_s(caller.spans) > 0.5 * cap_s


# --- two: everything lies, the clocks too; short runs that hypothesis can shrink ---

anything = st.one_of(
    st.none(), st.floats(), st.floats(0, 100), st.sampled_from([nan, inf, -inf, 1e308, -0.0])
)
readings = st.builds(
    Reading,
    rh_pct=anything,
    temp_c=anything,
    age_s=st.one_of(st.just(0.0), st.floats()),
    failure=st.sampled_from(["", "", "x"]),
)
walls = st.sampled_from(
    [
        None,
        NOON,
        NOON + timedelta(days=3650),
        datetime(2026, 1, 10, 12, 0),  # noqa: DTZ001
        datetime(
            1970, 1, 1, tzinfo=ZoneInfo("Africa/Monrovia")
        ),  # 44 min 30 s west of Greenwich: a board's first boot
        datetime(2026, 10, 25, 2, 30, tzinfo=ZoneInfo("Europe/Berlin"), fold=1),
        datetime.min,  # noqa: DTZ901
        datetime.max,  # noqa: DTZ901
        datetime.min.replace(tzinfo=UTC),
        datetime.max.replace(tzinfo=UTC),
    ]
)
requests = st.builds(
    Request,
    kind=st.sampled_from(["", *KINDS]),
    expires=walls,
    at=walls,
    for_s=anything,
    litres=anything,
    rh_pct=anything,
)
ticks = st.fixed_dictionaries(
    {
        "after_s": st.one_of(
            st.floats(1, 300), st.sampled_from([0.0, -1.0, -1e9, nan, inf, 1e300, 86400.0, 10.0])
        ),
        "wall": walls,
        "trusted": st.booleans(),
        "readings": st.lists(readings, max_size=3).map(tuple),
        "relay_on": st.sampled_from([None, True, False]),
        "surface_c": anything,
        "outdoor_c": anything,
        "hand": st.sampled_from([None, None, None, True, False]),
        "requests": st.lists(requests, max_size=2).map(tuple),
        "restart": st.sampled_from(["", "", "", "", "copy", "json"]),
    }
)
PLAIN = {
    "relay_on": None,
    "surface_c": None,
    "outdoor_c": None,
    "hand": None,
    "requests": (),
    "restart": "",
    "trusted": True,
}


def good_ticks(count: int) -> Iterator[dict[str, Any]]:
    for index in range(count):
        reading = Reading(50.0 + 0.01 * (index % 2), 24.0)
        yield {**PLAIN, "after_s": 10.0, "wall": NOON, "readings": (reading,)}


@given(st.lists(ticks, max_size=8), st.sampled_from(["hysteresis", "pid"]), st.booleans())
def test_it_always_answers(wild: list[dict[str, Any]], method: str, two: bool) -> None:
    # Naive and aware wall clocks meet here too, under a clock said to be trusted.
    surface = {"frsi": 0.7, "policy": "hold" if two else "warn"}
    foreseen = "keep-hours" if two else "keep-error"
    rules = quick(
        demand={"method": method, "foresight": foreseen}, surface=surface, probe=({},) * (2 if two else 1)
    )
    controller = Controller(rules)
    mono_s = 0.0
    for tick in [*good_ticks(5), *wild, *good_ticks(5)]:
        mono_s = mono_s + tick["after_s"] if isfinite(mono_s + tick["after_s"]) else mono_s
        shown_s = mono_s if isfinite(tick["after_s"]) else tick["after_s"]
        if tick["restart"]:
            state = controller.state
            controller = Controller(rules, through_json(state) if tick["restart"] == "json" else state)
        inputs = Inputs(
            *(tick[name] for name in ("readings", "relay_on", "surface_c", "outdoor_c", "requests")),
            hand=tick["hand"],
        )
        decision = controller.step(inputs, Instant(shown_s, tick["wall"], tick["trusted"], "boot"))
        assert isfinite(decision.valid_for_s)
        assert decision.valid_for_s > 0.0
        assert len(decision.answers) == len(tick["requests"])
        json.dumps(controller.state.to_plain(), allow_nan=False)
        if decision.relay_on:
            assert isfinite(shown_s)
            assert not tick["hand"]
            assert decision.rh_high_pct is not None
            assert decision.rh_high_pct < LIMIT_RH_PCT
            assert decision.temp_c is not None
            assert decision.temp_c >= COLD_C
        else:
            assert decision.reasons


# --- three: a state from elsewhere ---


def rich_rig(method: str) -> Rig:
    """A controller that would switch on at its next step, with something in every corner of its state."""
    rig = Rig(quick(demand={"method": method}, surface={"frsi": 0.7}))
    rig.ask("refilled", litres=0.02)
    rig.run(40)
    rig.run(300, tick_s=30.0)
    rig.run(100, 70.0)
    rig.run(1800, 70.0, tick_s=60.0)
    rig.ask("refilled", 70.0)
    rig.ask("raise_target", 70.0)
    rig.run(900, 70.0, tick_s=60.0, outdoor_c=-20.0, relay_on=True)
    rig.run(900, 68.6, tick_s=60.0, outdoor_c=-20.0)
    return rig


@cache
def rich(method: str) -> Rig:
    """One for all, and not before it is asked for: every worker reads this file. It is not stepped again."""
    return rich_rig(method)


@cache
def paths(method: str) -> list[tuple[Any, ...]]:
    return list(float_paths(rich(method).state))


WORST = [nan, inf, -inf, 1e300, -1e300, 1e12, -1e12, -1.0]


@pytest.mark.parametrize("figure", WORST, ids=str)
@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_no_figure_anywhere_in_a_state_makes_it_raise(method: str, figure: float) -> None:
    # A bad sample bridges what is in the state, so an absurd temperature gets as far as the physics.
    for path in paths(method):
        for kept in (True, False):
            for first in ((Reading(50.0, 24.0),), (Reading(failure="late"),)):
                rig = rich_rig_copy(method, path, figure, kept)
                for count in range(6 if path[0] != "effect" else 14):  # a block of what mist does must end
                    wet: dict[str, Any] = {"readings": first} if count < 3 else {}
                    after_s = 10.0 if path[0] != "effect" else 50.0
                    decision = rig.step(50.0, outdoor_c=-5.0, surface_c=20.0, after_s=after_s, **wet)
                    assert isfinite(decision.valid_for_s), path
                    assert decision.valid_for_s > 0.0, path
                    assert decision.next_possible_on is None or decision.next_possible_on.tzinfo, path


def rich_rig_copy(method: str, path: tuple[Any, ...], figure: float, started: bool) -> Rig:
    whole = rich(method)
    rig = Rig(whole.settings, mono_s=whole.mono_s, wall=whole.wall, boot=whole.boot)
    rig.controller._state = with_figure(whole.state, path, figure)._replace(started=started)
    return rig


PROTECTIVE = [
    ("t",),
    ("probes", 0, "rh_pct"),
    ("probes", 0, "temp_c"),
    ("probes", 0, "good_t"),
    ("relay", "since_t"),
    ("relay", "rest_until_t"),
    ("runtime", "closed_s"),
    ("keeper", "pause_until_t"),
]
"""A word on a bypass is not among them: one with a broken end would hold the room dry for ever."""


@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_no_nan_where_a_protection_hangs_on_it_gives_mist(method: str) -> None:
    def asked(path: tuple[Any, ...], figure: float) -> Decision:
        rig = rich_rig_copy(method, path, figure, True)
        return rig.step(readings=(Reading(failure="late"),), requests=(Request("humidify_now"),))

    assert asked(("lost_until_t",), 0.0).relay_on  # so it would be, were nothing broken
    for path in PROTECTIVE:
        assert path in paths(method)
        assert not asked(path, nan).relay_on, path
