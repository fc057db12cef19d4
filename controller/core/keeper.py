"""KEEPER: what people asked for, and until when.

In:    requests, each with its own expiry; the core's clock.
Out:   pause, raise and humidify-now as they stand, and one answer to each request.
Never: keeps a wish for ever: everything asked for ends by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import isfinite
from typing import NamedTuple

from pydantic import Field

from controller.core import alarms, calibration, effect, filling, notes, refill, runtime, tank
from controller.core.alarms import Standing
from controller.core.calibration import CalibrationMemory, Corrects
from controller.core.effect import EffectMemory
from controller.core.limits import Limits
from controller.core.records import Answer, Raised, Request
from controller.core.runtime import RuntimeMemory
from controller.core.tank import TankLimits, TankMemory
from controller.core.trust import CorrectionLimits

USUAL_RAISE_RH_PCT = 5.0
"""Own choice, no source: by so much, where nobody says."""


class KeeperLimits(Limits):
    """Bounds on what can be asked for."""

    pause_hours: float = Field(2.0, ge=0.05, le=24, description="a pause, unless said otherwise")
    longest_pause_hours: float = Field(12.0, ge=0.05, le=48, description="no pause is longer")
    humidify_minutes: float = Field(
        15.0, ge=1, le=120, description="humidify now, unless another time is given"
    )
    longest_humidify_minutes: float = Field(60.0, ge=1, le=240, description="no humidify-now is longer")
    raise_days: float = Field(3.0, ge=0.1, le=30, description="a raised target, unless said otherwise")
    longest_raise_days: float = Field(14.0, ge=0.1, le=60, description="no raised target stays longer")
    most_raise_rh_pct: float = Field(15.0, ge=0, le=40, description="no target is raised further")
    bypass_hours: float = Field(
        2.0, ge=0.05, le=24, description="the hand/off/auto switch is back at auto after this, unless said"
    )
    longest_bypass_hours: float = Field(24.0, ge=0.05, le=168, description="no word on it holds longer")
    # EPA, Indoor Air Facts No. 8 (1991): clean a portable humidifier every third day.
    cleaning_days: float = Field(
        3.0, ge=0, le=90, description="a notice when the humidifier was last cleaned so long ago; 0 = never"
    )
    calibration_days: float = Field(
        180.0, ge=0, le=3660, description="a notice when a probe was last compared so long ago; 0 = never"
    )


class KeeperMemory(NamedTuple):
    """Ends are on the core's clock; 0 = not asked for."""

    pause_until_t: float = 0.0
    humidify_until_t: float = 0.0
    raise_until_t: float = 0.0
    raise_rh_pct: float = 0.0
    bypass: str = ""  # "hand" or "off" until bypass_until_t
    bypass_until_t: float = 0.0
    cleaned_t: float = 0.0  # when the humidifier was last cleaned, as far as anybody said
    raise_by: str = ""  # who asked for the raised target


class Desk(NamedTuple):
    """What requests may change, and what they are answered from."""

    keeper: KeeperMemory
    tank: TankMemory
    runtime: RuntimeMemory
    standing: tuple[Standing, ...] = ()
    effect: EffectMemory = EffectMemory()
    whole_day: bool = False  # the last 24 h are on record
    calibration: CalibrationMemory = CalibrationMemory()
    probes: Sequence[Corrects] = (CorrectionLimits(),)  # as the settings have them


def bypass(memory: KeeperMemory, hand: bool | None, t: float) -> tuple[str, float | None]:
    """Where the outlet's switch stands, and until when that word holds; its own contact says more."""
    if hand:
        return "hand", None
    if memory.bypass and memory.bypass_until_t > t:
        return memory.bypass, memory.bypass_until_t - t
    return "", None


def handle(
    desk: Desk,
    requests: tuple[Request, ...],
    t: float,
    wall: datetime,
    limits: KeeperLimits,
    tanks: TankLimits,
) -> tuple[Desk, tuple[Answer, ...]]:
    """Obeys or refuses each request in turn; never raises on what one contains."""
    answers = []
    for request in requests:
        try:
            desk, answer = _handle_one(desk, request, t, wall, limits, tanks)
        except (TypeError, ValueError, ArithmeticError):
            answer = Answer(request, False, "not understood: a figure or a time in it makes no sense")
        answers.append(answer)
    return desk, tuple(answers)


def _handle_one(
    desk: Desk, request: Request, t: float, wall: datetime, limits: KeeperLimits, tanks: TankLimits
) -> tuple[Desk, Answer]:
    if request.expires is not None and wall > request.expires:
        return desk, Answer(
            request, False, f"came too late: it was good until {request.expires:%Y-%m-%d %H:%M}"
        )
    for figure in (request.for_s, request.litres, request.rh_pct):
        if figure is not None and not (isfinite(figure) and figure > 0.0):
            return desk, Answer(request, False, f"{figure:g} is not a figure above zero")
    if request.kind == "refilled":
        return _refilled(desk, request, t, wall, tanks)
    if request.kind == "acknowledge":
        return _acknowledged(desk, request)
    if request.kind == "cleaned":
        return _cleaned(desk, request, t, wall)
    if request.kind in notes.ANSWERED_HERE:
        return _noted(desk, request, t, wall, limits)
    if str(request.kind).startswith("calibrate_"):
        memory, done, words = calibration.handle(desk.calibration, request, t, wall, desk.probes)
        return desk._replace(calibration=memory), Answer(request, done, words)
    if str(request.kind).startswith("bypass_"):
        keeper, done, words = _bypass(desk.keeper, request, t, limits)
        return desk._replace(keeper=keeper), Answer(request, done, words)
    keeper, done, words = _timed(desk.keeper, request, t, limits)
    return desk._replace(keeper=keeper), Answer(request, done, words)


def _cleaned(desk: Desk, request: Request, t: float, wall: datetime) -> tuple[Desk, Answer]:
    if wrong := notes.misdated(request, wall):
        return desk, Answer(request, False, wrong)
    ago_s = 0.0 if request.at is None else (wall - request.at).total_seconds()
    cleaned = desk.keeper._replace(cleaned_t=max(desk.keeper.cleaned_t, t - max(ago_s, 0.0)))
    desk = desk._replace(keeper=cleaned)
    if ago_s <= runtime.WINDOW_S:  # what was found since an older one stands
        desk = desk._replace(effect=effect.forgive(desk.effect, keep_best=True))
    return desk, Answer(request, True, "noted: the humidifier was cleaned")


def _noted(
    desk: Desk, request: Request, t: float, wall: datetime, limits: KeeperLimits
) -> tuple[Desk, Answer]:
    """A note of the journal. One that an animal is opaque may raise the target: it does both, or neither."""
    done, words = notes.answer(request, wall)
    if not done or request.kind != "opaque" or request.rh_pct is None:
        return desk, Answer(request, done, words)
    if limits.most_raise_rh_pct <= 0.0:
        words = "no raise is allowed (keeper.most_raise_rh_pct is 0); note it without one"
        return desk, Answer(request, False, words)
    keeper, done, raised = _timed(desk.keeper, request._replace(kind="raise_target"), t, limits)
    words = f"{words}; {raised}" if done else f"{raised}; neither was the note made"
    if done:  # the record shall tell of what was given, not of what was asked for
        request = request._replace(rh_pct=keeper.raise_rh_pct, for_s=round(keeper.raise_until_t - t, 3))
    return desk._replace(keeper=keeper), Answer(request, done, words)


def _acknowledged(desk: Desk, request: Request) -> tuple[Desk, Answer]:
    standing, count = alarms.acknowledge(desk.standing, request.by or "somebody")
    weak = any(item.code == "mist_weak" and item.said for item in standing)
    if weak:  # the keeper knows: the output of today is the new measure
        desk = desk._replace(effect=effect.forgive(desk.effect))
    words = "no alarm waits for it"
    if count:
        words = f"noted: {count} alarm{'' if count == 1 else 's'} acknowledged"
    return desk._replace(standing=standing), Answer(request, True, words)


def _bypass(
    keeper: KeeperMemory, request: Request, t: float, limits: KeeperLimits
) -> tuple[KeeperMemory, bool, str]:
    """Where the outlet's own hand/off/auto switch stands. A word on it ends, or a forgotten one would
    leave the room dry for ever.
    """
    position = request.kind.removeprefix("bypass_")
    if position == "auto":
        return keeper._replace(bypass="", bypass_until_t=0.0), True, "the outlet is switched from here again"
    if position not in ("hand", "off"):
        return keeper, False, f"{request.kind[:40]!r} is not a request known here"
    for_s, words = _bounded(request.for_s, limits.bypass_hours * 3600, limits.longest_bypass_hours * 3600)
    counts = "; its time counts as run" if position == "hand" else ""
    keeper = keeper._replace(bypass=position, bypass_until_t=t + for_s, humidify_until_t=0.0)
    return keeper, True, f"the outlet's switch is taken to stand at {position} for {words}{counts}"


def _timed(
    keeper: KeeperMemory, request: Request, t: float, limits: KeeperLimits
) -> tuple[KeeperMemory, bool, str]:
    """The wishes that run for a time: bounded, and said how long."""
    if request.kind == "pause":
        for_s, words = _bounded(request.for_s, limits.pause_hours * 3600, limits.longest_pause_hours * 3600)
        return keeper._replace(pause_until_t=t + for_s, humidify_until_t=0.0), True, f"paused for {words}"
    if request.kind == "resume":
        if keeper.pause_until_t <= t and keeper.humidify_until_t <= t:
            return keeper, True, "nothing was paused"
        return keeper._replace(pause_until_t=0.0, humidify_until_t=0.0), True, "back to the settings"
    if request.kind == "humidify_now" and keeper.pause_until_t > t:
        return keeper, False, f"paused for another {duration_words(keeper.pause_until_t - t)}; resume first"
    if request.kind == "humidify_now":
        longest_s = limits.longest_humidify_minutes * 60
        for_s, words = _bounded(request.for_s, limits.humidify_minutes * 60, longest_s)
        words = f"mist is asked for during {words}; every guard still stands"
        return keeper._replace(humidify_until_t=t + for_s), True, words
    if request.kind == "raise_target":
        return _raised(keeper, request, t, limits)
    if request.kind == "raise_end":
        standing = raised(keeper, t)
        words = "the target was not raised"
        if standing is not None:
            words = f"the target is the settings' own again; it was raised by {raised_words(standing)}"
        return keeper._replace(raise_until_t=0.0, raise_rh_pct=0.0, raise_by=""), True, words
    return keeper, False, f"{str(request.kind)[:40]!r} is not a request known here"


def raised(keeper: KeeperMemory, t: float) -> Raised | None:
    """The raised target that stands; None where there is none."""
    if not (keeper.raise_until_t > t and keeper.raise_rh_pct > 0.0):
        return None
    return Raised(keeper.raise_rh_pct, keeper.raise_by, keeper.raise_until_t - t)


def raised_words(standing: Raised) -> str:
    by = f" by {standing.by}" if standing.by else ""
    return f"{standing.rh_pct:g} %RH{by} for another {duration_words(standing.left_s)}"


def _raised(
    keeper: KeeperMemory, request: Request, t: float, limits: KeeperLimits
) -> tuple[KeeperMemory, bool, str]:
    """More than is allowed is refused, like every other wrong figure: half of a wish is another wish."""
    by = request.rh_pct if request.rh_pct is not None else USUAL_RAISE_RH_PCT
    most = limits.most_raise_rh_pct
    if by > most and request.rh_pct is not None:
        words = f"{by:g} %RH is more than a target may be raised, {most:g} (keeper.most_raise_rh_pct)"
        return keeper, False, words
    by = min(by, most)
    for_s, words = _bounded(request.for_s, limits.raise_days * 86400, limits.longest_raise_days * 86400)
    who = str(request.by or "").encode("utf-8", "replace").decode()  # whatever an embedder gives, it is kept
    before = raised(keeper, t)
    instead = "" if before is None else f", in place of {raised_words(before)}"
    words = f"target raised by {by:g} %RH for {words}{instead}; never above the ceiling"
    return keeper._replace(raise_until_t=t + for_s, raise_rh_pct=by, raise_by=who), True, words


def _bounded(asked_s: float | None, usual_s: float, longest_s: float) -> tuple[float, str]:
    for_s = min(asked_s if asked_s is not None else usual_s, longest_s)
    words = duration_words(for_s)
    return for_s, words if asked_s is None or asked_s <= longest_s else f"{words} (the longest allowed)"


def _refilled(
    desk: Desk, request: Request, t: float, wall: datetime, tanks: TankLimits
) -> tuple[Desk, Answer]:
    if wrong := notes.misdated(request, wall):
        return desk, Answer(request, False, wrong)
    ago_s = 0.0 if request.at is None else (wall - request.at).total_seconds()
    if request.litres is not None and request.litres > tanks.tank_l * 1.05:
        words = f"{request.litres:.3g} L do not fit into a tank of {tanks.tank_l:g} L"
        return desk, Answer(request, False, words)
    if ago_s > runtime.WINDOW_S:
        words = (
            "noted in the journal; it is longer ago than 24 h and how much has run out since is not known: "
            "the tank's estimate stays as it is, note the next filling"
        )
        return desk, Answer(request, True, words)
    at_t = filling.filled_at(desk.tank, t - max(ago_s, 0.0))
    on_since_s = runtime.on_s_since(desk.runtime, at_t, t)
    noted = filling.filled(desk.tank, t, request.litres, at_t, on_since_s, tanks, bool(request.full))
    filled = desk._replace(tank=noted.memory, effect=effect.forgive(desk.effect, keep_best=True))
    runs, open_t = desk.runtime.runs, desk.runtime.open_t
    found = refill.outlook(tank.water(noted.memory, tanks, runs, open_t, t, desk.whole_day), wall)
    by = "" if found is None else f", {refill.empty_words(found, wall)}"
    return filled, Answer(request, True, f"{noted.words}{by}{noted.more}")


def duration_words(seconds: float) -> str:
    """A duration as a person says it: "45 s", "12 min", "2 h 30 min", "3 days"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h" if hours else f"{days} days"
