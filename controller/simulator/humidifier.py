"""The simulated humidifier: its kind, its water, and what each switching of its outlet does to it.

In:    seconds, whether its outlet has power, the humidity around it.
Out:   mist that leaves now and becomes humidity after a delay, the water that went, the heat it takes.
Never: makes or loses water: what left the tank has arrived or is on its way.

Kinds, by what they do to the room:
    cold-mist    gives its output whatever the air is; the room pays the heat of evaporation.
    evaporative  gives less the damper the air: nameplate x (100 - RH) / (100 - 40), so the nameplate
                 holds at 40 %RH (linear in the deficit: common practice, no source). The room pays.
    warm-mist    boils. Its electricity pays the evaporation; what is over warms the room. Water of
                 24 °C to steam of 100 °C takes 715 W for each kg/h (IAPWS-95: 2675.6 - 100.7 kJ/kg).

Where the output falls by itself (evaporative, scale), it is renewed when it has moved by a thousandth
of the full output: the water booked and the mist sent are always the same figure.
"""

from __future__ import annotations

from collections import deque
from typing import Literal

from pydantic import Field

from controller.core import air
from controller.core.limits import Limits, Litres, LitresAnHour

NAMEPLATE_RH_PCT = 40.0
"""Humidity at which an evaporative humidifier is taken to give what its plate says."""
RENEW_SHARE = 1e-3


class BenchHumidifier(Limits):
    """What the humidifier really does, whatever its plate says."""

    kind: Literal["cold-mist", "evaporative", "warm-mist"] = Field(
        "cold-mist", description="cold mist, a wick or pad in moving air, or steam"
    )
    output_l_per_h: LitresAnHour | None = Field(
        None, ge=0.005, le=50, description="true output; empty = as the tank settings say"
    )
    dial: float = Field(1.0, ge=0.1, le=1, description="share of the output that its own dial leaves")
    mist_delay_s: float = Field(90.0, ge=0, le=3600, description="until mist has become room humidity")
    scale_loss_pct_per_day: float = Field(
        0.0, ge=0, le=50, description="share of its output lost to scale in 24 h of running"
    )
    reserve_l: Litres = Field(0.0, ge=0, le=100, description="water at the bottom that it cannot draw")
    dry_cutout: bool = Field(True, description="stops by itself when dry; false = keeps running dry")
    resumes: bool = Field(
        True, description="goes on when its outlet has power again; false = waits for its button"
    )
    boiler_w_per_kg_per_h: float = Field(
        750.0, ge=715, le=2000, description="warm mist: electric power for each kg/h, losses included"
    )


class Humidifier:
    """One humidifier. ``coming`` holds (when, kg/s): what the mist in the air changes to, and when.

    One that does not resume was switched on by hand when it was set up; the first time its outlet
    loses power it goes off, and only ``press`` while there is power wakes it.
    """

    def __init__(self, settings: BenchHumidifier, rate_l_per_h: float, tank_l: float) -> None:
        self.tank_l = tank_l
        self.used_l = 0.0
        self.run_s = 0.0  # mist left it
        self.dry_run_s = 0.0  # had power over an empty tank and nothing stopped it
        self.mist_kg_per_s = 0.0  # mist becomes humidity
        self.coming: deque[tuple[float, float]] = deque()
        self._full_kg_per_s = rate_l_per_h / 3600.0 * settings.dial  # a litre of water taken as 1 kg
        self._leaving_kg_per_s = 0.0  # mist leaves the humidifier
        self._delay_s = settings.mist_delay_s
        self._reserve_l = settings.reserve_l
        self._cutout = settings.dry_cutout
        self._evaporates = settings.kind == "evaporative"
        self._kept = 1.0 - settings.scale_loss_pct_per_day / 100.0  # after 24 h of running
        self._steady = not self._evaporates and self._kept == 1.0
        self._boiler_kj_per_kg = settings.boiler_w_per_kg_per_h * 3.6 if settings.kind == "warm-mist" else 0.0
        self._resumes = settings.resumes
        self._asleep = False
        self._powered = False
        self.dead = False  # a scripted fault: it has power and gives nothing

    @property
    def misting(self) -> bool:
        """Whether mist left it at the end of the last ``run``."""
        return self._leaving_kg_per_s > 0.0

    @property
    def share(self) -> float:
        """What scale has left of its output."""
        return float(self._kept ** (self.run_s / 86400.0))

    @property
    def dry(self) -> bool:
        """Whether nothing is left that it could draw."""
        return self.tank_l <= self._reserve_l

    def run(self, dt_s: float, outlet_on: bool, rh_pct: float, elapsed_s: float) -> None:
        """Takes the water of the next ``dt_s`` from the tank and sends its mist on its way."""
        if not self._resumes:
            outlet_on = self._wakes(outlet_on)
        if self.dead:
            outlet_on = False
        running = outlet_on and self.tank_l > self._reserve_l
        rate = 0.0
        if running:
            rate = self._full_kg_per_s if self._steady else self._output(rh_pct)
        if rate != self._leaving_kg_per_s:
            self._leaving_kg_per_s = rate
            self.coming.append((elapsed_s + self._delay_s, rate))
        if running:
            used_l = rate * dt_s
            if used_l < self.tank_l - self._reserve_l:
                self.tank_l -= used_l
                self.used_l += used_l
                self.run_s += dt_s
            else:
                self._draw_the_last(dt_s, rate, elapsed_s)
        elif outlet_on and not self._cutout:
            self.dry_run_s += dt_s

    def press(self) -> None:
        """Somebody presses its button; without power nothing comes of it."""
        if self._powered:
            self._asleep = False

    def takes_kj_per_kg(self, temp_c: float) -> float:
        """Heat a kilogram of its mist takes from the room; below zero where it brings some."""
        return air.vaporisation_heat_kj(temp_c) - self._boiler_kj_per_kg

    def on_its_way_kg(self, elapsed_s: float) -> float:
        """Water that has left the tank and is not yet in the air."""
        at_s, rate, mist_kg = elapsed_s, self.mist_kg_per_s, 0.0
        for when_s, next_rate in self.coming:
            mist_kg += rate * (when_s - at_s)
            at_s, rate = when_s, next_rate
        return mist_kg + rate * (elapsed_s + self._delay_s - at_s)

    def _draw_the_last(self, dt_s: float, rate: float, elapsed_s: float) -> None:
        left_l = self.tank_l - self._reserve_l
        self.tank_l = self._reserve_l
        self.used_l += left_l
        part_s = left_l / rate
        self.run_s += part_s
        if not self._cutout:
            self.dry_run_s += dt_s - part_s
        self._leaving_kg_per_s = 0.0
        self.coming.append((elapsed_s + part_s + self._delay_s, 0.0))

    def _output(self, rh_pct: float) -> float:
        rate = self._full_kg_per_s * self.share
        if self._evaporates:
            rate *= max(0.0, (100.0 - rh_pct) / (100.0 - NAMEPLATE_RH_PCT))
        moved = abs(rate - self._leaving_kg_per_s) > RENEW_SHARE * self._full_kg_per_s
        return rate if moved else self._leaving_kg_per_s

    def _wakes(self, powered: bool) -> bool:
        if self._powered and not powered:
            self._asleep = True
        self._powered = powered
        return powered and not self._asleep
