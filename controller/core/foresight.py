"""FORESIGHT: the air as it will be when a switching of now begins to show, and the setpoint that lasts.

In:    the room model, the believed air, the committed mist, water and cap, the keeper's choice.
Out:   the RH that the demand is to look at, the setpoint it is to hold, how wide it may swing (``swing.py``).
Never: switches anything: it only moves what the plain method looks at. Nothing, while the room is not known.

What lags behind the mist is taken to be the probe, so that the air is held, not the figure shown: where
in truth the mist takes its time, it is stopped before all of it has spread, which is right too. The air is
followed by an observer: the model moves it on, what the probe shows pulls it back (Luenberger 1964).
What was switched up to now shows in the coming ``dead_s``; the air at its end is what the demand sees
(Smith 1957).

Heating swings the RH at the same hours every day: what is to come of it counts (``day_shape.py``). Since the
temperature at the probe follows as late as its RH does, the air is taken to be ahead of it by the same lag.

Pacing. Mist of the last day, and the air it gave, say what each setpoint costs:
    duty(x) = mean duty + (loss / gain) (x - mean moisture)
Where the setpoint costs more than the cap allows, or than the tank holds until it is filled again, it is
lowered to what lasts. "keep-error" follows that wherever it leads. "keep-hours" never below the low edge
of the band: rather some hours dry than all of them a little.
"""

from __future__ import annotations

from math import ceil, exp, inf, isfinite, sqrt
from typing import NamedTuple

from controller.core import day_shape, room_model, runtime, swing, unexpected
from controller.core.day_shape import DayMemory
from controller.core.limits import Foresight
from controller.core.records import NEVER_T, Ahead, Room
from controller.core.room_block import moisture_of
from controller.core.room_model import RoomMemory
from controller.core.runtime import WINDOW_S, RuntimeMemory
from controller.core.swing import Within, between
from controller.core.tuning import TuningMemory
from controller.core.unexpected import OddMemory

PULL_S = 60.0
"""How fast the probe pulls the observer: noise of a sample fades in a minute."""
LONGEST_STEP_S = 60.0
DAY_S = 86400.0
MISS_S = 6.0 * 3600.0
SPARE = 0.95
"""Share of water and cap that is planned with."""
LONGEST_LEAD_S = 2.0 * 3600.0
MOST_LOWERED_RH_PCT = 20.0
WARMING_A_K = 0.06
"""Relative rise of the saturation pressure with each K, near 22 °C: by so much the RH falls."""
MOST_WARMING_K = 10.0
SWELL_S, SWELL_STEPS = 2.0 * 3600.0, 6
"""So far ahead the air must stay below the upper edge where mist ends now."""
LEAST_LOSS = 0.1
"""An hour: no heated room is tighter."""


class ForesightMemory(NamedTuple):
    model: RoomMemory | None = None  # None: foresight was never on
    air: float | None = None  # moisture of the air by the observer
    shown: float = 0.0  # and as the probe shows it
    duty: float = 0.0  # means of about the last day
    moisture: float = 0.0
    square: float = 0.25  # mean square of what the probe shows besides what it should
    seen_s: float = 0.0  # how much of the last day is in those means
    fill_t: float = NEVER_T  # the last filling
    fill_every_s: float | None = None  # the mean time between two
    tuning: TuningMemory = TuningMemory()
    day: DayMemory = DayMemory()
    odd: OddMemory = OddMemory()


class Scene(NamedTuple):
    """What is looked at. %RH, °C, seconds on the core's clock."""

    t: float
    dt_s: float
    on_s: float
    rh_pct: float
    temp_c: float
    used: RuntimeMemory
    cap_s: float
    fill_t: float
    shortest_on_s: float
    doubtful: bool  # whether mist comes at all
    water_h: float | None  # hours of mist that are left in the tank
    day_s: float | None = None  # since midnight; None: the clock is not trusted


def advance(memory: ForesightMemory, scene: Scene) -> ForesightMemory:
    """One tick: the model, the observer, the means of a day."""
    t, dt_s = scene.t, scene.dt_s
    model = memory.model or RoomMemory()
    model = room_model.advance(
        model, t, dt_s, scene.on_s, scene.used, scene.rh_pct, scene.temp_c, scene.doubtful
    )
    fill_t, every_s = memory.fill_t, memory.fill_every_s
    if scene.fill_t > fill_t:
        lasted_s = scene.fill_t - fill_t
        if 2.0 * 3600.0 < lasted_s < 14.0 * DAY_S:
            every_s = lasted_s if every_s is None else every_s + 0.3 * (lasted_s - every_s)
        fill_t = scene.fill_t
    room = room_model.known(model)
    followed = _follow(memory, model, room, scene)
    day = day_shape.advance(memory.day, scene.day_s, dt_s, scene.temp_c, room.ground if room else None)
    closed = None if room is None else model.closed
    odd = unexpected.advance(memory.odd, model.seen, closed, t, scene.doubtful)
    return followed._replace(model=model, fill_t=fill_t, fill_every_s=every_s, day=day, odd=odd)


def recalled(memory: ForesightMemory) -> ForesightMemory:
    """What was kept, at a start: the model where learning can have given it, and the means of a day."""
    model = None if memory.model is None else room_model.recalled(memory.model)
    if not (0.0 <= memory.duty <= 1.0 and abs(memory.moisture) <= 1e3 and 0.0 <= memory.seen_s <= DAY_S):
        return ForesightMemory(model, day=day_shape.recalled(memory.day))
    square = memory.square if 0.0 <= memory.square <= 25.0 else 0.25
    day = day_shape.recalled(memory.day)
    return memory._replace(model=model, air=None, square=square, day=day, odd=OddMemory())


def blind(memory: ForesightMemory) -> ForesightMemory:
    """No probe is believed: when one is again, the air is taken up where it is then."""
    if memory.air is None or memory.model is None:
        return memory
    return memory._replace(air=None, model=room_model.blind(memory.model))


def _follow(memory: ForesightMemory, model: RoomMemory, room: Room | None, scene: Scene) -> ForesightMemory:
    dt_s, used = scene.dt_s, scene.used
    seen = moisture_of(scene.temp_c, scene.rh_pct)
    moved = memory._replace(air=seen, shown=seen)
    if room is None:  # its means begin with it: a dry room that was just filled up is no common day
        return moved._replace(seen_s=0.0)
    seen_s = min(memory.seen_s + dt_s, DAY_S)
    weight = min(dt_s / seen_s, 1.0) if seen_s > 0.0 else 1.0
    share = min(scene.on_s / dt_s, 1.0) if dt_s > 0.0 else 0.0
    duty = memory.duty + weight * (share - memory.duty)
    moisture = memory.moisture + weight * (seen - memory.moisture)
    moved = moved._replace(duty=duty, moisture=moisture, seen_s=seen_s)
    if memory.air is None or not 0.0 < dt_s <= 600.0:
        return moved
    rh_a_pct = scene.rh_pct / seen if seen > 0.0 else 1.0
    now = _on(memory.air, room, model.block.slow_rh_pct, rh_a_pct, used, scene.t - dt_s - room.dead_s, dt_s)
    middle = 0.5 * (memory.air + now)
    shown = middle + (memory.shown - middle) * exp(-dt_s / room.lag_s)
    miss = seen - shown
    pull = 1.0 - exp(-dt_s / PULL_S)
    now += pull * (1.0 + room.lag_s / 600.0) * miss
    if not isfinite(now) or abs(now - seen) > 60.0:  # an observer that has lost the air
        return moved
    square = memory.square + min(dt_s / MISS_S, 1.0) * (min(miss * miss, 25.0) - memory.square)
    return moved._replace(air=now, shown=shown + pull * miss, square=square)


def _on(
    start: float, room: Room, slow_rh_pct: float | None, rh_a_pct: float, used: RuntimeMemory,
    from_t: float, for_s: float,
) -> float:  # fmt: skip
    """The air ``for_s`` later; the mist that reaches it then was given from ``from_t`` on."""
    steps = max(1, ceil(for_s / LONGEST_STEP_S))
    step_s = for_s / steps
    now = start
    for step in range(steps):
        at = from_t + step * step_s
        share = runtime.on_s_between(used, at, at + step_s) / step_s if step_s > 0.0 else 0.0
        behind = 0.0 if slow_rh_pct is None else slow_rh_pct - now * rh_a_pct
        now += room_model.rate(room, now, behind, share) * step_s / 3600.0
    return now


def leads_s(memory: ForesightMemory, change_rh_pct: float) -> tuple[float, float]:
    """How much earlier a rise and a fall of the setpoint must begin, for their middles to meet, seconds."""
    room = room_model.known(memory.model)
    if room is None:
        return 0.0, 0.0
    duty = between(memory.duty, 0.05, 0.95)
    half = 0.5 * change_rh_pct * 3600.0
    rise_s, fall_s = half / max(room.gain * (1.0 - duty), 0.5), half / max(room.gain * duty, 0.5)
    return room.dead_s + min(rise_s, LONGEST_LEAD_S), room.dead_s + min(fall_s, LONGEST_LEAD_S)


def view(
    memory: ForesightMemory, scene: Scene, setpoint_rh_pct: float, low_rh_pct: float, high_rh_pct: float,
    most_half_rh_pct: float, accuracy_rh_pct: float, choice: Foresight,
) -> Ahead | None:  # fmt: skip
    """What the demand is to see; None while the room is not known.

    ``low_rh_pct``, ``high_rh_pct``: the band, its upper edge below the ceiling; ``most_half_rh_pct``: how far
    from the setpoint a swing may take the air, where something else than the band bounds it;
    ``accuracy_rh_pct``: of the probe.
    """
    model, room = memory.model, room_model.known(memory.model)
    seen = moisture_of(scene.temp_c, scene.rh_pct)
    if model is None or room is None or memory.air is None or not seen > 0.0:
        return None
    per_pct, slow = scene.rh_pct / seen, model.block.slow_rh_pct
    coming = _on(memory.air, room, slow, per_pct, scene.used, scene.t - room.dead_s, room.dead_s)
    warming_k = _warming_k(memory, scene, room.dead_s + room.lag_s)
    ahead = coming * per_pct * _shrunk(warming_k)
    if not isfinite(ahead):
        return None
    lasts = per_pct * _moisture_that_lasts(memory, scene, room)
    paced = lasts < setpoint_rh_pct
    centre = min(setpoint_rh_pct, max(lasts, setpoint_rh_pct - MOST_LOWERED_RH_PCT))
    edge = swing.EDGE_RH_PCT + sqrt(max(memory.square, 0.0)) * per_pct * (1.0 + room.lag_s / 400.0)
    if not paced:  # what is scarce is not spent on what the probe may be wrong by
        edge = max(edge, accuracy_rh_pct)
    within = Within(low_rh_pct, high_rh_pct, edge, most_half_rh_pct, scene.shortest_on_s, scene.dt_s)
    lower, upper = swing.edges(choice, setpoint_rh_pct, centre, paced, within, room, per_pct, memory.duty)
    if day_shape.falls(memory.day.temp, scene.day_s, room.dead_s + room.lag_s + SWELL_S):
        upper -= max(_swollen(memory, scene, room, upper, per_pct, slow) - (high_rh_pct - edge), 0.0)
    upper = max(upper, lower + swing.LEAST_HALF_RH_PCT)
    middle = 0.5 * (lower + upper)
    walls = scene.rh_pct if slow is None else slow
    return Ahead(
        ahead, middle, upper - middle, paced, room, walls, per_pct, memory.duty, warming_k,
        day_shape.extremes(memory.day.ground), unexpected.told(memory.odd.found, scene.t),
    )  # fmt: skip


def _warming_k(memory: ForesightMemory, scene: Scene, for_s: float) -> float:
    return between(day_shape.change(memory.day.temp, scene.day_s, for_s), -MOST_WARMING_K, MOST_WARMING_K)


def _shrunk(warming_k: float) -> float:
    """What warming leaves of the RH, as a factor."""
    return exp(-WARMING_A_K * warming_k)


def _swollen(
    memory: ForesightMemory, scene: Scene, room: Room, rh_pct: float, per_pct: float,
    slow_rh_pct: float | None,
) -> float:  # fmt: skip
    """The highest RH to come without mist, from ``rh_pct`` on, as the room usually cools at this hour."""
    late_s = room.dead_s + room.lag_s
    first_k, highest, step_h = _warming_k(memory, scene, late_s), rh_pct, SWELL_S / SWELL_STEPS / 3600.0
    now = rh_pct / per_pct
    store, loss = max(room.store, 0.0), max(room.loss, LEAST_LOSS)
    for step in range(1, SWELL_STEPS + 1):
        for_s = late_s + step * step_h * 3600.0
        there_pct = per_pct * _shrunk(_warming_k(memory, scene, for_s) - first_k)
        ground = room.ground + day_shape.change(memory.day.ground, scene.day_s, for_s)
        pulls = loss + store * there_pct  # an hour
        gives = ground + room_model.MIDDLE_PCT * loss
        gives += store * (now * there_pct if slow_rh_pct is None else slow_rh_pct)
        now = gives / pulls + (now - gives / pulls) * exp(-between(pulls * step_h, 0.0, 50.0))
        highest = max(highest, now * there_pct)
    return highest


def _moisture_that_lasts(memory: ForesightMemory, scene: Scene, room: Room) -> float:
    """At which water and cap suffice; infinite where neither binds, and while too little was seen to say."""
    share = min(scene.cap_s / WINDOW_S, _water_duty(memory, scene))
    if not (memory.seen_s >= 0.5 * WINDOW_S and share < 1.0):
        return inf
    bears = SPARE * share
    return memory.moisture + (bears - memory.duty) * room.gain / max(room.loss, LEAST_LOSS)


def _water_duty(memory: ForesightMemory, scene: Scene) -> float:
    """The mean duty that the water bears until the tank is filled again, if all goes as it went.

    An empty tank has nothing to be spared, and only mist that is asked for can show that it is not empty.
    """
    if scene.water_h is None or not scene.water_h > 0.0 or memory.fill_every_s is None:
        return 1.0
    coming_s = memory.fill_t + memory.fill_every_s - scene.t
    return min(scene.water_h * 3600.0 / max(coming_s, 3600.0), 1.0)
