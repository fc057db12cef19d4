"""The room as a planner may know it: its moisture, slot by slot, linear in the mist.

In:    a rehearsal of the room under any control, from which everything but the mist is taken.
Out:   ``Ticks`` (one linear map a tick) and ``Slots`` (one a slot, with the mist's delay inside).
Never: decides, or holds for a room whose moisture is not linear (enclosures, sleepers, a wet wall, a cooler).

The physics is the simulator's own (``simulator/moisture.py``). What is not linear in the mist is taken as
the rehearsal had it: the temperature, which the mist moves only where the heating is at its limit, and the
store's capacity, which follows it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.core import air, target
from controller.settings import Settings
from controller.simulator.moisture import factors
from controller.simulator.world import World

Floats = NDArray[np.float64]
SLOT_S = 600.0
DAY_S = 86400.0

_factors = lru_cache(maxsize=65536)(factors)


class Ticks(NamedTuple):
    """Per tick k, from its start to its end: (air, store) -> keep @ (air, store) + still + mist x share.

    Humidity ratios in kg/kg; ``share`` is the mist that arrives in the tick over the most that can.
    """

    dt_s: float
    keep: Floats  # (n, 2, 2)
    still: Floats  # (n, 2)
    mist: Floats  # (n, 2)
    saturation_pa: Floats  # (n + 1,) at the start of each
    pressure_pa: Floats  # (n + 1,)
    setpoint_rh_pct: Floats  # (n + 1,)
    start: tuple[float, float]
    fills: tuple[int, ...]  # ticks before which the keeper looked in
    delay_s: float
    rate_l_per_h: float

    def rh_pct(self, ratio: Floats, at: slice | NDArray[np.int64]) -> Floats:
        return 100.0 * self.pressure_pa[at] * ratio / ((air.MASS_RATIO + ratio) * self.saturation_pa[at])

    def ratio(self, rh_pct: Floats | float, at: slice | NDArray[np.int64]) -> Floats:
        part_pa = np.asarray(rh_pct) / 100.0 * self.saturation_pa[at]
        return np.asarray(air.MASS_RATIO * part_pa / (self.pressure_pa[at] - part_pa))


class Recorder:
    """A ``live.Look`` that keeps what the planner may know."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._rows: list[tuple[float, ...]] = []
        self._start: tuple[float, float] | None = None
        self._still: tuple[float, float] = (0.0, 0.0)

    def __call__(self, world: World) -> None:
        room, outdoor = world.room, world.outdoor
        if self._start is None:
            bench = self._settings.bench
            if (
                room._rich
                or bench.humidifier.kind == "evaporative"
                or bench.humidifier.scale_loss_pct_per_day
            ):
                raise ValueError("the planner knows only rooms whose moisture is linear in the mist")
            self._start = (room.ratio, room.store_ratio)
            self._still = (room.dry_air_kg, world.rate_l_per_h)
        open_per_s = room.envelope.air_changes_per_s(room.temp_c, outdoor, world.drive.open_per_s)
        wanted = target.wanted(world.wall(), 0.0, 100.0, self._settings.target).rh_pct
        self._rows.append(
            (room._saturation_pa, room._times, open_per_s, outdoor.humidity_ratio, outdoor.pressure_pa,
             wanted, world.keeper.next_look.timestamp())
        )  # fmt: skip

    def ticks(self) -> Ticks:
        if self._start is None or len(self._rows) < 2:
            raise ValueError("nothing was recorded")
        rows = np.array(self._rows)
        saturation, times, per_s, outside, pressure, wanted, look = rows.T
        dt_s, n = self._settings.loop.tick_s, len(rows) - 1
        store_s = self._settings.bench.room.store_hours * 3600.0
        dry_air_kg, rate = self._still
        keep, mist = np.empty((n, 2, 2)), np.empty((n, 2))
        full_kg_per_s = rate / 3600.0 * self._settings.bench.humidifier.dial
        for k in range(n):
            step = _factors(dt_s, float(per_s[k]), float(times[k + 1]), store_s)
            keep[k] = ((step.air_air, step.air_store), (step.store_air, step.store_store))
            mist[k] = (1.0 - keep[k].sum(axis=1)) * full_kg_per_s / (dry_air_kg * per_s[k])
        still = (1.0 - keep.sum(axis=2)) * outside[:n, None]
        keep[:, :, 1] *= (times[:n] / times[1:])[
            :, None
        ]  # warmer: the store's water stays, its balance moves
        fills = tuple(int(k) for k in np.flatnonzero(look[1:] != look[:-1]) + 1)
        return Ticks(
            dt_s, keep, still, mist, saturation, pressure, wanted, self._start, fills,
            self._settings.bench.humidifier.mist_delay_s, rate,
        )  # fmt: skip


class Slots(NamedTuple):
    """Per slot j: state at its end = keep @ state + still + now x share[j] + before x share[j - 1]."""

    slot_s: float
    keep: Floats  # (m, 2, 2)
    still: Floats  # (m, 2)
    now: Floats  # (m, 2)
    before: Floats  # (m, 2)
    ends: NDArray[np.int64]  # the tick at each slot's end

    def run(self, start: tuple[float, float], shares: Floats) -> Floats:
        """States at the ends of the slots, (m, 2)."""
        state, earlier, states = np.array(start), 0.0, np.empty((len(shares), 2))
        for j, share in enumerate(shares):
            state = self.keep[j] @ state + self.still[j] + self.now[j] * share + self.before[j] * earlier
            states[j], earlier = state, share
        return states


def slots_of(ticks: Ticks, slot_s: float = SLOT_S) -> Slots:
    """Mist given evenly over a slot arrives after its delay: the last of it in the next slot."""
    each = round(slot_s / ticks.dt_s)
    if ticks.delay_s > slot_s:
        raise ValueError(f"a slot of {slot_s:g} s is shorter than the mist's delay of {ticks.delay_s:g} s")
    many = len(ticks.keep) // each
    keep = np.broadcast_to(np.eye(2), (many, 2, 2)).copy()
    still, now, before = np.zeros((many, 2)), np.zeros((many, 2)), np.zeros((many, 2))
    for k in range(each):
        at = slice(k, many * each, each)
        step = ticks.keep[at]
        of_now = min(max((k + 1) * ticks.dt_s - ticks.delay_s, 0.0), ticks.dt_s) / ticks.dt_s
        keep = step @ keep
        still = (step @ still[..., None])[..., 0] + ticks.still[at]
        now = (step @ now[..., None])[..., 0] + of_now * ticks.mist[at]
        before = (step @ before[..., None])[..., 0] + (1.0 - of_now) * ticks.mist[at]
    return Slots(slot_s, keep, still, now, before, np.arange(1, many + 1) * each)
