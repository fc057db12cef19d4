"""The simulated room: one volume of air, one store of moisture, one of heat, one humidifier.

In:    elapsed seconds, outdoor air, whether the humidifier's outlet is on.
Out:   true temperature, humidity ratio and RH; water in the tank.
Never: knows the controller, a probe, or the time of day (the temperature to hold is given).

Moisture, per kg of dry air (the mass of dry air stands still, at the warm temperature and 60 %RH):
    dW/dt = n (Wo - W) + (M / th) (B - W) + g / m,    dB/dt = (W - B) / th
with n air changes, g evaporated water, B the store in M multiples of the air's own capacity. Both
are solved exactly over each step, so any tick gives the same trace. Mist reaches the air after a
delay; a switch or a tank running dry inside a step splits it there.

Heat: C dT/dt = Q - (UA + n m cp)(T - To) - g L, with heating that gives what the set temperature
needs, up to its limit. Above saturation the excess water is taken to condense and run off.
"""

from __future__ import annotations

from collections import deque
from math import cosh, exp, sinh, sqrt
from typing import TypeVar

from controller.core import air
from controller.simulator.settings import BenchHumidifier, BenchRoom
from controller.simulator.weather import Outdoor

AIR_HEAT_KJ = 1.006
"""kJ/(kg K) of dry air, as in ASHRAE HoF 2017 ch.1 eq.30."""
LONGEST_STEP_S = 60.0
_T = TypeVar("_T")


class Room:
    """State and physics. Public figures: ``temp_c``, ``ratio`` (kg/kg), ``rh_pct``, ``tank_l``."""

    def __init__(
        self,
        room: BenchRoom,
        humidifier: BenchHumidifier,
        rate_l_per_h: float,
        tank_l: float,
        pressure_pa: float = air.STANDARD_PRESSURE_PA,
    ) -> None:
        self.settings = room
        self.temp_c = room.cool_temp_c
        self.ratio = air.humidity_ratio(self.temp_c, max(room.start_rh_pct, 0.1), pressure_pa)
        self.rh_pct = room.start_rh_pct
        self.store_ratio = self.ratio
        self.tank_l = tank_l
        self.used_l = 0.0
        self.condensed_kg = 0.0
        self.heat_kwh = 0.0
        reference = air.humidity_ratio(room.warm_temp_c, 60.0, pressure_pa)
        self.dry_air_kg = room.volume_m3 / air.volume_m3(room.warm_temp_c, reference, pressure_pa)
        self._n_per_s = room.air_changes_per_h / 3600.0
        self._loss_kw_per_k = room.heat_loss_w_per_k * 1e-3 + self._n_per_s * self.dry_air_kg * AIR_HEAT_KJ
        self._rate_kg_per_s = rate_l_per_h / 3600.0  # a litre of water taken as 1 kg
        self._delay_s = humidifier.mist_delay_s
        self._elapsed_s = 0.0
        self._misting = False  # mist leaves the humidifier
        self._mist_kg_per_s = 0.0  # mist becomes humidity
        self._coming: deque[tuple[float, float]] = deque()  # (when, rate) after the delay
        self._moisture_of: dict[float, tuple[float, float, float, float]] = {}
        self._heat_of: dict[float, float] = {}

    def advance(self, dt_s: float, outlet_on: bool, outdoor: Outdoor, hold_temp_c: float) -> None:
        """Moves on by ``dt_s``; the outlet was ``outlet_on`` all that time."""
        while dt_s > LONGEST_STEP_S:
            self._run(LONGEST_STEP_S, outlet_on, outdoor, hold_temp_c)
            dt_s -= LONGEST_STEP_S
        if dt_s > 0.0:
            self._run(dt_s, outlet_on, outdoor, hold_temp_c)

    def fill(self, tank_l: float) -> None:
        self.tank_l = tank_l

    def _run(self, dt_s: float, outlet_on: bool, outdoor: Outdoor, hold_temp_c: float) -> None:
        self._humidifier(dt_s, outlet_on)
        end_s = self._elapsed_s + dt_s
        coming = self._coming
        while coming and coming[0][0] < end_s:
            at_s, rate = coming.popleft()
            part_s = at_s - self._elapsed_s
            if part_s > 1e-6:
                self._mix(part_s, outdoor, hold_temp_c)
                self._elapsed_s = at_s
            self._mist_kg_per_s = rate
        self._mix(end_s - self._elapsed_s, outdoor, hold_temp_c)
        self._elapsed_s = end_s

    def _humidifier(self, dt_s: float, outlet_on: bool) -> None:
        """Takes water from the tank and sends mist on its way."""
        running = outlet_on and self.tank_l > 0.0
        if running != self._misting:
            self._misting = running
            rate = self._rate_kg_per_s if running else 0.0
            self._coming.append((self._elapsed_s + self._delay_s, rate))
        if running:
            used_l = self._rate_kg_per_s * dt_s
            if used_l >= self.tank_l:
                used_l = self.tank_l
                dry_s = self._elapsed_s + used_l / self._rate_kg_per_s
                self._misting = False
                self._coming.append((dry_s + self._delay_s, 0.0))
            self.tank_l -= used_l
            self.used_l += used_l

    def _mix(self, dt_s: float, outdoor: Outdoor, hold_temp_c: float) -> None:
        mist = self._mist_kg_per_s
        settled = outdoor.humidity_ratio + mist / (self.dry_air_kg * self._n_per_s)
        factors = self._moisture_of.get(dt_s)
        if factors is None:
            factors = self._moisture_factors(dt_s)
        air_air, air_store, store_air, store_store = factors
        off, store_off = self.ratio - settled, self.store_ratio - settled
        ratio = settled + air_air * off + air_store * store_off
        self.store_ratio = settled + store_air * off + store_store * store_off

        self._heat(dt_s, outdoor.temp_c, hold_temp_c, mist if self.settings.mist_cools else 0.0)
        saturation_pa = air.saturation_pressure_pa(self.temp_c)
        pressure_pa = outdoor.pressure_pa
        rh_pct = 100.0 * pressure_pa * ratio / ((air.MASS_RATIO + ratio) * saturation_pa)
        if rh_pct > 100.0:
            most = air.MASS_RATIO * saturation_pa / (pressure_pa - saturation_pa)
            self.condensed_kg += (ratio - most) * self.dry_air_kg
            ratio, rh_pct = most, 100.0
        self.ratio, self.rh_pct = ratio, rh_pct

    def _heat(self, dt_s: float, outdoor_c: float, hold_temp_c: float, mist_kg_per_s: float) -> None:
        fade = self._heat_of.get(dt_s)
        if fade is None:
            fade = exp(-self._loss_kw_per_k * dt_s / self.settings.heat_store_kj_per_k)
            self._remember(self._heat_of, dt_s, fade)
        taken_kw = mist_kg_per_s * air.vaporisation_heat_kj(self.temp_c) if mist_kg_per_s else 0.0
        needed_c = (hold_temp_c - self.temp_c * fade) / (1.0 - fade)
        heater_kw = self._loss_kw_per_k * (needed_c - outdoor_c) + taken_kw
        most_kw = self.settings.heater_w * 1e-3
        heater_kw = 0.0 if heater_kw < 0.0 else most_kw if heater_kw > most_kw else heater_kw
        self.heat_kwh += heater_kw * dt_s / 3600.0
        settled_c = outdoor_c + (heater_kw - taken_kw) / self._loss_kw_per_k
        self.temp_c = settled_c + (self.temp_c - settled_c) * fade

    def _moisture_factors(self, dt_s: float) -> tuple[float, float, float, float]:
        """The 2x2 matrix exponential of the moisture equations over ``dt_s``."""
        n, times = self._n_per_s, self.settings.store_times_air
        back = 1.0 / (self.settings.store_hours * 3600.0)
        into = times * back
        mean, det = -0.5 * (n + into + back), n * back
        root = sqrt(max(mean * mean - det, 1e-30))
        scale = exp(mean * dt_s)
        even, odd = scale * cosh(root * dt_s), scale * sinh(root * dt_s) / root
        factors = (
            even + odd * (-n - into - mean),
            odd * into,
            odd * back,
            even + odd * (-back - mean),
        )
        self._remember(self._moisture_of, dt_s, factors)
        return factors

    @staticmethod
    def _remember(store: dict[float, _T], dt_s: float, value: _T) -> None:
        if len(store) >= 64:  # odd steps around switchings; the common one is soon back
            store.clear()
        store[dt_s] = value
