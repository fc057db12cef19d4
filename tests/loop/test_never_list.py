"""The never-list over the real loop with its state kept on real files, killed and restarted at random.

The world keeps its own ledger: when the relay was really on, on true elapsed time, the hours without
power included, and how much water there really was. What the program believes must not fall short of it.
"""

from __future__ import annotations

import os
import random
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Reading, Request
from controller.keep import FileKeep
from controller.loop import Loop
from controller.settings import Settings
from tests.loop.helpers import DAY_S, NOON, Bench, FakeClock, FakeInbox, FakeProbe, FakeRelay, flat

ROUNDING_S = 1e-3


class Ledger:
    """True spans of on-time, seconds since the beginning of the world."""

    def __init__(self) -> None:
        self.spans: list[tuple[float, float]] = []

    def on(self, from_s: float, to_s: float) -> None:
        if to_s <= from_s:
            return
        if self.spans and self.spans[-1][1] >= from_s:
            self.spans[-1] = (self.spans[-1][0], to_s)
        else:
            self.spans.append((from_s, to_s))

    def used_s(self, at_s: float) -> float:
        """On-time in the 24 h before ``at_s``."""
        return sum(max(0.0, min(end, at_s) - max(start, at_s - DAY_S)) for start, end in self.spans)

    def most_in_any_day_s(self) -> float:
        """The sum over a sliding window is greatest where a window ends with a run."""
        return max((self.used_s(end) for _, end in self.spans), default=0.0)


class Killed(BaseException):
    """SIGKILL or a power cut: nothing of the loop's own end is run."""


class World:
    """A dry room, a relay that is off without power, a clock, and a seeded fate."""

    def __init__(self, folder: Path, settings: Settings, seed: int, tick_s: float) -> None:
        self.folder, self.settings, self.tick_s = folder, settings, tick_s
        self.fate = random.Random(seed)
        self.true_s = 0.0
        self.boot = 0
        self.mono_base_s = 0.0
        self.ledger = Ledger()
        self.tank_l = settings.tank.tank_l  # truly in the tank
        self.level_l: float | None = None  # as believed, to see it rise
        self.faults: list[str] = []
        self.rises: list[str] = []
        self.trusted = True
        self.restarts = 0
        self.decisions = 0
        self.ons = 0

    def run(self, for_s: float, clean_share: float) -> None:
        while self.true_s < for_s:
            life_s = self.fate.choice((self.fate.uniform(0.0, 900.0), self.fate.uniform(0.0, 20 * 3600.0)))
            self.live(min(life_s, for_s - self.true_s), clean=self.fate.random() < clean_share)
            self.lie(self.fate.choice((0.5, 30.0, 900.0, 8 * 3600.0, 30 * 3600.0)))
            self.restarts += 1

    def live(self, life_s: float, clean: bool) -> None:
        """One process, ended in good order or killed; the relay is off from then on."""
        keep = FileKeep(self.folder)
        kept = keep.load(self.settings.runtime.cap_s)
        assert not kept.remarks
        clock = FakeClock(
            life_s if clean else 10 * DAY_S,
            self.mono_base_s + self.true_s,
            NOON + timedelta(seconds=self.true_s),
            self.trusted,
            f"boot-{self.boot}",
        )
        if not self.trusted:
            clock.wall -= timedelta(days=self.fate.uniform(0.0, 300.0))  # a board without a battery
        relay = FakeRelay()
        began_s = self.true_s
        real_wait = clock.wait_until

        def wait(mono_s: float) -> bool:
            before_s = clock.mono_s
            dies_at_s = clock.began_s + life_s
            if not clean and mono_s > dies_at_s:
                self.passes(dies_at_s - before_s, relay)
                raise Killed
            going = real_wait(mono_s)
            if not going:  # the wish to stop comes somewhere between two ticks
                clock.pass_s(clock.end_s - before_s)
            self.passes(clock.mono_s - before_s, relay)
            return going

        clock.wait_until = wait  # type: ignore[method-assign]
        if not self.trusted and self.fate.random() < 0.7:  # the network comes up, later
            clock.hooks.append(self.later_trusted(clock, self.fate.uniform(30.0, 7200.0)))
        inbox = FakeInbox()
        clock.hooks.append(lambda _: self.keeper(inbox))
        if self.level_l is None:
            self.tank_l = self.settings.tank.tank_l
            inbox.asked.append(Request("refilled"))
        bench = Bench(self.settings)
        parts = bench.parts(
            controller=Controller(self.settings, kept.state), relay=relay, clock=clock, keep=keep,
            inbox=inbox, tellers=(self,), probes=(Doubtful(self.fate),),
        )  # fmt: skip
        loop = Loop(parts, self.tick_s)
        if not clean:
            loop._end = lambda: None  # type: ignore[method-assign]  # SIGKILL runs no "finally"
        try:
            loop.run()
        except Killed:
            assert not clean
        assert self.true_s <= began_s + life_s + self.tick_s

    def later_trusted(self, clock: FakeClock, after_s: float) -> Any:
        def hook(since_s: float) -> None:
            if not clock.trusted and since_s >= after_s:
                clock.trusted = True
                clock.wall = NOON + timedelta(seconds=self.true_s + self.tick_s)

        return hook

    def lie(self, gap_s: float) -> None:
        """Without a process; a long lie was a power cut, after which elapsed time begins anew."""
        self.true_s += gap_s
        if gap_s >= 900.0 or self.fate.random() < 0.3:
            self.boot += 1
            self.mono_base_s = self.fate.uniform(5.0, 60.0) - self.true_s
            self.trusted = self.fate.random() < 0.5

    def passes(self, seconds: float, relay: FakeRelay) -> None:
        if relay.on:
            self.ledger.on(self.true_s, self.true_s + seconds)
            self.tank_l = max(0.0, self.tank_l - seconds * self.settings.tank.rate_l_per_s)
        self.true_s += seconds

    def keeper(self, inbox: FakeInbox) -> None:
        if self.fate.random() < self.tick_s / (12 * 3600.0):
            self.tank_l = self.settings.tank.tank_l
            inbox.asked.append(Request("refilled"))

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        self.decisions += 1
        self.ons += decision.relay_on
        short_s = self.ledger.used_s(self.true_s) - decision.used_s
        if short_s > ROUNDING_S:
            self.faults.append(f"{self.true_s:.1f}: believes {short_s:.1f} s less than it ran")
        noted = any(answer.done and answer.request.kind == "refilled" for answer in decision.answers)
        level_l = decision.tank_l
        if level_l is not None:
            if not noted and self.level_l is not None and level_l > self.level_l + 1e-9:
                self.rises.append(f"{self.true_s:.1f}: tank rose from {self.level_l:.3f} to {level_l:.3f}")
            self.level_l = level_l
        if decision.relay_on and decision.rh_pct is None:
            self.faults.append(f"{self.true_s:.1f}: on without a believed reading")


class Doubtful(FakeProbe):
    """A dry room, and now and then some minutes without an answer."""

    def __init__(self, fate: random.Random) -> None:
        super().__init__()
        self._fate = fate
        self._silent = 0

    def read(self) -> Reading:
        self._silent = max(0, self._silent - 1)
        if self._fate.random() < 0.002:
            self._silent = 15
        return Reading(failure="silent") if self._silent else super().read()


def settings_of(cap_h: float, tick_s: float) -> Settings:
    return flat(
        runtime={"cap_hours_in_any_24": cap_h, "useful_run_minutes": 20},
        trust={"oldest_s": max(30.0, tick_s), "bridge_s": max(60.0, tick_s)},
        loop={"tick_s": tick_s},
        tank={"tank_l": 4.0, "output_l_per_h": 0.3},
    )


@pytest.fixture
def no_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """These files outlive no real power cut; waiting for the disk would only be slow."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


CASES = [(seed, (30.0, 60.0, 300.0)[seed % 3], (0.5, 2.0, 6.0)[seed % 4 % 3]) for seed in range(12)]


@pytest.mark.usefixtures("no_sync")
@pytest.mark.parametrize(("seed", "tick_s", "cap_h"), CASES)
def test_killed_at_random(tmp_path: Path, seed: int, tick_s: float, cap_h: float) -> None:
    world = World(tmp_path, settings_of(cap_h, tick_s), seed, tick_s)
    world.run(5 * DAY_S, clean_share=0.0)
    assert world.restarts >= 3
    assert world.ons > 10
    assert world.faults == []
    assert world.ledger.most_in_any_day_s() <= cap_h * 3600.0 + ROUNDING_S


@pytest.mark.usefixtures("no_sync")
@pytest.mark.parametrize(("seed", "tick_s", "cap_h"), CASES)
def test_stopped_in_good_order_or_killed(tmp_path: Path, seed: int, tick_s: float, cap_h: float) -> None:
    world = World(tmp_path, settings_of(cap_h, tick_s), seed + 100, tick_s)
    world.run(5 * DAY_S, clean_share=0.6)
    assert world.faults == []
    assert world.ledger.most_in_any_day_s() <= cap_h * 3600.0 + ROUNDING_S


@pytest.mark.usefixtures("no_sync")
@pytest.mark.parametrize("seed", range(4))
def test_the_tank_never_rises_without_a_note(tmp_path: Path, seed: int) -> None:
    world = World(tmp_path, settings_of(12.0, 60.0), seed + 200, 60.0)
    world.run(4 * DAY_S, clean_share=0.3)
    assert world.level_l is not None
    assert world.rises == []
