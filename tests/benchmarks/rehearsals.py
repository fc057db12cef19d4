"""How fast the core, the simulated room and the rehearsals are."""

from __future__ import annotations

import gc
import json
import math
import time
from datetime import UTC, datetime, timedelta
from typing import Any

from controller import Controller, Inputs, Instant, Reading, Request, Settings
from controller.history.store import SqliteHistory
from controller.ports import Sample
from controller.wiring import make_rehearsal
from tests.benchmarks.paper import line
from tests.long.control.live import Ours, live

START = datetime(2026, 1, 12, tzinfo=UTC)


def _core_s(method: str, steps: int) -> float:
    """CPU seconds for ``steps`` steps with two probes' worth of nothing spared: surface, tank, cap, noise."""
    settings = Settings(
        demand={"method": method}, surface={"frsi": 0.95}, runtime={"cap_hours_in_any_24": 20}
    )
    controller = Controller(settings)
    ticks = [
        (
            Inputs(
                (Reading(65 + 2.5 * math.sin(i / 30) + i % 7 * 0.02, 22.0 + i % 7 * 0.1),), outdoor_c=10.0
            ),
            Instant(i * 10.0, START + timedelta(seconds=10 * i)),
        )
        for i in range(steps)
    ]
    controller.step(Inputs(requests=(Request("refilled"),)), Instant(-10.0, START))
    gc.collect()
    began = time.process_time()
    for inputs, now in ticks:
        controller.step(inputs, now)
    return time.process_time() - began


def core() -> None:
    for method in ("hysteresis", "pid"):
        runs = sorted(_core_s(method, 50_000) / 50_000 * 1e6 for _ in range(5))
        line(f"core step, {method}, surface estimate on", f"{runs[0]:.1f} to {runs[-1]:.1f} us (5 runs)")


def _foresight_s(method: str) -> tuple[float, int]:
    """CPU seconds of the core over three days in a simulated room that it knows, at 10 s; and the steps."""
    settings = Settings(
        demand={"method": method, "foresight": "keep-hours"}, surface={"frsi": 0.95}, bench={"days": 7}
    )
    heard: list[tuple[Inputs, Instant]] = []

    class Heard(Ours):
        def step(self, now: Instant, readings: Any, on: bool, requests: Any) -> bool:
            heard.append((Inputs(readings, on, outdoor_c=3.0, requests=tuple(requests)), now))
            return self.controller.step(*heard[-1]).relay_on

    live(settings, lambda settings, world: Heard(settings))
    controller = Controller(settings)
    learning = len(heard) * 4 // 7
    for step in heard[:learning]:
        decision = controller.step(*step)
    assert decision.ahead is not None
    gc.collect()
    began = time.process_time()
    for step in heard[learning:]:
        controller.step(*step)
    return time.process_time() - began, len(heard) - learning


def core_foresight() -> None:
    for method in ("hysteresis", "pid"):
        runs = sorted(took_s / steps * 1e6 for took_s, steps in (_foresight_s(method) for _ in range(3)))
        line(f"core step, {method}, with foresight", f"{runs[0]:.1f} to {runs[-1]:.1f} us (3 runs)")


def growth() -> None:
    """What is alive after a million steps: objects, and the size of the state as JSON."""
    controller = Controller(Settings())
    found = []
    for i in range(1_000_000):
        reading = Reading(65 + 4 * math.sin(i / 20), 22.0 + i % 7 * 0.1)
        controller.step(Inputs((reading,)), Instant(i * 10.0, START + timedelta(seconds=10 * i)))
        if i in (100_000, 999_999):
            gc.collect()
            found.append((len(gc.get_objects()), len(json.dumps(controller.state.to_plain()))))
    (objects_1, bytes_1), (objects_2, bytes_2) = found
    line("core, objects alive after 1e5 and 1e6 steps", f"{objects_1} and {objects_2}")
    line("core, kept state after 1e5 and 1e6 steps", f"{bytes_1} and {bytes_2} bytes")


def fortnight() -> None:
    for method in ("hysteresis", "pid"):
        settings = Settings(demand={"method": method})
        began = time.perf_counter()
        make_rehearsal(settings, trace=True).run()
        took = time.perf_counter() - began
        ticks = settings.bench.days * 86400 / settings.loop.tick_s
        line(f"fortnight at 10 s ticks, {method}", f"{took:.2f} s, {took / ticks * 1e6:.1f} us a tick")


def year() -> None:
    for name, method, bench in (
        ("plain room, hysteresis", "hysteresis", {}),
        ("plain room, pid", "pid", {}),
        ("all physics, pid", "pid", RICH),
    ):
        settings = Settings(demand={"method": method}, bench={"days": 365, **bench}, loop={"tick_s": 30})
        began = time.perf_counter()
        make_rehearsal(settings, trace=False).run()
        took = time.perf_counter() - began
        line(f"year at 30 s ticks, {name}, record in memory", f"{took:.1f} s")


RICH: dict[str, Any] = {
    "leak": {"area_cm2": 100},
    "store": {"nordtest_class": "moderate", "area_m2": 40},
    "sources": {"dish_m2": 0.05, "sleepers": 1, "hand_mist_ml": 100, "hand_mist_at": ["09:00"]},
    "opening": [{"at": "18:00", "minutes": 15}],
    "cooling": {"cooler_w": 1500},
    "wall": {"area_m2": 3},
    "enclosure": {"volume_m3": 1.5, "dish_m2": 0.02},
    "probe": {"drift_rh_pct_per_day": 0.001, "creep_rh_pct": 1, "self_heating_k": 0.2},
}
"""Every piece of physics on."""


def shares() -> None:
    """Where a rehearsal's time goes: sixty days at 30 s, each part alone over the same ticks."""
    days, tick_s = 60, 30
    ticks = days * 2880
    for name, bench in (("plain room", {}), ("all physics", RICH)):
        settings = Settings(bench={"days": days, **bench}, loop={"tick_s": tick_s})
        began = time.perf_counter()
        make_rehearsal(settings, trace=False).run()
        whole = time.perf_counter() - began
        rehearsal = make_rehearsal(settings, trace=False)
        world, mono_s = rehearsal.world, 0.0
        began = time.perf_counter()
        for index in range(ticks):
            world.relay.switch(index % 40 < 18)
            mono_s += tick_s
            world.wait_until(mono_s)
            world.probe.read()
        physics = time.perf_counter() - began
        controller = Controller(settings)
        inputs = Inputs((Reading(66.0, 24.0),), outdoor_c=0.0)
        nows = [Instant(index * 30.0, START + timedelta(seconds=30 * index)) for index in range(ticks)]
        began = time.perf_counter()
        for now in nows:
            controller.step(inputs, now)
        core_s = time.perf_counter() - began
        history = SqliteHistory.in_memory()
        row = Sample(0.0, True, 66.0, 24.0, 66.0, 24.0, None, None, 65.0, True, 20.0, 2.0, 0.0, "")
        began = time.perf_counter()
        for _ in range(days * 1440):
            history.sample(row)
        history.close()
        history_s = time.perf_counter() - began
        rest = whole - physics - core_s - history_s
        parts = {"physics": physics, "core": core_s, "history": history_s, "loop, witness, shadows": rest}
        line(
            f"{name}: {days / whole:.0f} days a second",
            ", ".join(f"{part} {100 * seconds / whole:.0f} %" for part, seconds in parts.items()),
        )
