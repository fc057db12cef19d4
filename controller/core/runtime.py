"""RUNTIME: how long the humidifier really ran in the last 24 hours.

In:    the core's clock and the relay's on-time since the last tick.
Out:   seconds used in any 24 hours, seconds left under the keeper's cap, when it frees again.
Never: looks at a calendar: no midnight, daylight saving or clock jump can double the cap.

The window rolls. Finished runs are kept as (start, end) on the core's clock, which counts only
time that surely passed. Once the cap is reached it stays reached until a useful run has become
free, so that the humidifier does not chatter along the edge of the window.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple, Self

from pydantic import Field, model_validator

from controller.core.limits import Limits, contradiction

WINDOW_S = 86400.0
MOST_RUNS = 512


class RuntimeLimits(Limits):
    """The daily runtime cap."""

    cap_hours_in_any_24: float = Field(12.0, ge=0.1, le=24, description="on-time allowed in any 24 hours")
    useful_run_minutes: float = Field(30.0, ge=1, le=240, description="free again before the next run")

    @cached_property
    def cap_s(self) -> float:
        return self.cap_hours_in_any_24 * 3600.0

    @cached_property
    def binds(self) -> bool:
        """Whether it can refuse anything: one as long as the window cannot."""
        return self.cap_s < WINDOW_S

    @cached_property
    def useful_s(self) -> float:
        return self.useful_run_minutes * 60.0

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.useful_s > self.cap_s:
            raise contradiction(
                f"a useful run of {self.useful_run_minutes:g} minutes never fits under a cap of "
                f"{self.cap_hours_in_any_24:g} h",
                "runtime.useful_run_minutes", "runtime.cap_hours_in_any_24",
            )  # fmt: skip
        return self


class RuntimeMemory(NamedTuple):
    """``runs`` are finished runs still in the window, oldest first; ``closed_s`` is their sum."""

    runs: tuple[tuple[float, float], ...] = ()
    closed_s: float = 0.0
    open_t: float | None = None  # when the run began that has not ended yet
    capped_until_t: float | None = None


def advance(memory: RuntimeMemory, t: float, dt_s: float, was_on: bool) -> RuntimeMemory:
    """Books the last tick: the relay was on, or off, from ``t - dt_s`` to ``t``."""
    runs, open_t = memory.runs, memory.open_t
    stale = bool(runs) and runs[0][1] <= t - WINDOW_S
    if was_on:
        if open_t is not None and not stale:
            return memory
        open_t = t - dt_s if open_t is None else open_t
    else:
        if open_t is None and not stale:
            return memory
        if open_t is not None:
            runs, open_t = (*runs, (open_t, t - dt_s)), None
    return _with_runs(memory, runs, open_t, t)


def used_s(memory: RuntimeMemory, t: float) -> float:
    """On-time in the 24 hours before ``t``, seconds."""
    used = memory.closed_s
    if memory.open_t is not None:
        used += min(t - memory.open_t, WINDOW_S)
    if memory.runs:
        start, end = memory.runs[0]
        aged_s = t - WINDOW_S - start
        if aged_s > 0.0:
            used -= min(aged_s, end - start)
    return used


def on_s_since(memory: RuntimeMemory, since_t: float, t: float) -> float:
    """On-time between ``since_t`` (within the window) and ``t``, seconds."""
    spans = memory.runs if memory.open_t is None else (*memory.runs, (memory.open_t, t))
    return sum(max(0.0, min(end, t) - max(start, since_t)) for start, end in spans)


def on_s_between(memory: RuntimeMemory, from_t: float, to_t: float) -> float:
    """On-time in a short span of the window that is nearly now, seconds: looks at the latest runs alone."""
    on_s = 0.0
    if memory.open_t is not None and memory.open_t < to_t:
        on_s = to_t - max(memory.open_t, from_t)
    for start, end in reversed(memory.runs):
        if end <= from_t:
            break
        if start < to_t:
            on_s += min(end, to_t) - max(start, from_t)
    return on_s


def judge_cap(memory: RuntimeMemory, t: float, interval_s: float, limits: RuntimeLimits) -> RuntimeMemory:
    """Notes that the cap is reached, or that enough is free again.

    Reached when less than one more interval is left: the next look might come too late.
    """
    if not limits.binds:
        return memory if memory.capped_until_t is None else memory._replace(capped_until_t=None)
    left_s = limits.cap_s - used_s(memory, t)
    if memory.capped_until_t is None:
        if left_s >= interval_s:
            return memory
    elif t < memory.capped_until_t or left_s >= limits.useful_s:
        return memory if t < memory.capped_until_t else memory._replace(capped_until_t=None)
    return memory._replace(capped_until_t=_free_at(memory, t, limits))


def _free_at(memory: RuntimeMemory, t: float, limits: RuntimeLimits) -> float:
    """When a useful run will have become free, if the relay stays off from now on."""
    spans = memory.runs if memory.open_t is None else (*memory.runs, (memory.open_t, t))
    must_age_s = used_s(memory, t) - (limits.cap_s - limits.useful_s)
    for start, end in spans:
        start = max(start, t - WINDOW_S)
        if end <= start:
            continue
        if end - start >= must_age_s:
            return max(t, start + must_age_s + WINDOW_S)
        must_age_s -= end - start
    return t


def assume_ran(memory: RuntimeMemory, start_t: float, end_t: float) -> RuntimeMemory:
    """Books a run that nobody watched (after an unclean end, or a lost ledger)."""
    if end_t <= start_t:
        return memory
    spans = sorted((*memory.runs, (start_t, end_t)))
    return _with_runs(memory, tuple(spans), memory.open_t, end_t)


def forget_run(memory: RuntimeMemory, run: tuple[float, float], t: float) -> RuntimeMemory:
    """Takes back one that was only assumed, now that it is known what really ran."""
    left = _with_runs(memory, tuple(kept for kept in memory.runs if kept != run), memory.open_t, t)
    return left._replace(capped_until_t=None if left.capped_until_t is None else t)


def age_finished(memory: RuntimeMemory, before_t: float, by_s: float, t: float) -> RuntimeMemory:
    """Moves runs that ended before ``before_t`` further into the past, once the clock tells how far."""
    runs = tuple(
        (start - by_s, end - by_s) if end <= before_t else (start, end) for start, end in memory.runs
    )
    moved = _with_runs(memory, runs, memory.open_t, t)
    return moved._replace(capped_until_t=None if moved.capped_until_t is None else t)


def _with_runs(
    memory: RuntimeMemory, runs: tuple[tuple[float, float], ...], open_t: float | None, t: float
) -> RuntimeMemory:
    runs = tuple(run for run in runs if run[1] > t - WINDOW_S)
    if len(runs) > MOST_RUNS:  # bounded; joined towards the later run, so never aged too early
        (start_1, end_1), (start_2, end_2), *rest = runs
        runs = ((start_2 - (end_1 - start_1), end_2), *rest)
    closed_s = sum(end - start for start, end in runs)
    return RuntimeMemory(runs, closed_s, open_t, memory.capped_until_t)
