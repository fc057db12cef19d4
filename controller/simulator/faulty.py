"""A world in which things go wrong: each fault at its own port, on top of the world without faults.

In:    the settings with ``[[bench.fault]]`` tables.
Out:   the same ports as ``World``; ``Killed`` out of ``wait_until`` when the program is struck down.
Never: draws from the random numbers of probe or weather, so that the rest of a run stays what it was.

A fault begins and ends at the first look at or after its time; a strike comes at its own second.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, timedelta, tzinfo
from random import Random

from controller.core.records import Instant, Reading
from controller.core.tank import TankLimits
from controller.simulator.faults import BenchFault, strikes
from controller.simulator.sensor import SimulatedProbe
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Weather
from controller.simulator.world import SimulatedRelay, World

JUMP_EVERY_S = 600.0
# The figures of all-zero and all-one words are those of the SHT4x data sheet's conversion formulas.
FIXED: dict[str, Reading] = {
    "probe-silent": Reading(failure="it does not answer"),
    "probe-nan": Reading(float("nan"), float("nan")),
    "probe-zero": Reading(0.0, -45.0),  # -6 + 0 %RH, cut off at 0; -45 + 0 °C
    "probe-all-ones": Reading(100.0, 130.0),  # -6 + 125 %RH, cut off at 100; -45 + 175 °C
}


class Killed(BaseException):
    """The program is gone, as by SIGKILL: nothing of its own end happens."""


class FaultyProbe(SimulatedProbe):
    """A simulated probe between the room and whoever reads it, and what goes wrong there."""

    def __init__(
        self, sound: SimulatedProbe, faults: Sequence[BenchFault], seed: str, now_s: Callable[[], float]
    ) -> None:
        self.name = sound.name
        self._sound = sound
        self._faults = faults
        self._now_s = now_s
        self._random = Random(seed)
        self._stuck: dict[int, Reading] = {}
        self._jumps_s = [fault.begins_s + self._wait_s() for fault in faults]

    def feel(self, dt_s: float, rh_pct: float, temp_c: float, misting: bool = False) -> None:
        self._sound.feel(dt_s, rh_pct, temp_c, misting)

    def read(self) -> Reading:
        reading = self._sound.read()  # read even when nobody hears it: the noise after it stays the same
        now_s = self._now_s()
        for number, fault in enumerate(self._faults):
            if fault.active(now_s):
                reading = self._spoilt(number, fault, reading, now_s)
            else:
                self._stuck.pop(number, None)
        return reading

    def _spoilt(self, number: int, fault: BenchFault, reading: Reading, now_s: float) -> Reading:
        if fault.kind in FIXED:
            return FIXED[fault.kind]
        if fault.kind == "probe-frozen":
            return self._stuck.setdefault(number, reading)
        if reading.rh_pct is None or reading.rh_pct != reading.rh_pct:
            return reading
        off = fault.amount
        if fault.kind == "probe-drifts":
            off *= (now_s - fault.begins_s) / 86400.0
        elif now_s < self._jumps_s[number]:
            return reading
        else:
            self._jumps_s[number] = now_s + self._wait_s()
        return reading._replace(rh_pct=min(100.0, max(0.0, reading.rh_pct + off)))

    def _wait_s(self) -> float:
        return self._random.expovariate(1.0 / JUMP_EVERY_S)


class FaultyRelay(SimulatedRelay):
    """``on`` is the outlet, ``commanded`` the pin, ``closed`` the contact between them."""

    def __init__(self, faults: Sequence[BenchFault]) -> None:
        super().__init__()
        self._faults = faults
        self.commanded = False
        self.closed = False
        self.mains = True
        self._active: set[str] = set()
        self._seen = False

    def switch(self, on: bool) -> None:
        self.commanded = on
        self.settle()

    def look(self, now_s: float) -> None:
        """Which faults hold now."""
        active = [fault for fault in self._faults if fault.active(now_s)]
        self._active = {fault.kind for fault in active}
        self._seen = any(fault.amount >= 1.0 for fault in active)
        self.settle()

    def settle(self) -> None:
        closed = self.commanded != ("relay-backwards" in self._active)
        if "relay-dead" in self._active:
            closed = False
        elif "relay-welded" in self._active:
            closed = closed or self.closed
        self.closed = closed
        super().switch(closed and self.mains)

    def seen_on(self) -> bool | None:
        return self.closed if self._seen else self.commanded


class FaultyWorld(World):
    """See the module's head. Seconds of the board's clock count from ``booted_s``."""

    def __init__(
        self, bench: BenchSettings, tank: TankLimits, weather: Weather, zone: tzinfo, seed: int
    ) -> None:
        self._faults = bench.fault
        self._full_tank_l = tank.tank_l
        super().__init__(bench, tank, weather, zone, seed)
        probes = []
        for number, sound in enumerate(self.probes, start=1):
            own = [f for f in self._faults if f.kind.startswith("probe-") and f.probe == number]
            made = FaultyProbe(sound, own, f"{seed} faults of probe {number}", lambda: self.mono_s)
            probes.append(made if own else sound)
        self.probes = tuple(probes)
        self.probe = self.probes[0]
        self.pin = FaultyRelay([fault for fault in self._faults if fault.kind.startswith("relay-")])
        self.relay = self.pin
        self.running = True
        self.booted_s = 0.0
        self._ahead = strikes(self._faults, self.end_s)
        self._behind_s, self._clock_right_s = 0.0, 0.0  # a clock that stood still without power, until when
        self._untold = [fault for fault in self._faults if fault.kind == "tank-filled-untold"]
        self.leaked_l = 0.0

    def now(self) -> Instant:
        """What the board's own clock says."""
        now_s, wall, trusted = self.mono_s, self.wall(), True
        off_s = 0.0
        if now_s < self._clock_right_s:
            off_s, trusted = -self._behind_s, False
        for fault in self._faults:
            if fault.kind.startswith("clock-") and fault.amount and fault.active(now_s):
                off_s += fault.amount * 3600.0
                trusted = trusted and fault.kind == "clock-jump"
        if off_s:
            wall = (wall.astimezone(UTC) + timedelta(seconds=off_s)).astimezone(wall.tzinfo)
        return Instant(now_s - self.booted_s, wall, trusted, f"bench {self.boots}")

    def wait_until(self, mono_s: float) -> bool:
        """As ``World``; raises ``Killed`` when the program is struck down on the way."""
        until_s = mono_s + self.booted_s
        if self._ahead and self._ahead[0].at_s <= min(until_s, self.end_s):
            self._move(max(self._ahead[0].at_s, self.mono_s))
            self.running = False
            raise Killed
        return self._move(until_s)

    def away(self, tick_s: float, looked: Callable[[], None]) -> bool:
        """Time passes without the program, its pin unpowered; False when the rehearsal ends meanwhile."""
        strike = self._ahead.pop(0)
        pin = self.pin
        pin.mains = not strike.power
        pin.switch(False)
        while self.mono_s < strike.resumes_s:
            if not self._move(min(self.mono_s + tick_s, strike.resumes_s)):
                return False
            looked()
        pin.mains = True
        pin.settle()
        if strike.power:
            if self.mono_s >= self._clock_right_s:  # it had been put right since the last cut
                self._behind_s = 0.0
            self._behind_s += strike.resumes_s - strike.at_s
            self._clock_right_s = max(self._clock_right_s, strike.clock_right_s)
            self.boots += 1
            self.booted_s = self.mono_s
        self.lives += 1
        self.running = True
        return True

    def _move(self, until_s: float) -> bool:
        now_s = self.mono_s
        if until_s > self.end_s:
            return False
        self.pin.look(now_s)
        self._trouble_humidifier(now_s, until_s - now_s)
        return super().wait_until(until_s)

    def _trouble_humidifier(self, now_s: float, dt_s: float) -> None:
        humidifier = self.room.humidifier
        humidifier.dead = False
        for fault in self._faults:
            if not fault.active(now_s):
                continue
            if fault.kind == "humidifier-dead":
                humidifier.dead = True
            elif fault.kind == "tank-leaks":
                lost_l = min(humidifier.tank_l, fault.amount * dt_s / 3600.0)
                humidifier.tank_l -= lost_l
                self.leaked_l += lost_l
            elif fault in self._untold:
                self._untold.remove(fault)
                self.room.fill(self._full_tank_l)

    def _minute(self) -> None:
        super()._minute()
        for fault in self._faults:
            if fault.kind == "heating-fails" and fault.active(self.mono_s):
                self.drive = self.drive._replace(heated=False)
            elif fault.kind == "door-open" and fault.active(self.mono_s):
                open_per_s = self.drive.open_per_s + fault.amount / 3600.0
                self.drive = self.drive._replace(open_per_s=open_per_s)


def make_world(bench: BenchSettings, tank: TankLimits, weather: Weather, zone: tzinfo) -> World:
    """With no fault the world is the plain one, and nothing is wrapped."""
    return (FaultyWorld if bench.fault else World)(bench, tank, weather, zone, bench.seed)
