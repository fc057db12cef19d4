"""Sizing: will this humidifier hold this room in that weather? Steady hour by hour, no rehearsal.

In:    the rules, the rehearsal's room, weather, a tight and a leaky guess of the air change.
Out:   litres, run hours, hours not held, heat taken, and what the coldest surface bears month by month.
Never: reads a file or a clock, or counts drying: where the air is humid enough the need is nothing.

The load is ASHRAE HVAC Systems and Equipment, chapter "Humidifiers", eq.1, without inner gains:
H = m R (Wi - Wo), with m the dry air in the room at its own temperature and the target, R air changes an
hour. Each hour stands for itself: walls and substrate that store moisture move water from hour to hour,
so they soften the worst hours and leave the year's sum. Altitude hardly matters: of thinner air there is
less to humidify, and each kilogram of it takes as much more.

Heating holds the set temperature; without an air conditioner a room is never colder than outdoors.
Time of day is the weather's own clock, without daylight saving.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from statistics import fmean
from typing import NamedTuple, TypeVar

from controller.core import air
from controller.core.limits import seconds_of_day
from controller.core.rules import Rules
from controller.core.target import wanted
from controller.simulator.envelope import Envelope
from controller.simulator.humidifier import Humidifier
from controller.simulator.settings import BenchSettings
from controller.simulator.sizing_load import load_l_per_h, output_of
from controller.simulator.sizing_wall import Wall, highest_room_rh_pct, judge_wall
from controller.simulator.weather import HOUR_S, Weather

DESIGN_PCT = 99
"""The design hour and day: of all, these % are no heavier."""
FRSI_IF_UNKNOWN = 0.7
"""The least that DIN 4108-2 asks of a wall; an old wall or a window is lower."""
MIDNIGHT = datetime(2001, 1, 1)  # noqa: DTZ001  for weather without a calendar: only its time of day counts
_ROUNDING = 1e-9
_Value = TypeVar("_Value", float, "Day")


class Guesses(NamedTuple):
    """Air changes an hour. Hardly anybody has measured them, so every answer is given three times."""

    tight: float
    as_set: float
    leaky: float

    @classmethod
    def around(cls, air_changes_per_h: float) -> Guesses:
        return cls(0.5 * air_changes_per_h, air_changes_per_h, 2.0 * air_changes_per_h)


class Hour(NamedTuple):
    """An hour of weather and what it asks. ``per_change_l``: water for one change of the room's air."""

    at: datetime
    outdoor_c: float
    room_c: float
    target_rh_pct: float
    unaided_rh_pct: float
    per_change_l: float
    leak_per_h: float = 0.0  # air changes by wind and temperature difference, on top


class Day(NamedTuple):
    """A day's water, and what it means. ``run_h`` passes 24 where the output is too little."""

    litres: float
    run_h: float
    tank_fills: float
    mist_kwh: float


class Load(NamedTuple):
    """The answer for one air change. Design: the hour, or the day, that 99 % of them do not exceed."""

    air_changes_per_h: float
    design_l_per_h: float
    worst_l_per_h: float
    mean_l_per_h: float
    design_day: Day
    worst_day: Day
    mean_day: Day
    total_l: float
    too_weak_h: int
    capped_h: int
    not_held_h: int
    days_over_cap: int
    short_by: float
    """How often the design hour needs the output, or the design day's hours the cap; above 1 is short."""
    verdict: str
    """``holds``, ``holds_except`` (1 % of the hours at most is not held) or ``too_small``."""


class Month(NamedTuple):
    """A month's means. ``month`` None: weather without a calendar."""

    month: int | None
    outdoor_c: float
    room_c: float
    target_rh_pct: float
    litres_per_day: float
    wall: Wall


class Sizing(NamedTuple):
    """Everything ``size`` finds; each load counts over the same ``days``."""

    days: int
    output_l_per_h: float
    mist_w: float
    unaided_above_target_h: int
    unaided_above_ceiling_h: int
    tight: Load
    as_set: Load
    leaky: Load
    frsi: float
    frsi_assumed: bool
    surface_rh_pct: float
    months: tuple[Month, ...]
    coldest_day_c: float
    coldest_day_condensing_rh_pct: float


def size(
    rules: Rules, bench: BenchSettings, weather: Weather, guesses: Guesses | None = None, cooled: bool = False
) -> Sizing:
    """Sizes the room over the weather's whole days.

    ``cooled``: an air conditioner holds the set temperature in summer too. The water that it takes out
    of the air is not counted.
    """
    guesses = guesses or Guesses.around(bench.room.air_changes_per_h)
    hours = hours_of(rules, bench, weather, cooled)
    output_l_per_h = output_of(rules, bench)
    humidifier = Humidifier(bench.humidifier, output_l_per_h, rules.tank.tank_l)
    heat_kj = humidifier.takes_kj_per_kg(_mean(hours, _room_c)) if bench.room.mist_cools else 0.0
    tight, as_set, leaky = (_load(hours, guess, rules, output_l_per_h, heat_kj) for guess in guesses)
    known = bench.wall.frsi if bench.wall.area_m2 and rules.surface.frsi is None else rules.surface.frsi
    frsi = FRSI_IF_UNKNOWN if known is None else known
    surface_rh_pct = rules.surface.warn_surface_rh_pct
    months = _months(hours, weather.start is not None, guesses.as_set, frsi, surface_rh_pct)
    return Sizing(
        len(hours) // 24,
        output_l_per_h,
        output_l_per_h * heat_kj / 3.6,
        sum(hour.unaided_rh_pct >= hour.target_rh_pct for hour in hours),
        sum(hour.unaided_rh_pct > rules.ceiling.highest_rh_pct for hour in hours),
        tight,
        as_set,
        leaky,
        frsi,
        known is None,
        surface_rh_pct,
        months,
        *_coldest_day(hours, frsi),
    )


def hours_of(rules: Rules, bench: BenchSettings, weather: Weather, cooled: bool = False) -> list[Hour]:
    """The weather's whole days, at least one (it repeats), hour by hour."""
    room = bench.room
    shell = Envelope(bench.leak, bench.wall, 0.0, room.volume_m3)
    start = weather.start or MIDNIGHT
    warm_from_s, warm_s = room.warm_s
    highest_rh_pct = rules.ceiling.release_rh_pct  # the controller's own bound on its setpoint
    made = []
    for count in range(24 * max(1, int(weather.period_s // (24 * HOUR_S)))):
        at = start + timedelta(hours=count)
        outdoor = weather.at(count * HOUR_S)
        warm = (seconds_of_day(at.time()) - warm_from_s) % 86400 < warm_s
        room_c = room.warm_temp_c if warm else room.cool_temp_c
        if not cooled:
            room_c = max(room_c, outdoor.temp_c)
        rh_pct = wanted(at, 0.0, highest_rh_pct, rules.target).rh_pct
        unaided = air.rh_pct_from_humidity_ratio(room_c, outdoor.humidity_ratio, outdoor.pressure_pa)
        need_l = load_l_per_h(room.volume_m3, 1.0, room_c, rh_pct, outdoor)
        leak_per_h = 3600.0 * shell.air_changes_per_s(room_c, outdoor, 0.0)
        made.append(Hour(at, outdoor.temp_c, room_c, rh_pct, unaided, need_l, leak_per_h))
    return made


def _load(
    hours: Sequence[Hour], air_changes_per_h: float, rules: Rules, output_l_per_h: float, heat_kj: float
) -> Load:
    loads = [(air_changes_per_h + hour.leak_per_h) * hour.per_change_l for hour in hours]
    days = [_day(sum(loads[at] for at in day), rules, output_l_per_h, heat_kj) for day in _days(hours)]
    cap_h = rules.runtime.cap_hours_in_any_24
    design_day, design_l_per_h = _design(days), _design(loads)
    too_weak_h, capped_h, not_held_h = not_held(loads, output_l_per_h, cap_h)
    short_by = max(design_l_per_h / output_l_per_h, design_day.run_h / cap_h)
    return Load(
        air_changes_per_h,
        design_l_per_h,
        max(loads),
        fmean(loads),
        design_day,
        max(days),
        _day(24.0 * fmean(loads), rules, output_l_per_h, heat_kj),
        sum(loads),
        too_weak_h,
        capped_h,
        not_held_h,
        sum(day.run_h > cap_h + _ROUNDING for day in days),
        short_by,
        _verdict(not_held_h, len(loads), short_by),
    )


def _day(litres: float, rules: Rules, output_l_per_h: float, heat_kj: float) -> Day:
    return Day(litres, litres / output_l_per_h, litres / rules.tank.tank_l, litres * heat_kj / 3600.0)


def _verdict(not_held_h: int, of_h: int, short_by: float) -> str:
    if not_held_h == 0:
        return "holds"
    few = short_by <= 1.0 or 100 * not_held_h <= (100 - DESIGN_PCT) * of_h
    return "holds_except" if few else "too_small"


def not_held(loads: Sequence[float], output_l_per_h: float, cap_h: float) -> tuple[int, int, int]:
    """Hours in which the output is too little; in which the rolling cap is used up; in which either is."""
    ran_h: deque[float] = deque(maxlen=23)
    too_weak_h = capped_h = either_h = 0
    for load in loads:
        wanted_h = load / output_l_per_h
        left_h = max(0.0, cap_h - sum(ran_h))
        weak = wanted_h > 1.0 + _ROUNDING
        capped = min(wanted_h, 1.0) > left_h + _ROUNDING
        too_weak_h += weak
        capped_h += capped
        either_h += weak or capped
        ran_h.append(min(wanted_h, 1.0, left_h))
    return too_weak_h, capped_h, either_h


def _design(values: Sequence[_Value]) -> _Value:
    """The smallest that ``DESIGN_PCT`` % of them do not exceed."""
    return sorted(values)[(DESIGN_PCT * len(values) - 1) // 100]


def _days(hours: Sequence[Hour]) -> list[list[int]]:
    """Where each day's hours are. The weather repeats: a part of a day at its end belongs to its first."""
    days: list[list[int]] = [[] for _ in range(len(hours) // 24)]
    for index in range(len(hours)):
        days[(hours[0].at.hour + index) // 24 % len(days)].append(index)
    return days


def _coldest_day(hours: Sequence[Hour], frsi: float) -> tuple[float, float]:
    """Outdoor mean of the coldest day, and the room's RH from which the surface is wet on it."""
    days = [[hours[at] for at in day] for day in _days(hours)]
    outdoor_c, room_c = min((_mean(day, _outdoor_c), _mean(day, _room_c)) for day in days)
    return outdoor_c, highest_room_rh_pct(room_c, outdoor_c, frsi, 100.0)


def _months(
    hours: Sequence[Hour], calendar: bool, air_changes_per_h: float, frsi: float, surface_rh_pct: float
) -> tuple[Month, ...]:
    grouped: dict[int, list[Hour]] = {}
    for hour in hours:
        grouped.setdefault(hour.at.month if calendar else 0, []).append(hour)
    made = []
    for month, part in sorted(grouped.items()):
        outdoor_c, room_c = _mean(part, _outdoor_c), _mean(part, _room_c)
        target_rh_pct = _mean(part, lambda hour: hour.target_rh_pct)
        litres_per_day = 24.0 * air_changes_per_h * _mean(part, lambda hour: hour.per_change_l)
        wall = judge_wall(room_c, outdoor_c, target_rh_pct, frsi, surface_rh_pct)
        made.append(Month(month or None, outdoor_c, room_c, target_rh_pct, litres_per_day, wall))
    return tuple(made)


def _outdoor_c(hour: Hour) -> float:
    return hour.outdoor_c


def _room_c(hour: Hour) -> float:
    return hour.room_c


def _mean(hours: Sequence[Hour], of: Callable[[Hour], float]) -> float:
    return fmean(of(hour) for hour in hours)
