"""REHEARSED: the walk on simulated parts, for a keeper who wants to see it before.

In:    settings with their simulated room.
Out:   a site whose time is passed on, not waited for; hints at what a person would see.
Never: touches a line, a probe, a file or a lock.

Of the bench's scripted faults those of probe, relay and humidifier hold, so that a failed walk can be seen.
A kill leaves the simulated line off, as a pull-down resistor does, unless ``stays_on`` says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from zoneinfo import ZoneInfo

from controller.commissioning.hand import Hand, Seen
from controller.commissioning.hand_child import MOST_ON_S
from controller.commissioning.mist import FASTEST_TICK_S
from controller.commissioning.real import Until
from controller.core.controller import Controller
from controller.core.records import Instant, Reading
from controller.history.store import SqliteHistory
from controller.keep import MemoryKeep
from controller.loop import Loop, Parts, Teller
from controller.ports import Inbox, Probe, Relay
from controller.settings import Settings
from controller.simulator.faulty import FaultyRelay, make_world
from controller.simulator.world import World
from controller.wiring import make_weather_of

FAULTS = ("probe-", "relay-", "humidifier-")
DEAF = ("probe-frozen", "probe-nan", "probe-zero", "probe-all-ones")
BREATH_RH_PCT = 40.0
BREATH_S = 15.0
STEP_S = 1.0
_KEPT_DAYS = 2.0


class SimulatedHand:
    """Implements ``Hand`` over a simulated relay, with the minute after which it goes off by itself."""

    def __init__(self, relay: Relay, now_s: Callable[[], float], stays_on: bool) -> None:
        self._relay = relay
        self._now_s = now_s
        self._stays_on = stays_on
        self._on = self._gone = False
        self._since_s = 0.0
        relay.switch(False)

    def switch(self, on: bool) -> Seen:
        self._relay.switch(on)
        self._on, self._since_s = on, self._now_s()
        return self.look()

    def look(self) -> Seen:
        if self._on and self._now_s() - self._since_s >= MOST_ON_S:
            self._on = False
            self._relay.switch(False)
        return Seen(self._on, self._relay.seen_on())

    def kill(self) -> None:
        self._gone = True
        if not self._stays_on:
            self._relay.switch(False)

    def close(self) -> None:
        if not self._gone:
            self._relay.switch(False)
        self._gone = True


class BreathedOn:
    """Implements ``ports.Probe``: a simulated one, and somebody's breath on it when it is asked for."""

    def __init__(self, probe: Probe, now_s: Callable[[], float], deaf: Callable[[], bool]) -> None:
        """``deaf``: a scripted fault keeps it from feeling anything."""
        self.name = probe.name
        self._probe = probe
        self._now_s = now_s
        self._deaf = deaf
        self.breathed_at_s = float("-inf")

    def read(self) -> Reading:
        reading = self._probe.read()
        since_s = self._now_s() - self.breathed_at_s
        if reading.rh_pct is None or not 0.0 <= since_s < BREATH_S or self._deaf():
            return reading
        more = BREATH_RH_PCT * since_s / BREATH_S
        return reading._replace(rh_pct=min(99.0, reading.rh_pct + more))


class RehearsedSite:
    """Implements ``scene.Site``. Raises DataFileError or SettingsError for the bench's weather."""

    def __init__(self, settings: Settings, stays_on: bool = False) -> None:
        bench = settings.bench
        faults = tuple(fault for fault in bench.fault if fault.kind.startswith(FAULTS))
        bench = bench.model_copy(update={"days": _KEPT_DAYS, "fault": faults})
        if len(settings.probe) > 1 and bench.second_probe is None:
            bench = bench.model_copy(update={"second_probe": bench.probe})
        weather = make_weather_of(settings, bench.seed)
        self.world: World = make_world(
            bench, settings.tank, weather, ZoneInfo(settings.room.timezone or "UTC")
        )
        self.hints = True
        self.breathes = True
        self._stays_on = stays_on
        self._settings = settings
        self._probes = [
            BreathedOn(probe, lambda: self.world.mono_s, partial(self._deaf, number))
            for number, probe in enumerate(self.world.probes, 1)
        ]
        self._next_breath = 0

    def _deaf(self, number: int) -> bool:
        return any(
            fault.kind in DEAF and fault.probe == number and fault.active(self.world.mono_s)
            for fault in self.world.bench.fault
        )

    @property
    def outlet_on(self) -> bool:
        """The truth, whatever was commanded."""
        return self.world.relay.on

    def pass_time(self, seconds: float) -> None:
        """Second by second, as the walk waits."""
        until_s = self.world.mono_s + seconds
        while self.world.mono_s < until_s:
            if isinstance(self.world.relay, FaultyRelay):
                self.world.relay.look(self.world.mono_s)
            self.world.wait_until(min(self.world.mono_s + STEP_S, until_s))

    def now(self) -> Instant:
        return self.world.now()

    def hint(self, what: str) -> str:
        if what == "outlet":
            return f"(SIMULATED: the lamp is {'lit' if self.outlet_on else 'dark'}.)" if self.hints else ""
        if self.breathes:
            self._probes[self._next_breath].breathed_at_s = self.world.mono_s
            self._next_breath += 1
        return "(SIMULATED: somebody breathes on it.)" if self.hints else ""

    def found(self) -> list[str]:
        count = len(self._probes)
        return [
            "SIMULATED: a board with one relay line   <- the relay",
            *(f"SIMULATED: a probe   <- probe {number}" for number in range(1, count + 1)),
        ]

    def probes(self) -> Sequence[Probe]:
        return self._probes

    def hand(self) -> Hand:
        return SimulatedHand(self.world.relay, lambda: self.world.mono_s, self._stays_on)

    def force_off(self) -> tuple[bool, str]:
        self.world.relay.switch(False)
        return True, "relay driven off (SIMULATED)"

    def forget_line(self) -> None:
        """Nothing was left."""

    def hold(self, inbox: Inbox, teller: Teller, over: Callable[[], bool]) -> None:
        parts = Parts(
            Controller(self._settings), self._probes, self.world.relay, Until(self.world, over),
            MemoryKeep(), inbox, SqliteHistory.in_memory(), (teller,),
        )  # fmt: skip
        Loop(parts, min(self._settings.loop.tick_s, FASTEST_TICK_S)).run()
