"""A room for the room model, written anew from its equation and solved by small steps: truth that is known.

Moisture is vapour pressure in %RH at 24 °C. The room stands at 24 °C, so that RH and moisture go together;
its walls follow the RH with the model's own time, so that every figure has a true value.
"""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from controller.core import air, room_block, room_model, runtime
from controller.core.room_guess import Guess
from controller.core.room_model import RoomMemory
from controller.core.runtime import RuntimeMemory

TEMP_C = 24.0
RH_PER_PCT = 100.0 * room_block.PA_PER_PCT / air.saturation_pressure_pa(TEMP_C)


class Truth(NamedTuple):
    """An hour, as ``records.Room``."""

    gain: float = 110.0
    loss: float = 0.6
    store: float = 2.5
    background: float = 28.0
    dead_s: float = 75.0
    lag_s: float = 30.0
    noise_rh_pct: float = 0.2


class Plant:
    """A hysteresis around 65 %RH, on what the probe shows, keeps it; what it learns is ``memory``."""

    def __init__(self, truth: Truth, seed: int = 1, tick_s: float = 60.0, sub_s: float = 5.0) -> None:
        self.truth, self.tick_s, self.sub_s = truth, tick_s, sub_s
        self.random = Random(seed)
        self.t, self.air, self.shown, self.walls = 0.0, 60.0, 60.0, 60.0
        self.on = False
        self.used, self.memory = RuntimeMemory(), RoomMemory()
        self.coming: list[tuple[float, bool]] = []
        self.mist = False
        self.open_per_h = 0.0
        self.doubtful = False
        self.front = 0.0

    def live(self, hours: float) -> Plant:
        """Goes on for so long."""
        for _ in range(round(hours * 3600.0 / self.tick_s)):
            self.tick()
        return self

    def tick(self) -> None:
        truth, steps = self.truth, round(self.tick_s / self.sub_s)
        for _ in range(steps):
            self.coming.append((self.t + truth.dead_s, self.on))
            while self.coming and self.coming[0][0] <= self.t + 1e-6:
                self.mist = self.coming.pop(0)[1]
            step_h = self.sub_s / 3600.0
            background = truth.background + self.front
            rate = truth.gain * self.mist - (truth.loss + self.open_per_h) * (self.air - background)
            rate += truth.store * (self.walls - self.air) * RH_PER_PCT
            self.air += rate * step_h
            self.walls += (self.air - self.walls) * self.sub_s / room_block.STORE_S
            self.shown += (self.air - self.shown) * self.sub_s / truth.lag_s
            self.t += self.sub_s
        self.front += 0.04 * self.random.gauss(0.0, 1.0) - 0.0005 * self.front  # weather that wanders
        rh_pct = self.shown * RH_PER_PCT + self.random.gauss(0.0, truth.noise_rh_pct)
        on_s = self.tick_s if self.on else 0.0
        self.used = runtime.advance(self.used, self.t, self.tick_s, self.on)
        self.memory = room_model.advance(
            self.memory, self.t, self.tick_s, on_s, self.used, rh_pct, TEMP_C, self.doubtful
        )
        self.on = rh_pct < 67.0 if self.on else rh_pct < 63.0

    @property
    def guess(self) -> Guess:
        return self.memory.guesses[self.memory.best]
