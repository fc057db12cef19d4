"""The simulated room: one volume of air, one store of moisture, one of heat, one humidifier; more if set.

In:    elapsed seconds, outdoor air, whether the humidifier's outlet is on, what people do.
Out:   true temperature, humidity ratio and RH; water and energy accounts.
Never: knows the controller, a probe, or the time of day (what depends on it is given as a ``Drive``).

Moisture, per kg of dry air (the mass of dry air stands still, at the warm temperature and 60 %RH):
    dW/dt = n (Wo - W) + (M / th) (B - W) + g / m,    dB/dt = (W - B) / th
with n air changes, g evaporated water, B the store in M multiples of the air's own capacity. Both
are solved exactly over each step: at a steady temperature, without sources or enclosures, any tick gives
the same trace, else it differs in the first order of the step (about 0.05 %RH at 30 s). The store answers
to RH: its M is given at the warm temperature and falls as saturation rises, its water stays. Mist
reaches the air after a delay; a switch or a tank running dry inside a step splits it there.

Heat: C dT/dt = Q - (UA + n m cp)(T - To) - g L, with heating that gives what the set temperature
needs, up to its limit, and cooling likewise. Above saturation the excess water condenses and runs off.

Envelope, sources, cooling and enclosures are files of their own; a room without them never runs their code.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from controller.core import air
from controller.simulator.cooling import AIR_HEAT_KJ, water_taken_kg_per_s
from controller.simulator.enclosure import Enclosure
from controller.simulator.envelope import Envelope
from controller.simulator.humidifier import Humidifier
from controller.simulator.moisture import Moisture, factors
from controller.simulator.settings import BenchSettings
from controller.simulator.sources import Sources
from controller.simulator.weather import Outdoor

LONGEST_STEP_S = 60.0
MOST_REMEMBERED = 64


class Drive(NamedTuple):
    """What changes with the time of day."""

    hold_temp_c: float
    open_per_s: float = 0.0  # air changes a second through what stands open
    heated: bool = True  # False: the heating has failed


class Room:
    """State and physics. Public figures: ``temp_c``, ``ratio`` (kg/kg), ``rh_pct``, ``tank_l``."""

    def __init__(
        self,
        bench: BenchSettings,
        rate_l_per_h: float,
        tank_l: float,
        pressure_pa: float = air.STANDARD_PRESSURE_PA,
        longest_step_s: float = LONGEST_STEP_S,
    ) -> None:
        room = bench.room
        self.settings = room
        self.temp_c = room.cool_temp_c
        self.ratio = air.humidity_ratio(self.temp_c, max(room.start_rh_pct, 0.1), pressure_pa)
        self.rh_pct = room.start_rh_pct
        self.store_ratio = self.ratio
        self.humidifier = Humidifier(bench.humidifier, rate_l_per_h, tank_l)
        self.condensed_kg = 0.0
        self.wall_kg = 0.0  # condensed on the coldest surface
        self.vented_kg = 0.0  # carried out by air exchange, less what came in
        self.gained_kg = 0.0  # came into the room's air, less what wall, coil and enclosures took
        self.dried_kg = 0.0  # taken by the cooler's coil
        self.heat_kwh = self.cooling_kwh = self.lost_kwh = self.taken_kwh = 0.0
        reference = air.humidity_ratio(room.warm_temp_c, 60.0, pressure_pa)
        self.dry_air_kg = room.volume_m3 / air.volume_m3(room.warm_temp_c, reference, pressure_pa)
        self.envelope = Envelope(bench.leak, bench.wall, room.air_changes_per_h, room.volume_m3)
        self.sources = Sources(bench.sources)
        self.enclosure: Enclosure | None = None
        if bench.enclosure.volume_m3 > 0.0:
            self.enclosure = Enclosure(bench.enclosure, self.temp_c, self.ratio, pressure_pa)
        self._cooling_kw = 0.0
        self._cooling = bench.cooling if bench.cooling.cooler_w > 0.0 else None
        self._has_sources = bench.sources.any
        self._rich = bool(self._has_sources or self.enclosure or self.envelope.wall or self._cooling)
        self._from_enclosure_kg = 0.0
        self._elapsed_s = 0.0
        self._longest_s = longest_step_s
        self._times_warm = room.store_times_air
        if bench.store.nordtest_class:
            self._times_warm = bench.store.times_air(room.volume_m3, room.warm_temp_c)
        self._warm_pa = air.saturation_pressure_pa(room.warm_temp_c)
        self._saturation_pa = air.saturation_pressure_pa(self.temp_c)
        self._store_s = room.store_hours * 3600.0
        self._times = self._times_at(self._saturation_pa)
        self._moisture_of: dict[tuple[float, float, float], Moisture] = {}
        self._fade_of: dict[tuple[float, float], float] = {}

    @property
    def water_kg(self) -> float:
        """Water in air and store, enclosures included."""
        inside = self.dry_air_kg * (self.ratio + self._times * self.store_ratio)
        return inside + (self.enclosure.water_kg + self._from_enclosure_kg if self.enclosure else 0.0)

    @property
    def tank_l(self) -> float:
        return self.humidifier.tank_l

    @property
    def used_l(self) -> float:
        return self.humidifier.used_l

    @property
    def on_its_way_kg(self) -> float:
        """Water that has left the tank and is not yet in the air."""
        return self.humidifier.on_its_way_kg(self._elapsed_s)

    def advance(self, dt_s: float, outlet_on: bool, outdoor: Outdoor, drive: Drive) -> None:
        """Moves on by ``dt_s``; the outlet was ``outlet_on`` all that time."""
        while dt_s > self._longest_s:
            self._run(self._longest_s, outlet_on, outdoor, drive)
            dt_s -= self._longest_s
        if dt_s > 0.0:
            self._run(dt_s, outlet_on, outdoor, drive)

    def fill(self, tank_l: float) -> None:
        self.humidifier.tank_l = tank_l

    def _run(self, dt_s: float, outlet_on: bool, outdoor: Outdoor, drive: Drive) -> None:
        humidifier = self.humidifier
        humidifier.run(dt_s, outlet_on, self.rh_pct, self._elapsed_s)
        end_s = self._elapsed_s + dt_s
        coming = humidifier.coming
        while coming and coming[0][0] < end_s:
            at_s, rate = coming.popleft()
            part_s = at_s - self._elapsed_s
            if part_s > 1e-6:
                self._mix(part_s, outdoor, drive)
                self._elapsed_s = at_s
            humidifier.mist_kg_per_s = rate
        self._mix(end_s - self._elapsed_s, outdoor, drive)
        self._elapsed_s = end_s

    def _mix(self, dt_s: float, outdoor: Outdoor, drive: Drive) -> None:
        mist = self.humidifier.mist_kg_per_s
        cools_kw = 0.0
        if mist and self.settings.mist_cools:
            cools_kw = mist * self.humidifier.takes_kj_per_kg(self.temp_c)
        n_per_s = self.envelope.air_changes_per_s(self.temp_c, outdoor, drive.open_per_s)
        gains = mist
        if self._rich:
            more, wet = self._gains(dt_s, outdoor)
            gains += more
            if wet:
                cools_kw += wet * air.vaporisation_heat_kj(self.temp_c)
        before_pa = self._saturation_pa
        self._heat(dt_s, outdoor.temp_c, drive, n_per_s, cools_kw)
        self._saturation_pa = saturation_pa = air.saturation_pressure_pa(self.temp_c)
        mass_kg = self.dry_air_kg
        times = self._times_at(0.5 * (before_pa + saturation_pa))
        if times != self._times:  # warmer air holds more: the store's water stays, its balance moves
            if times:
                self.store_ratio *= self._times / times
            self._times = times
        before = self.ratio + times * self.store_ratio
        settled = outdoor.humidity_ratio + gains / (mass_kg * n_per_s)
        air_air, air_store, store_air, store_store = self._moisture(dt_s, n_per_s, times)
        off, store_off = self.ratio - settled, self.store_ratio - settled
        ratio = settled + air_air * off + air_store * store_off
        self.store_ratio = settled + store_air * off + store_store * store_off
        self.gained_kg += gains * dt_s
        self.vented_kg += gains * dt_s - mass_kg * (ratio + times * self.store_ratio - before)

        pressure_pa = outdoor.pressure_pa
        rh_pct = 100.0 * pressure_pa * ratio / ((air.MASS_RATIO + ratio) * saturation_pa)
        if rh_pct > 100.0:
            most = air.MASS_RATIO * saturation_pa / (pressure_pa - saturation_pa)
            self.condensed_kg += (ratio - most) * mass_kg
            ratio, rh_pct = most, 100.0
        if self.enclosure is not None:
            self._from_enclosure_kg += self.enclosure.run(dt_s, self.temp_c, 0.5 * (self.ratio + ratio))
        self.ratio, self.rh_pct = ratio, rh_pct

    def _gains(self, dt_s: float, outdoor: Outdoor) -> tuple[float, float]:
        """(kg/s into the air from elsewhere than the humidifier, kg/s of it that cools the room)."""
        gains = wet = 0.0
        if self._has_sources:
            given_kg, wet_kg = self.sources.run(dt_s, self.temp_c, self.rh_pct)
            gains, wet = given_kg / dt_s, wet_kg / dt_s
        if self._from_enclosure_kg:  # what the last step gave
            gains += self._from_enclosure_kg / dt_s
            self._from_enclosure_kg = 0.0
        if self.envelope.wall is not None:
            drips = self.envelope.condensing_kg_per_s(self.temp_c, self.ratio, outdoor, dt_s, self.dry_air_kg)
            self.wall_kg += drips * dt_s
            gains -= drips
        if self._cooling is not None and self._cooling_kw > 0.0:
            taken = water_taken_kg_per_s(
                self._cooling, self._cooling_kw, self.temp_c, self.ratio, outdoor.pressure_pa,
                dt_s, self.dry_air_kg,
            )  # fmt: skip
            self.dried_kg += taken * dt_s
            gains -= taken
        return gains, wet

    def _heat(self, dt_s: float, outdoor_c: float, drive: Drive, n_per_s: float, taken_kw: float) -> None:
        loss = self.settings.heat_loss_w_per_k * 1e-3 + n_per_s * self.dry_air_kg * AIR_HEAT_KJ
        store = self.settings.heat_store_kj_per_k
        fade = self._fade_of.get((dt_s, loss))
        if fade is None:
            fade = exp(-loss * dt_s / store)
            if len(self._fade_of) >= MOST_REMEMBERED:
                self._fade_of.clear()
            self._fade_of[dt_s, loss] = fade
        start_c = self.temp_c
        needed_c = (drive.hold_temp_c - start_c * fade) / (1.0 - fade)
        heater_kw = loss * (needed_c - outdoor_c) + taken_kw
        most_kw = self.settings.heater_w * 1e-3 if drive.heated else 0.0
        heater_kw = 0.0 if heater_kw < 0.0 else most_kw if heater_kw > most_kw else heater_kw
        net_kw = heater_kw - taken_kw
        if self._cooling is not None:
            needed_c = (self._cooling.cool_above_c - start_c * fade) / (1.0 - fade)
            spare_kw = net_kw - loss * (needed_c - outdoor_c)
            self._cooling_kw = min(max(spare_kw, 0.0), self._cooling.cooler_w * 1e-3)
            net_kw -= self._cooling_kw
            self.cooling_kwh += self._cooling_kw * dt_s / 3600.0
        settled_c = outdoor_c + net_kw / loss
        self.temp_c = settled_c + (start_c - settled_c) * fade
        self.heat_kwh += heater_kw * dt_s / 3600.0
        self.taken_kwh += taken_kw * dt_s / 3600.0
        over_k_s = (settled_c - outdoor_c) * dt_s + (start_c - self.temp_c) * store / loss
        self.lost_kwh += loss * over_k_s / 3600.0

    def _times_at(self, saturation_pa: float) -> float:
        return round(self._times_warm * self._warm_pa / saturation_pa, 4)

    def _moisture(self, dt_s: float, n_per_s: float, times: float) -> Moisture:
        key = (dt_s, n_per_s, times)
        found = self._moisture_of.get(key)
        if found is None:
            found = factors(dt_s, n_per_s, times, self._store_s)
            if len(self._moisture_of) >= MOST_REMEMBERED:  # odd steps; the common one is soon back
                self._moisture_of.clear()
            self._moisture_of[key] = found
        return found
