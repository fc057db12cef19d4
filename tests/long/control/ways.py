"""The ways of control that are compared, from a timer to a plan that knows everything.

In:    the name of a room and of a way, days.
Out:   ``Scores``, and a word on how they came about.
Never: gives one way a probe, a tick or a room that another has not, except the plans: they know the true air.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from simple_pid import PID

from controller.core import ceiling, runtime, target
from controller.core.records import Instant, Reading, Request
from controller.core.runtime import RuntimeMemory
from controller.settings import Settings
from controller.simulator.world import World
from tests.long.control import parts
from tests.long.control.live import Decides, Ours, Scores, live
from tests.long.control.rooms import settings_of

if TYPE_CHECKING:
    from tests.long.control.best_plan import Knowledge
    from tests.long.control.plan_window import Aim


class Timer:
    """A plug with a clock: on in every other hour, twelve hours a day. It knows nothing else."""

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        return now.wall.hour % 2 == 0


WINDOW_S = 600.0


class SimplePid:
    """simple-pid as its manual wires it, its output the share of a fixed window in which the relay is on.

    The clock is the room's. The gains are those that our own PI control has as defaults; the setpoint, its
    ramp, the runtime cap and the ceiling are the core's own functions. It does not know of tanks.
    """

    def __init__(self, settings: Settings, world: World) -> None:
        self._settings, self._seen_s = settings, -1.0
        gains = settings.demand.pid
        gain = gains.gain_duty_per_rh_pct
        self._pid = PID(
            gain, gain / (gains.integral_minutes * 60.0), 0.0, sample_time=settings.loop.tick_s,
            output_limits=(0, 1), time_fn=lambda: world.mono_s,
        )  # fmt: skip
        self._used = RuntimeMemory()
        self._held = False

    def step(
        self, now: Instant, readings: tuple[Reading, ...], on: bool, requests: Sequence[Request]
    ) -> bool:
        settings, t = self._settings, now.mono_s
        dt_s = 0.0 if self._seen_s < 0.0 else t - self._seen_s
        self._seen_s = t
        if dt_s > 0.0:
            self._used = runtime.advance(self._used, t, dt_s, on)
        self._used = runtime.judge_cap(self._used, t, settings.loop.tick_s, settings.runtime)
        rh = readings[0].rh_pct
        if rh is None:
            return False
        self._held = ceiling.holds(self._held, rh, settings.ceiling)
        self._pid.setpoint = target.wanted(
            now.wall, 0.0, settings.ceiling.release_rh_pct, settings.target
        ).rh_pct
        share = self._pid(rh) or 0.0
        if self._held or self._used.capped_until_t is not None:
            return False
        return t % WINDOW_S < share * WINDOW_S


class Lived(NamedTuple):
    scores: Scores
    remark: str = ""


def _decider(
    make: Callable[[Settings, World], Decides], over: dict[str, Any] | None = None
) -> Callable[..., Lived]:
    def run(name: str, days: float) -> Lived:
        return Lived(live(settings_of(name, days, over), make))

    return run


def _ours(**demand: Any) -> Callable[..., Lived]:
    return _decider(lambda settings, world: Ours(settings), {"demand": demand})


@lru_cache(maxsize=1)
def _known(name: str, days: float) -> Knowledge:
    from tests.long.control import best_plan  # needs scipy, which no other way does

    return best_plan.knowledge(settings_of(name, days))


def _planned(aim: Aim) -> Callable[..., Lived]:
    def run(name: str, days: float) -> Lived:
        from tests.long.control import best_plan

        found = best_plan.best(_known(name, days), aim)
        return Lived(found.best.scores, found.best.name)

    return run


def _alone(part: str) -> Callable[..., Lived]:
    whole = _ours(method="hysteresis", foresight="keep-hours")

    def run(name: str, days: float) -> Lived:
        with parts.alone(part):
            found: Lived = whole(name, days)
        return found

    return run


PLAN_HOURS, PLAN_ERROR = "plan: hours", "plan: error"
WAYS: dict[str, Callable[..., Lived]] = {
    PLAN_HOURS: _planned("hours"),
    PLAN_ERROR: _planned("error"),
    "timer": _decider(lambda settings, world: Timer()),
    "deadband 3": _ours(method="hysteresis", deadband_rh_pct=3),
    "deadband 5": _ours(method="hysteresis", deadband_rh_pct=5),
    "simple-pid": _decider(SimplePid),
    "keep-hours": _ours(method="hysteresis", foresight="keep-hours"),
    "keep-error": _ours(method="hysteresis", foresight="keep-error"),
    "pid": _ours(method="pid"),
    "pid keep-error": _ours(method="pid", foresight="keep-error"),
    "pid learned": _ours(method="pid", foresight="keep-error", pid={"tuning": "learned"}),
}
"""In the table's order. "deadband 3" is what these rooms are set to: ours without foresight."""
PARTS = {f"only {part}": _alone(part) for part in parts.ALONE}
"""Of keep-hours, each by itself."""
PLANS = (PLAN_HOURS, PLAN_ERROR)
