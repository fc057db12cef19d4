"""The simulated world: a clock whose waiting moves the room, and a relay that feeds it.

In:    settings, weather, a seed.
Out:   the ports of ``controller.ports`` over one room.
Never: sleeps, asks the real time, or draws a number that the seed does not fix.
"""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from controller.core.limits import seconds_of_day
from controller.core.records import Instant
from controller.core.tank import TankLimits
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
    """Implements ``ports.Clock``. ``relay``, ``probe`` and ``keeper`` are the other ports."""

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
            bench.room,
            bench.humidifier,
            self.rate_l_per_h,
            tank.tank_l,
            self.outdoor.pressure_pa,
        )
        self.relay = SimulatedRelay()
        self.probe = SimulatedProbe(bench.probe, seed, self.room.rh_pct, self.room.temp_c)
        self.keeper = SimulatedKeeper(bench.keeper, tank.tank_l, start)
        self.start = start
        self.mono_s = 0.0
        self.on_s = 0.0  # outlet on
        self.dry_s = 0.0  # outlet on over an empty tank
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
            self._zone_wall = datetime.fromtimestamp(epoch_s, self._zone)
            self._zone_from_s = epoch_s - self._start_epoch_s
            since_s = self.mono_s - self._zone_from_s
        wall = self._zone_wall + timedelta(seconds=since_s)
        return wall.replace(fold=1) if self._zone_wall.fold else wall  # addition forgets the second 02:30

    def wait_until(self, mono_s: float) -> bool:
        """Moves the room on to ``mono_s``; False when the rehearsal is over."""
        dt_s = mono_s - self.mono_s
        if mono_s > self.end_s:
            return False
        room, on = self.room, self.relay.on
        if on:
            self.on_s += dt_s
            if room.tank_l <= 0.0:
                self.dry_s += dt_s
        room.advance(dt_s, on, self.outdoor, self.hold_temp_c)
        self.probe.feel(dt_s, room.rh_pct, room.temp_c)
        self.mono_s = mono_s
        if mono_s >= self._next_minute_s:
            self._minute()
        return True

    def _minute(self) -> None:
        """What changes slowly: weather, heating, the keeper's rounds."""
        self._next_minute_s = self.mono_s + MINUTE_S
        self.outdoor = self._weather.at(self._weather_from_s + self.mono_s)
        wall = self.wall()
        begin_s, length_s = self.bench.room.warm_s
        warm = (seconds_of_day(wall.time()) - begin_s) % 86400 < length_s
        self.hold_temp_c = self.bench.room.warm_temp_c if warm else self.bench.room.cool_temp_c
        if self.mono_s >= self._look_s:
            self.keeper.look_in(self.room, wall)
            self._look_s = self.keeper.next_look.timestamp() - self._start_epoch_s


def weather_offset_s(weather: Weather, start: datetime) -> float:
    """Where in the series the rehearsal begins: at the same time of the same day of its year."""
    if weather.start is None:
        return 0.0
    began = weather.start
    if began.tzinfo is not None:
        return (start - began).total_seconds() % weather.period_s
    wanted = start.replace(tzinfo=None)
    return (wanted - began).total_seconds() % weather.period_s
