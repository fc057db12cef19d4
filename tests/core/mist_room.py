"""A simulated room for what mist teaches: one air, one outdoors, perhaps a store.

First order: dv/dt = -k (v - v_out) + g on, v in %RH at 24 °C. Five minutes of mist raise such a room by
g (1 - exp(-k 300 s)) / k, in closed form, whatever the schedule. It shares nothing with the core: its
saturation pressure is the Magnus form of Alduchov and Eskridge 1996 (J. Appl. Meteorol. 35), which they give
as within 0.4 % from -40 to 50 °C.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import NamedTuple

from controller.core import effect
from controller.core.effect import EffectMemory

HOUR_S, DAY_S = 3600.0, 86400.0
TICK_S = 60.0


def saturation_pa(temp_c: float) -> float:
    return 610.94 * math.exp(17.625 * temp_c / (temp_c + 243.04))


class Room(NamedTuple):
    """Rates are per hour."""

    k: float = 1.0  # air changes
    g: float = 40.0  # %RH an hour of mist raises a tight room by
    out: float = 30.0  # outdoor vapour, in %RH at 24 °C
    noise: float = 0.1  # standard deviation of one sample
    target: float = 65.0
    pulses: bool = False
    store: float = 0.0  # a wall's or substrate's exchange
    store_h: float = 10.0  # its time constant
    swing_c: float = 2.0  # day and night, up and down
    wander: float = 4.0  # standard deviation of the outdoor vapour, over about half a day
    door_min: float = 0.0  # a day
    lag_s: float = 60.0  # of the probe

    @property
    def five_minutes(self) -> float:
        """The rise by five minutes of mist, closed form."""
        return self.g * (1.0 - math.exp(-self.k / 12.0)) / self.k


class Day(NamedTuple):
    """What a schedule may ask of the moment."""

    t: float
    rh: float
    commanded: bool


Strength = Callable[[float, bool], float]
"""(seconds, commanded) -> which share of its mist the humidifier gives."""


def honest(t: float, commanded: bool) -> float:
    return float(commanded)


class Life:
    """Runs a room and the learner side by side, and notes every doubt."""

    def __init__(self, room: Room, seed: int, tick_s: float = TICK_S) -> None:
        self.room, self.rng, self.tick_s = room, random.Random(seed), tick_s
        self.memory = EffectMemory()
        self.t = 0.0
        self.v = self.slow = self.shown = room.target
        self.out_off = 0.0
        self.on = False
        self.on_s = 0.0
        self.turned_t = -1e9
        self.doubts: list[tuple[float, str]] = []

    def run(self, days: float, strength: Strength = honest) -> Life:
        room, dt, rng = self.room, self.tick_s, self.rng
        for _ in range(round(days * DAY_S / dt)):
            gives = room.g * strength(self.t, self.on)
            was_on = self.on
            self.t += dt
            hour = self.t / HOUR_S % 24.0
            k = room.k + (5.0 if 17.0 <= hour < 17.0 + room.door_min / 60.0 else 0.0)
            h = dt / HOUR_S
            self.out_off += room.wander * math.sqrt(h / 6.0) * rng.gauss(0, 1) - self.out_off * h / 12.0
            rest = room.out + self.out_off + gives / k
            if room.store:
                rest = (k * rest + room.store * self.slow) / (k + room.store)
                self.slow += (self.v - self.slow) * h / room.store_h
            self.v = rest + (self.v - rest) * math.exp(-(k + room.store) * h)
            temp_c = 24.0 + room.swing_c * math.sin(2.0 * math.pi * (hour - 9.0) / 24.0)
            wet = saturation_pa(temp_c) / saturation_pa(24.0)
            self.v = min(self.v, 99.0 * wet)  # the rest condenses
            true_rh = self.v / wet
            self.shown += (true_rh - self.shown) * (1.0 - math.exp(-dt / max(room.lag_s, 1.0)))
            rh = self.shown + rng.gauss(0, room.noise)
            temp = temp_c + rng.gauss(0, 0.03)
            self.on_s += dt if was_on else 0.0
            self.look(rh, temp, was_on)
        return self

    def look(self, rh: float, temp: float, was_on: bool) -> None:
        on_s = self.tick_s if was_on else 0.0
        self.memory = effect.advance(self.memory, self.t, self.tick_s, on_s, rh, temp)
        self.note()
        if (wish := self.wish(rh)) != self.on and self.t - self.turned_t >= 120.0:
            self.on, self.turned_t = wish, self.t

    def wish(self, rh: float) -> bool:
        room = self.room
        if self.memory.verdict.no_mist:  # trial pulses, as on an empty tank
            return self.t % 4500.0 < 900.0
        if not room.pulses:
            return rh < room.target + (2.0 if self.on else -2.0)
        need = room.k * (room.target - room.out) / room.g + 0.12 * (room.target - rh)
        return self.t % 1200.0 < 1200.0 * min(max(need, 0.0), 1.0)

    def note(self) -> None:
        for name, holds in (
            ("none", self.memory.verdict.no_mist),
            ("stray", self.memory.verdict.stray_mist),
            ("weak", self.memory.verdict.weak_share is not None),
        ):
            if holds:
                self.doubts.append((self.t, name))


def some_room(seed: int) -> Room:
    """A room a keeper may have, with a humidifier that is large enough for it."""
    rng = random.Random(seed)
    k = math.exp(rng.uniform(math.log(0.3), math.log(2.5)))
    target, out = rng.uniform(55.0, 75.0), rng.uniform(20.0, 40.0)
    g = min(k * (target - out) * rng.uniform(1.5, 4.0), 100.0)
    return Room(
        k=k, g=g, out=out, noise=rng.choice([0.02, 0.1, 0.3]),
        target=target, pulses=bool(seed % 2), store=rng.choice([0.0, 0.0, 0.5, 2.0]) * k,
        store_h=rng.uniform(3.0, 24.0), swing_c=rng.uniform(0.0, 4.0), wander=rng.uniform(0.0, 6.0),
        door_min=rng.choice([0.0, 20.0]), lag_s=rng.choice([10.0, 60.0, 120.0]),
    )  # fmt: skip
