"""One way of control living through one room, and what the true air was meanwhile.

In:    settings, a maker of the decider.
Out:   ``Scores``, from the room's true air at every tick, never from the probe.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import sqrt
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from controller.core import target
from controller.core.records import Inputs, Instant, Reading, Request
from controller.settings import Settings
from controller.simulator.faulty import make_world
from controller.simulator.weather import Weather
from controller.simulator.world import World
from controller.wiring import make_weather_of

SETTLING_DAYS = 7.0
"""Not counted: every way begins in the same dry room, and those that learn know nothing yet."""


class Decides(Protocol):
    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool: ...


class Scores(NamedTuple):
    below_h: float
    above_h: float
    rms_rh_pct: float  # against the setpoint, ramp and all
    peak_rh_pct: float
    switchings_a_day: float
    litres: float
    dry_h: float  # on over an empty tank
    over_cap_s: float  # on-time past the cap in the worst 24 hours
    over_ceiling_h: float

    @property
    def out_h(self) -> float:
        return self.below_h + self.above_h


class Watch:
    """Sums over the true air. ``used`` is the rolling 24 h on-time, by ticks."""

    def __init__(self, settings: Settings) -> None:
        self._limits = settings.target
        self._highest = settings.ceiling.highest_rh_pct
        self._cap_s = settings.runtime.cap_s
        self._on: list[float] = []
        self.below_s = self.above_s = self.over_s = self.square = self.seen_s = self.on_s = 0.0
        self.peak = self.used_s = self.worst_s = 0.0

    def tick(self, world: World, dt_s: float, on: bool, counts: bool) -> None:
        self._on.append(dt_s if on else 0.0)
        self.used_s += self._on[-1]
        most = round(86400.0 / dt_s)
        if len(self._on) > most:
            self.used_s -= self._on[-most - 1]
        self.worst_s = max(self.worst_s, self.used_s - self._cap_s)
        if not counts:
            return
        rh, limits = world.room.rh_pct, self._limits
        wanted = target.wanted(world.wall(), 0.0, 100.0, limits).rh_pct
        self.seen_s += dt_s
        self.square += (rh - wanted) ** 2 * dt_s
        self.below_s += dt_s * (rh < limits.band_low_rh_pct)
        self.above_s += dt_s * (rh > limits.band_high_rh_pct)
        self.over_s += dt_s * (rh > self._highest)
        self.peak = max(self.peak, rh)


Look = Callable[[World], None]


def live(settings: Settings, make: Callable[[Settings, World], Decides], weather: Weather | None = None,
         look: Look | None = None) -> Scores:  # fmt: skip
    """The whole stretch of ``settings.bench.days``. ``look`` is called at every tick."""
    bench = settings.bench
    weather = weather or make_weather_of(settings, bench.seed)
    world = make_world(bench, settings.tank, weather, ZoneInfo("UTC"))
    decides, watch, dt_s = make(settings, world), Watch(settings), settings.loop.tick_s
    t, switched, litres, dry_s = 0.0, 0, 0.0, 0.0
    while True:
        now = world.now()
        readings = tuple(probe.read() for probe in world.probes)
        seen_on = bool(world.relay.seen_on())
        on = decides.step(now, readings, seen_on, world.keeper.poll(now.wall))
        counts = t >= SETTLING_DAYS * 86400.0
        switched += counts and on and not world.relay.on
        world.relay.switch(on)
        if look is not None:
            look(world)
        before_l, before_dry_s = world.room.used_l, world.dry_s
        t += dt_s
        if not world.wait_until(t):
            break
        watch.tick(world, dt_s, on, counts)
        if counts:
            litres += world.room.used_l - before_l
            dry_s += world.dry_s - before_dry_s
    days = max(watch.seen_s, 1.0) / 86400.0
    return Scores(
        watch.below_s / 3600.0, watch.above_s / 3600.0,
        sqrt(watch.square / max(watch.seen_s, 1.0)), watch.peak,
        switched / days, litres, dry_s / 3600.0, max(watch.worst_s, 0.0), watch.over_s / 3600.0,
    )  # fmt: skip


class Ours:
    """The core itself, guards and all."""

    def __init__(self, settings: Settings) -> None:
        from controller.core.controller import Controller

        self.controller = Controller(settings)

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        return self.controller.step(Inputs(readings, on, requests=tuple(requests)), now).relay_on
