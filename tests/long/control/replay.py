"""A plan, lived: a real relay that follows it in the full room, knowing the true air and what is to come.

In:    a ``Plan``, ``Ticks``, the true room.
Out:   on or off, by ``live.Decides``.
Never: breaks the shortest run or pause, the runtime cap or an empty tank, or mists where that would pass the
       ceiling. The longest single run of the guards is not kept: a plan may run for hours.

hours: on as soon as the air would otherwise pass a lower edge before a later run could help, off as soon as
the mist already given carries it over an upper edge. The lower edge is the plan less half a pulse, never
below the band's low edge but where the plan is. The upper is the band's high edge, for few switchings; where
water or cap are scarce it is the plan plus half a pulse.
error: at each tick the first step of whatever switching brings the air of the next ticks nearest to the plan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil
from typing import NamedTuple

import numpy as np

from controller.core import air
from controller.core.records import Instant, Reading, Request
from controller.settings import Settings
from controller.simulator.world import World
from tests.long.control.plan import Plan
from tests.long.control.slots import DAY_S, Floats, Ticks

LOW_EDGE_RH_PCT, HIGH_EDGE_RH_PCT = 0.15, 0.6
"""Distance kept from the band's edges: the temperature is not exactly as it was recorded, least of all where
the room cools in the evening without heating and mist cools it further."""
AFTER_TICKS = 45
"""How far ahead the air must stay below the band's high edge once mist is given: the room may cool."""
LOOK_TICKS = 10
"""How far ahead every way of switching is tried."""


class Style(NamedTuple):
    """How a plan is followed."""

    wide: bool = True  # the whole band, where water and cap are plenty
    half_rh_pct: float = 1.0  # around the plan, elsewhere
    price: float = 0.0  # of a switching, in (%RH)² for a tick; of error alone


def pulse_rh_pct(settings: Settings, ticks: Ticks) -> float:
    """What the shortest run gives the air, about: the median over the stretch."""
    mist = ticks.mist[:, 0] * settings.guards.shortest_on_s / ticks.dt_s
    at = slice(0, len(mist))
    middle = ticks.ratio(ticks.setpoint_rh_pct[at], at)
    return float(np.median(ticks.rh_pct(middle + mist, at) - ticks.rh_pct(middle, at)))


class Follows:
    """Implements ``live.Decides``."""

    def __init__(self, settings: Settings, world: World, plan: Plan, ticks: Ticks, style: Style) -> None:
        self._world, self._dt_s = world, ticks.dt_s
        self._tick = 0
        self._for = 10**6  # ticks since the last switching
        self._least_on = ceil(settings.guards.shortest_on_s / ticks.dt_s)
        self._least_off = ceil(settings.guards.shortest_off_s / ticks.dt_s)
        self._day, self._cap = round(DAY_S / ticks.dt_s), int(settings.runtime.cap_s / ticks.dt_s + 1e-9)
        self._run = (True,) * self._least_on
        self._price = style.price
        self._ways_of: dict[bool, tuple[Floats, Floats]] = {}
        self._given: list[bool] = []
        self._used = 0
        self._whole, self._part = divmod(ticks.delay_s / ticks.dt_s, 1.0)
        self._ahead = int(self._whole) + ceil(self._part) + 1  # from here on all of a run begun now shows
        self._maps = np.column_stack((ticks.keep.reshape(-1, 4), ticks.still, ticks.mist)).tolist()
        part_pa = ticks.pressure_pa / ticks.saturation_pa * 100.0
        self._per, self._saturation = part_pa.tolist(), ticks.saturation_pa.tolist()
        self._ceiling = settings.ceiling.highest_rh_pct - HIGH_EDGE_RH_PCT
        ends = np.concatenate(([0], plan.slots.ends))
        first = ticks.rh_pct(np.array([ticks.start[0]]), slice(0, 1))
        planned = np.interp(np.arange(len(ticks.setpoint_rh_pct)), ends, np.concatenate((first, plan.rh_pct)))
        self._planned = planned.tolist()
        band = settings.target
        low, high = band.band_low_rh_pct + LOW_EDGE_RH_PCT, band.band_high_rh_pct - HIGH_EDGE_RH_PCT
        scarce = np.zeros(len(planned), dtype=bool)
        each = round(plan.slots.slot_s / ticks.dt_s)
        scarce[: len(plan.scarce) * each] = np.repeat(plan.scarce, each)
        given_up = planned < low - style.half_rh_pct
        lower = np.where(given_up, planned, np.maximum(planned - style.half_rh_pct, low))
        narrow = scarce | (not style.wide)
        self._lower, self._highest = lower.tolist(), high
        self._upper = np.where(narrow, np.minimum(lower + 2.0 * style.half_rh_pct, high), high).tolist()
        wishes: dict[str, Callable[[bool], bool]] = {"hours": self._by_edges, "error": self._by_error}
        self._wish = wishes[plan.aim]

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        wanted = self._allowed(on, self._tick + self._ahead < len(self._planned) and self._turn(on))
        self._for = self._for + 1 if wanted == on else 1
        self._given.append(wanted)
        self._used += wanted
        if len(self._given) >= self._day:
            self._used -= self._given[-self._day]
        self._tick += 1
        return wanted

    def _turn(self, on: bool) -> bool:
        return on if self._for < (self._least_on if on else self._least_off) else self._wish(on)

    def _allowed(self, on: bool, wanted: bool) -> bool:
        if not wanted:
            return False
        needs = 1 if on else self._least_on
        tank_l = self._world.room.tank_l
        run_l = 0.5 * self._world.rate_l_per_h * self._dt_s / 3600.0
        return self._used + needs <= self._cap and tank_l > run_l

    def _rh_pct(self, coming: Sequence[bool], many: int) -> list[float]:
        """The air at the ends of the next ``many`` ticks, if the relay does ``coming`` and then stays off."""
        room, k, given = self._world.room, self._tick, self._given
        ratio, store = room.ratio, room.store_ratio
        warmer = self._saturation[k] / room._saturation_pa
        whole, part = int(self._whole), self._part
        last = len(given)
        found = []
        for tick in range(min(many, len(self._maps) - k)):
            at = tick - whole
            first = coming[at] if 0 <= at < len(coming) else at < 0 and last + at >= 0 and given[at]
            at -= 1
            second = coming[at] if 0 <= at < len(coming) else at < 0 and last + at >= 0 and given[at]
            share = (1.0 - part) * first + part * second
            a, b, c, d, e, f, g, h = self._maps[k + tick]
            ratio, store = a * ratio + b * store + e + g * share, c * ratio + d * store + f + h * share
            found.append(self._per[k + tick + 1] * warmer * ratio / (air.MASS_RATIO + ratio))
        return found

    def _by_edges(self, on: bool) -> bool:
        at, ahead = self._tick, self._ahead
        if on:
            coming = self._rh_pct((True,), AFTER_TICKS)
            after = coming[ahead - 1 :]
            return max(after) <= self._highest and after[0] <= self._upper[at + ahead]
        if self._rh_pct((False,), ahead)[-1] >= self._lower[at + ahead]:
            return False
        return max(self._rh_pct(self._run, AFTER_TICKS)[ahead - 1 :]) <= self._ceiling

    def _by_error(self, on: bool) -> bool:
        """The first step of the best of all ways that the relay could take in the next ticks."""
        ways, switched = self._ways(on)
        many = min(LOOK_TICKS + int(self._whole), len(self._maps) - self._tick)
        if many <= int(self._whole) + 1:
            return False
        free = np.array(self._rh_pct((), many))
        gives = np.array(self._rh_pct((True,), many)) - free  # one tick's mist, from its tick on
        ahead = np.zeros((LOOK_TICKS, many))
        for tick in range(LOOK_TICKS):
            ahead[tick, tick:] = gives[: max(many - tick, 0)]
        at = self._tick + 1
        air_rh = free + ways @ ahead
        miss = ((air_rh - np.array(self._planned[at : at + many])) ** 2).sum(axis=1) + switched
        miss[(air_rh.max(axis=1) > self._ceiling) & (ways.sum(axis=1) > 0)] = np.inf
        return bool(ways[int(np.argmin(miss)), 0])

    def _ways(self, on: bool) -> tuple[Floats, Floats]:
        """All ways that keep the shortest run and pause, (ways, ticks), and the price of their switchings."""
        if on not in self._ways_of:
            free = 10**6, on
            grown: list[tuple[tuple[int, bool], tuple[bool, ...], int]] = [(free, (), 0)]
            for _ in range(LOOK_TICKS):
                more = []
                for (lasted, state), way, switches in grown:
                    more.append(((lasted + 1, state), (*way, state), switches))
                    if lasted >= (self._least_on if state else self._least_off):
                        more.append(((1, not state), (*way, not state), switches + 1))
                grown = more
            self._ways_of[on] = (
                np.array([way for _, way, _ in grown], dtype=float),
                np.array([self._price * switches for _, _, switches in grown]),
            )
        return self._ways_of[on]
