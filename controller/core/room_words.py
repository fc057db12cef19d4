"""ROOM WORDS: what was learned of the room, in sentences a keeper can check against their own eyes.

In:    a Decision and what the humidifier gives, litres an hour.
Out:   a few short sentences; none where foresight is off.
Never: says a figure that its own uncertainty makes worthless: then it says that it cannot be told.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from controller.core.records import Ahead, Decision, Odd
from controller.core.room_block import STORE_S
from controller.core.room_model import MIDDLE_PCT, rate
from controller.core.unexpected import DRIER

STEP_S = 60.0
RISE_S = 1200.0
LONGEST_S = 12.0 * 3600.0
TELLING = 2.0
"""A figure is told when it is so many times its standard deviation."""
TELLING_AN_HOUR, TELLING_K = 0.5, 0.5
"""And what comes back every day, when it is more than that: %RH an hour, °C."""


def learned(decision: Decision, rate_l_per_h: float) -> list[str]:
    """Empty where foresight is off."""
    if decision.knows is None:
        return []
    ahead = decision.ahead
    if ahead is None:
        return [
            f"The room is still being learned ({min(decision.knows, 0.99):.0%} of the mist that it takes): "
            "until then the plain method holds it."
        ]
    said = [_loses(ahead), _raises(ahead), _needs(ahead, rate_l_per_h)]
    if ahead.background is not None and ahead.background[2] > TELLING_AN_HOUR:
        said.append(_background(ahead.background))
    if abs(ahead.warming_k) > TELLING_K:
        warmer = "warmer" if ahead.warming_k > 0.0 else "cooler"
        said.append(
            f"As usual at this hour the air is getting {warmer}, by {abs(ahead.warming_k):.1f} °C: "
            "it is reckoned with."
        )
    if ahead.odd is not None:  # before what may come of it
        said.append(_odd(ahead.odd, decision))
    reaches = _reaches(ahead, decision)
    if reaches is not None:
        said.append(reaches)
    if ahead.paced:
        said.append(
            f"Water or the cap would not last at {decision.target_rh_pct:.1f} %RH: it is held near "
            f"{ahead.setpoint_rh_pct:.1f}."
        )
    return said


def after(ahead: Ahead, on: bool, for_s: float) -> float:
    """RH in ``for_s`` with steady mist, or none, from now on, at this temperature; not bounded."""
    return _run(ahead, on, for_s)[-1][1]


def _run(ahead: Ahead, on: bool, for_s: float) -> list[tuple[float, float]]:
    room, now, slow = ahead.room, ahead.rh_pct / ahead.per_pct, ahead.slow_rh_pct
    trace = []
    t = room.dead_s
    while True:
        trace.append((t, now * ahead.per_pct))
        if t >= for_s or t >= LONGEST_S:
            return trace
        rh_pct = now * ahead.per_pct
        now += rate(room, now, slow - rh_pct, float(on)) * STEP_S / 3600.0
        slow += (rh_pct - slow) * STEP_S / STORE_S
        t += STEP_S


def half_life_s(ahead: Ahead) -> float | None:
    """Seconds in which half of a little moisture more than the room would have is gone; None: not in 12 h."""
    alone = ahead.room._replace(ground=0.0)  # what is more than the background, whatever that is
    extra, walls, t = 1.0, 0.0, 0.0
    while extra > 0.5:
        falls = rate(alone, MIDDLE_PCT + extra, (walls - extra) * ahead.per_pct, 0.0)
        walls += (extra - walls) * STEP_S / STORE_S
        extra += falls * STEP_S / 3600.0
        t += STEP_S
        if t > LONGEST_S or not abs(extra) < 10.0:
            return None
    return t


def _loses(ahead: Ahead) -> str:
    room = ahead.room
    sure = room.loss + room.store > TELLING * (room.loss_sd + room.store_sd)
    half_s = half_life_s(ahead) if sure else None
    if half_s is None:
        return "How fast the room loses moisture cannot be told yet."
    words = f"The room loses half of what mist adds in {_duration(half_s)}"
    if room.loss < TELLING * room.loss_sd:
        return f"{words}; how much of it walls and goods take, and how much leaves, cannot be told."
    return f"{words}."


def _raises(ahead: Ahead) -> str:
    rise = after(ahead, True, ahead.room.dead_s + RISE_S) - after(ahead, False, ahead.room.dead_s + RISE_S)
    room = ahead.room
    doubt = TELLING * room.gain_sd / room.gain
    return (
        f"Twenty minutes of mist raise it by {rise:.0f} %RH (±{doubt:.0%}); it begins to show after about "
        f"{_duration(room.dead_s + room.lag_s)}."
    )


def _background(extremes: tuple[float, float, float]) -> str:
    most, least = (f"{int(at_s // 3600)}:{int(at_s % 3600 // 60):02d}" for at_s in extremes[:2])
    return (
        f"What comes in by itself is most at about {most} and least at about {least}: "
        f"{extremes[2]:.1f} %RH an hour apart."
    )


def _needs(ahead: Ahead, rate_l_per_h: float) -> str:
    return f"As the last day was, it uses {24.0 * ahead.duty * rate_l_per_h:.1f} L a day."


def _reaches(ahead: Ahead, decision: Decision) -> str | None:
    """While mist is on: when the middle of the swing is reached."""
    wanted = ahead.setpoint_rh_pct
    if not decision.relay_on or ahead.rh_pct >= wanted:
        return None
    for t, rh_pct in _run(ahead, True, LONGEST_S):
        if rh_pct >= wanted:
            return f"It will be at {wanted:.0f} %RH at about {_clock(decision.at.wall, t)}."
    return f"The humidifier will not bring it to {wanted:.0f} %RH: this is all it can do as the weather is."


def _odd(odd: Odd, decision: Decision) -> str:
    wall = decision.at.wall
    since = _clock(wall, -odd.since_s)
    if odd.ended_s is None:
        if odd.kind == DRIER:
            return f"Since {since} it loses moisture faster than it did: a door, a window, or drier weather."
        return (
            f"Since {since} more moisture comes in than usual: misting by hand, laundry, people, a window "
            "that was shut, or wetter weather."
        )
    stretch = f"From {since} to {_clock(wall, -odd.ended_s)}"
    if odd.kind == DRIER:
        return f"{stretch} it lost moisture faster than it does, as through a door or window."
    return f"{stretch} more moisture came in than usual, as by misting by hand, laundry or people."


def _clock(wall: datetime, in_s: float) -> str:
    try:
        return (wall + timedelta(seconds=in_s)).strftime("%H:%M")
    except OverflowError:  # a wall clock at the end of the calendar
        return "no time that a clock can show"


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    if minutes < 100:
        return f"{max(minutes, 1)} min"
    return f"{minutes // 60} h {minutes % 60:02d}"
