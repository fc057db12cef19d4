"""What the core's tests share: a rig that steps the real core, and a caller that keeps its word.

Nothing here knows how the core decides; ``most_on_s`` and ``Embedder`` keep their own ledger.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from math import exp
from typing import Any

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Instant, Reading, Request
from controller.core.rules import Rules
from controller.core.state import State

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
DAY_S = 86400.0
HOUR_S = 3600.0


PINNED: dict[str, dict[str, Any]] = {
    "ceiling": {"highest_rh_pct": 80, "probe_accuracy_rh_pct": 2, "clear_rh_pct": 2},
    "demand": {
        "method": "hysteresis",
        "deadband_rh_pct": 3,
        "pid": {"gain_duty_per_rh_pct": 0.12, "integral_minutes": 60, "window_minutes": 20},
    },
    "guards": {
        "shortest_on_s": 120,
        "shortest_off_s": 120,
        "longest_run_minutes": 180,
        "rest_minutes": 10,
        "lowest_temp_c": 16,
        "stuck_after_s": 60,
    },
    "runtime": {"cap_hours_in_any_24": 12, "useful_run_minutes": 30},
    "tank": {"tank_l": 4, "trial_minutes": 15, "trial_every_minutes": 60, "trial_rise_rh_pct": 1.5},
    "trust": {
        "oldest_s": 30,
        "bridge_s": 60,
        "good_samples": 3,
        "jump_rh_pct": 10,
        "jump_rh_pct_per_min": 10,
        "jump_temp_c": 4,
        "jump_temp_c_per_min": 2,
        "frozen_on_minutes": 20,
        "disagree_rh_pct": 8,
    },
    "keeper": {
        "pause_hours": 2,
        "longest_pause_hours": 12,
        "humidify_minutes": 15,
        "longest_humidify_minutes": 60,
        "raise_days": 3,
        "longest_raise_days": 14,
        "most_raise_rh_pct": 15,
    },
}
"""The figures that the tests reckon with, so that a better default breaks none of them."""


def flat(target_rh_pct: float = 65.0, **groups: Any) -> Rules:
    """Rules with one setpoint all day, so that the time of day plays no part."""
    wanted: dict[str, Any] = {
        "target": {
            "day_rh_pct": target_rh_pct,
            "night_rh_pct": target_rh_pct,
            "band_low_rh_pct": 60,
            "band_high_rh_pct": 78,
        }
    }
    wanted |= PINNED
    for name, group in groups.items():
        wanted[name] = wanted[name] | group if isinstance(wanted.get(name), dict) else group
    return Rules(**wanted)


def at_surface_rh_pct(rh_pct: float, temp_c: float, surface_c: float) -> float:
    """RH of a room's air at a surface, by the saturation pressures of ISO 13788 (Annex E)."""

    def saturation_pa(at_c: float) -> float:
        over_ice = at_c < 0.0
        return 610.5 * exp((21.875 if over_ice else 17.269) * at_c / ((265.5 if over_ice else 237.3) + at_c))

    return rh_pct * saturation_pa(temp_c) / saturation_pa(surface_c)


def quick(**groups: Any) -> Rules:
    """Flat rules without shortest on and off, and with long runs, so that one matter shows alone."""
    guards = {"shortest_on_s": 0, "shortest_off_s": 0, "longest_run_minutes": 1440, "rest_minutes": 0}
    return flat(**{**groups, "guards": {**guards, **groups.get("guards", {})}})


def codes(decision: Decision) -> list[str]:
    return [reason.code for reason in decision.reasons]


def through_json(state: State) -> State:
    """The state as a restart finds it."""
    return State.from_plain(json.loads(json.dumps(state.to_plain(), allow_nan=False)))


class Rig:
    """Steps a Controller by hand. RH moves by a hair each step, as a real probe's does."""

    def __init__(
        self,
        settings: Rules | None = None,
        state: State | None = None,
        *,
        mono_s: float = 1000.0,
        wall: datetime = NOON,
        wall_trusted: bool = True,
        boot: str = "boot-1",
    ) -> None:
        self.settings = flat() if settings is None else settings
        self.controller = Controller(self.settings, state)
        self.mono_s, self.wall, self.wall_trusted, self.boot = mono_s, wall, wall_trusted, boot
        self.count = 0
        self.lift_rh_pct = 0.0  # how much wetter the probe sees the air while it is on: mist that works

    @property
    def now(self) -> Instant:
        return Instant(self.mono_s, self.wall, self.wall_trusted, self.boot)

    @property
    def state(self) -> State:
        return self.controller.state

    def step(
        self, rh_pct: float | None = 50.0, temp_c: float = 24.0, *, after_s: float = 10.0, **inputs: Any
    ) -> Decision:
        self.mono_s += after_s
        self.wall += timedelta(seconds=after_s)
        self.count += 1
        if "readings" not in inputs:
            hair = 0.01 * (self.count % 2) + (self.lift_rh_pct if self.controller.state.relay.on else 0.0)
            inputs["readings"] = () if rh_pct is None else (Reading(rh_pct + hair, temp_c),)
        return self.controller.step(Inputs(**inputs), self.now)

    def ask(self, kind: str, room_rh_pct: float | None = 50.0, **figures: Any) -> Decision:
        return self.step(room_rh_pct, requests=(Request(kind, **figures),))

    def run(
        self,
        for_s: float,
        rh_pct: float | None = 50.0,
        temp_c: float = 24.0,
        *,
        tick_s: float = 10.0,
        **inputs: Any,
    ) -> list[Decision]:
        return [self.step(rh_pct, temp_c, after_s=tick_s, **inputs) for _ in range(round(for_s / tick_s))]

    def until(
        self,
        wanted: Callable[[Decision], bool],
        rh_pct: float | None = 50.0,
        *,
        most_s: float,
        tick_s: float = 10.0,
    ) -> float:
        """Steps until ``wanted`` holds; the seconds that took."""
        for count in range(1, round(most_s / tick_s) + 1):
            if wanted(self.step(rh_pct, after_s=tick_s)):
                return count * tick_s
        raise AssertionError(f"did not happen within {most_s} s")

    def restarted(
        self, off_s: float, *, reboot: bool = True, wall_trusted: bool = True, state: State | None = None
    ) -> Rig:
        """A new start from JSON after ``off_s`` of power off (or of the program alone)."""
        return Rig(
            self.settings,
            through_json(self.state if state is None else state),
            mono_s=5.0 if reboot else self.mono_s + off_s,
            wall=self.wall + timedelta(seconds=off_s),
            wall_trusted=wall_trusted,
            boot="boot-2" if reboot else self.boot,
        )


def on(decision: Decision) -> bool:
    return decision.relay_on


def off(decision: Decision) -> bool:
    return not decision.relay_on


def on_time_s(decisions: Iterable[Decision], tick_s: float) -> float:
    return sum(tick_s for decision in decisions if decision.relay_on)


def most_on_s(spans: Sequence[tuple[float, float]], window_s: float = DAY_S) -> float:
    """The most on-time in ANY window: it is reached with an edge of the window on an edge of a span."""
    spans = sorted(span for span in spans if span[1] > span[0])
    starts = [start for start, _ in spans]
    before = [0.0]
    for start, end in spans:
        before.append(before[-1] + end - start)

    def until(at: float) -> float:
        index = bisect_right(starts, at)
        if index == 0:
            return 0.0
        start, end = spans[index - 1]
        return before[index - 1] + min(at, end) - start

    edges = [edge for start, end in spans for edge in (start, end)]
    ends = [*edges, *(edge + window_s for edge in edges)]
    return max((until(at) - until(at - window_s) for at in ends), default=0.0)


class Embedder:
    """A caller in true time that does what ``step`` asks of it, and writes down what its relay did.

    It switches off by itself when a decision is older than ``valid_for_s``, and keeps the state at each
    change of the relay, at each answer, and at each tick while on.
    """

    def __init__(self, settings: Rules, state: State | None = None) -> None:
        self.settings = settings
        self.controller = Controller(settings, state)
        self.true_s = 0.0
        self.booted_s = 0.0
        self.boot = 1
        self.commanded = False
        self.valid_until_s = 0.0
        self.spans: list[tuple[float, float]] = []
        self.kept = self.controller.state

    def pass_time(self, for_s: float) -> bool:
        """Whether the relay was on at all meanwhile."""
        end_s = self.true_s + for_s
        was_on = self.commanded and self.valid_until_s > self.true_s
        if was_on:
            self.spans.append((self.true_s, min(end_s, self.valid_until_s)))
        self.true_s = end_s
        return was_on

    def now(self, wall_trusted: bool) -> Instant:
        wall = NOON + timedelta(seconds=self.true_s)
        return Instant(self.true_s - self.booted_s, wall, wall_trusted, f"boot-{self.boot}")

    def step(self, inputs: Inputs, now: Instant) -> Decision:
        decision = self.controller.step(inputs, now)
        if decision.relay_on or self.commanded or decision.answers:
            self.kept = self.controller.state
        self.commanded = decision.relay_on
        self.valid_until_s = self.true_s + decision.valid_for_s
        return decision

    def stop(self, off_s: float, *, clean: bool, reboot: bool) -> None:
        """Ends the program, relay off; a clean end keeps the latest state, a power cut the last mark."""
        kept = self.controller.state if clean else self.kept
        self.commanded = False
        self.true_s += off_s
        if reboot:
            self.booted_s = self.true_s
            self.boot += 1
        self.controller = Controller(self.settings, through_json(kept))
        self.kept = self.controller.state


def float_paths(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if hasattr(value, "_fields"):
        for name in value._fields:
            yield from float_paths(getattr(value, name), (*path, name))
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from float_paths(item, (*path, index))
    elif isinstance(value, float):
        yield path


def with_figure(value: Any, path: tuple[Any, ...], figure: float) -> Any:
    if not path:
        return figure
    key, *rest = path
    if isinstance(key, str):
        return value._replace(**{key: with_figure(getattr(value, key), tuple(rest), figure)})
    return (*value[:key], with_figure(value[key], tuple(rest), figure), *value[key + 1 :])
