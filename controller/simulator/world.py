"""The simulated world: a clock whose waiting moves the room, and a relay that feeds it.

In:    settings, weather, a seed.
Out:   the ports of ``controller.ports`` over one room.
Never: sleeps, asks the real time, or draws a number that the seed does not fix.
"""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from controller.core.records import Instant
from controller.core.tank import TankLimits
from controller.simulator.day import Day
from controller.simulator.keeper import SimulatedKeeper
from controller.simulator.room import Room
from controller.simulator.sensor import SimulatedProbe
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Weather

MINUTE_S = 60.0
ZONE_STEP_S = 900.0
"""No time zone changes its offset inside a quarter of an hour."""


class SimulatedRelay:
    """Implements ``ports.Relay``: does what it is told."""

    def __init__(self) -> None:
        self.on = False
        self.switchings = 0

    def switch(self, on: bool) -> None:
        if on != self.on:
            self.on = on
            self.switchings += 1

    def seen_on(self) -> bool | None:
        return self.on

    def close(self) -> None:
        self.switch(False)


class World:
    """Implements ``ports.Clock``; the others are ``relay``, ``probes`` (``probe``: the first), ``keeper``."""

    def __init__(
        self, bench: BenchSettings, tank: TankLimits, weather: Weather, zone: tzinfo, seed: int
    ) -> None:
        self.bench = bench
        start = bench.starts.replace(tzinfo=zone)
        self._weather = weather
        self._weather_from_s = weather_offset_s(weather, start)
        self.outdoor = weather.at(self._weather_from_s)
        rate = bench.humidifier.output_l_per_h
        self.rate_l_per_h = tank.rate_l_per_h if rate is None else rate
        self.room = Room(
            bench,
            self.rate_l_per_h,
            tank.tank_l,
            self.outdoor.pressure_pa,
        )
        self._day = Day(bench)
        self.relay = SimulatedRelay()
        self.probes = make_probes(bench, seed, self.room)
        self.probe = self.probes[0]
        self.keeper = SimulatedKeeper(bench.keeper, tank.tank_l, start)
        self.start = start
        self.mono_s = 0.0
        self.on_s = 0.0  # outlet on
        self.clock_changes_s = 0.0  # by daylight saving, both ways added up
        self.dry_s = 0.0  # outlet on over an empty tank
        self.lives = self.boots = 1  # starts of the program, of the board
        self.end_s = bench.days * 86400.0
        self._zone = zone
        self._start_epoch_s = start.timestamp()
        self._zone_from_s = -ZONE_STEP_S
        self._zone_wall = start
        self._look_s = self.keeper.next_look.timestamp() - self._start_epoch_s
        self._next_minute_s = 0.0
        self._minute()

    def now(self) -> Instant:
        return Instant(self.mono_s, self.wall(), True, "bench")

    def wall(self) -> datetime:
        """Local time; the zone is asked every quarter of an hour, between that it only counts on."""
        since_s = self.mono_s - self._zone_from_s
        if since_s >= ZONE_STEP_S:
            epoch_s = self._start_epoch_s + self.mono_s
            epoch_s -= epoch_s % ZONE_STEP_S
            before = self._zone_wall.utcoffset()
            self._zone_wall = datetime.fromtimestamp(epoch_s, self._zone)
            after = self._zone_wall.utcoffset()
            if before != after and before is not None and after is not None:
                self.clock_changes_s += abs((after - before).total_seconds())
            self._zone_from_s = epoch_s - self._start_epoch_s
            since_s = self.mono_s - self._zone_from_s
        wall = self._zone_wall + timedelta(seconds=since_s)
        return wall.replace(fold=1) if self._zone_wall.fold else wall  # addition forgets the second 02:30

    def surface_c(self) -> float:
        """What a thermometer on the coldest surface shows, in steps of a tenth."""
        return round(self.room.envelope.wall_temp_c(self.room.temp_c, self.outdoor.temp_c), 1)

    def wait_until(self, mono_s: float) -> bool:
        """Moves the room on to ``mono_s``; False when the rehearsal is over."""
        dt_s = mono_s - self.mono_s
        if mono_s > self.end_s:
            return False
        room, on = self.room, self.relay.on
        if on:
            self.on_s += dt_s
            if room.humidifier.dry:
                self.dry_s += dt_s
        room.advance(dt_s, on, self.outdoor, self.drive)
        misting = room.humidifier.misting
        for probe in self.probes:
            probe.feel(dt_s, room.rh_pct, room.temp_c, misting)
        self.mono_s = mono_s
        if mono_s >= self._next_minute_s:
            self._minute()
        return True

    def _minute(self) -> None:
        """What changes slowly: weather, heating, the keeper's rounds."""
        self._next_minute_s = self.mono_s + MINUTE_S
        self.outdoor = self._weather.at(self._weather_from_s + self.mono_s)
        wall = self.wall()
        self.drive = self._day.drive(wall, self.room)
        if self.mono_s >= self._look_s:
            self.keeper.look_in(self.room, wall)
            self._look_s = self.keeper.next_look.timestamp() - self._start_epoch_s


def make_probes(bench: BenchSettings, seed: int, room: Room) -> tuple[SimulatedProbe, ...]:
    """One or two; the second has random numbers of its own."""
    first = SimulatedProbe(bench.probe, seed, room.rh_pct, room.temp_c)
    if bench.second_probe is None:
        return (first,)
    second = SimulatedProbe(
        bench.second_probe, f"{seed} second probe", room.rh_pct, room.temp_c, "simulated, the second"
    )
    return first, second


def weather_offset_s(weather: Weather, start: datetime) -> float:
    """Where in the series the rehearsal begins: at the same time of the same day of its year."""
    if weather.start is None:
        return 0.0
    began = weather.start
    if began.tzinfo is not None:
        return (start - began).total_seconds() % weather.period_s
    wanted = start.replace(tzinfo=None)
    return (wanted - began).total_seconds() % weather.period_s
