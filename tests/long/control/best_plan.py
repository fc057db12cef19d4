"""The denominator: the best of a few plans, each lived through the full room by a real relay.

In:    settings of a room, an aim.
Out:   the best ``Lived``, and the others.
Never: claims to be the optimum. A plan is a heuristic where something must be given up, and a relay follows
       it with whole ticks: another may be better, and a way of control may even beat it: the table shows it.

What each plan is judged by is its own aim: hours out of the band, or RMS from the setpoint. Among those as
good as the best but for little the one with the fewest switchings is taken. Plain control with the true air
stands among the candidates, so that the denominator is never worse than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from controller.core import target
from controller.core.records import Instant, Reading, Request
from controller.settings import Settings
from controller.simulator.world import World
from controller.wiring import make_weather_of
from tests.long.control.live import SETTLING_DAYS, Scores, live
from tests.long.control.plan import Plan, plan
from tests.long.control.plan_window import Aim
from tests.long.control.replay import Follows, Style, pulse_rh_pct
from tests.long.control.slots import Recorder, Ticks

SAME_SHARE = 1e-3
"""Hours out that differ by less than this share of the time count as equal."""
SAME_RMS = 1.02
PLAIN_HALF_RH_PCT = 1.0
WIDEST_HALF_RH_PCT = 2.0
NEAR_RH_PCT = 0.3
"""The low edge drawn in by so little, for those who hope that a pulse's height does not matter."""
PRICES = (0.0, 1.5)


class Plain:
    """A deadband of the true air about the setpoint, that keeps the cap and knows the tank."""

    def __init__(self, settings: Settings, world: World) -> None:
        self._world, self._settings = world, settings
        self._dt_s = settings.loop.tick_s
        self._given: list[bool] = []
        self._used, self._for = 0, 10**6

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        settings, guards = self._settings, self._settings.guards
        wanted = target.wanted(now.wall, 0.0, 100.0, settings.target).rh_pct
        off_by = self._world.room.rh_pct - wanted
        least_s = guards.shortest_on_s if on else guards.shortest_off_s
        wish = on if self._for * self._dt_s < least_s else off_by < PLAIN_HALF_RH_PCT * (1 if on else -1)
        begins = 0 if on else guards.shortest_on_s / self._dt_s - 1
        cap = settings.runtime.cap_s / self._dt_s
        wish = wish and self._used + 1 + begins <= cap and self._world.room.tank_l > 0.0
        self._for = self._for + 1 if wish == on else 1
        self._given.append(wish)
        self._used += wish
        day = round(86400.0 / self._dt_s)
        if len(self._given) >= day:
            self._used -= self._given[-day]
        return wish


class Lived(NamedTuple):
    name: str
    scores: Scores


class Best(NamedTuple):
    best: Lived
    tried: tuple[Lived, ...]


class Knowledge(NamedTuple):
    """One room, rehearsed once."""

    settings: Settings
    ticks: Ticks
    plain: Scores
    pulse_rh_pct: float


def knowledge(settings: Settings) -> Knowledge:
    recorder = Recorder(settings)
    plain = live(settings, Plain, make_weather_of(settings, settings.bench.seed), recorder)
    ticks = recorder.ticks()
    return Knowledge(settings, ticks, plain, pulse_rh_pct(settings, ticks))


def best(known: Knowledge, aim: Aim) -> Best:
    tried = [Lived("plain, true air", known.plain)]
    tried += _hours(known) if aim == "hours" else _error(known)
    return Best(_choose(known.settings, tried, aim), tuple(tried))


def _choose(settings: Settings, tried: Sequence[Lived], aim: Aim) -> Lived:
    if aim == "hours":
        counted_h = max(settings.bench.days - SETTLING_DAYS, 0.0) * 24.0
        most = min(lived.scores.out_h for lived in tried) + SAME_SHARE * counted_h
        good = [lived for lived in tried if lived.scores.out_h <= most]
    else:
        most = min(lived.scores.rms_rh_pct for lived in tried) * SAME_RMS
        good = [lived for lived in tried if lived.scores.rms_rh_pct <= most]
    return min(good, key=lambda lived: lived.scores.switchings_a_day)


def _hours(known: Knowledge) -> list[Lived]:
    half = min(0.5 * known.pulse_rh_pct, WIDEST_HALF_RH_PCT)
    tight = _plan(known, "hours", half)
    found = [_live(known, tight, Style(True, half), f"hours, edge drawn in by {half:.1f}, wide where plenty")]
    if not tight.scarce.all():
        found.append(_live(known, tight, Style(False, half), f"hours, edge drawn in by {half:.1f}, narrow"))
    if tight.scarce.any():
        near = _plan(known, "hours", NEAR_RH_PCT)
        found.append(
            _live(
                known,
                near,
                Style(True, half),
                f"hours, edge drawn in by {NEAR_RH_PCT:.1f}, wide where plenty",
            )
        )
    return found


def _error(known: Knowledge) -> list[Lived]:
    followed = _plan(known, "error", 0.0)
    return [_live(known, followed, Style(price=price), f"error, {price:g} a switching") for price in PRICES]


def _plan(known: Knowledge, aim: Aim, in_rh_pct: float) -> Plan:
    band = known.settings.target
    return plan(
        known.settings, known.ticks, aim,
        low_rh_pct=band.band_low_rh_pct + in_rh_pct, high_rh_pct=band.band_high_rh_pct - in_rh_pct,
    )  # fmt: skip


def _live(known: Knowledge, followed: Plan, style: Style, name: str) -> Lived:
    ticks = known.ticks
    weather = make_weather_of(known.settings, known.settings.bench.seed)
    scores = live(
        known.settings, lambda settings, world: Follows(settings, world, followed, ticks, style), weather
    )
    return Lived(name, scores)
