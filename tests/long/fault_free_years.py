"""A year of every named scenario without its faults: no fault alarm may be raised.

    python tests/long/fault_free_years.py                every scenario, all cores, about half an hour
    python tests/long/fault_free_years.py winter-room    only these

By hand, since it takes long (DAYS, METHODS, TICK_S and WORKERS in the environment change it; a coarser tick
than the scenario's own goes faster, and the mist is judged by five minutes anyway). Some scenarios are unwell
by themselves, without a scripted fault: what may be said there is listed.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from controller.core.records import Decision, Inputs
from controller.settings.scenario import Scenario, names, path_of
from controller.wiring import make_rehearsal

DAYS = float(os.environ.get("DAYS", "365"))
TICK_S = float(os.environ.get("TICK_S", "0"))
METHODS = tuple(os.environ.get("METHODS", "hysteresis pid").split())
UNWELL: dict[str, frozenset[str]] = {
    "forgetful-keeper": frozenset({"tank_dry", "no_mist"}),  # the tank is dry for days
    "leaking-tank": frozenset({"tank_dry", "no_mist"}),  # its keeper fills too late for it, leak or none
    "humidifier-too-small": frozenset({"below_band"}),  # until it has learned that the mist works
    "sleeping-evaporator": frozenset(  # it does not resume: mist ends at the first switching
        {"below_band", "tank_dry", "no_mist", "stray_mist", "mist_weak"}
    ),
    "scale-over-months": frozenset({"mist_weak", "tank_dry", "no_mist", "below_band"}),
}
"""Scenario -> what its own nature may bring up."""


class Raised(NamedTuple):
    code: str
    first_h: float
    hours: float


class Ear:
    """A teller that notes each fault alarm, when it was first raised and how long it stood."""

    def __init__(self) -> None:
        self.first: dict[str, float] = {}
        self.ticks: dict[str, int] = {}
        self.begins_s: float | None = None

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        now_s = decision.at.wall.timestamp()
        if self.begins_s is None:
            self.begins_s = now_s
        for alarm in decision.alarms:
            self.first.setdefault(alarm.code, (now_s - self.begins_s) / 3600.0)
            self.ticks[alarm.code] = self.ticks.get(alarm.code, 0) + 1


def year_of(name: str, method: str, seed: int) -> tuple[str, str, list[Raised], float]:
    began = time.monotonic()
    scenario = Scenario.load(path_of(name), {})
    bench = scenario.bench.model_copy(update={"fault": (), "days": DAYS, "seed": seed})
    demand = scenario.demand.model_copy(update={"method": method})
    loop = scenario.loop.model_copy(update={"tick_s": max(TICK_S, scenario.loop.tick_s)})
    settings = scenario.model_copy(update={"bench": bench, "demand": demand, "loop": loop})
    rehearsal = make_rehearsal(settings, False)
    ear, begin = Ear(), rehearsal.begin
    heard = rehearsal._replace(
        begin=lambda kept: (parts := begin(kept))._replace(tellers=(*parts.tellers, ear))
    )
    heard.run()
    tick_h = settings.loop.tick_s / 3600.0
    raised = [Raised(code, first, ear.ticks[code] * tick_h) for code, first in ear.first.items()]
    return name, method, raised, time.monotonic() - began


def main(wanted: list[str]) -> int:
    jobs = [(name, method, 1) for name in wanted or names() for method in METHODS]
    false = 0
    with ProcessPoolExecutor(int(os.environ.get("WORKERS", os.cpu_count() or 1))) as pool:
        for done in [pool.submit(year_of, *job) for job in jobs]:
            name, method, raised, took_s = done.result()
            words = ", ".join(f"{r.code} from {r.first_h:.0f} h, {r.hours:.0f} h in all" for r in raised)
            false += sum(r.code not in UNWELL.get(name, frozenset()) for r in raised)
            print(f"{name:26} {method:10} {words or 'silent'} ({took_s:.0f} s)", flush=True)
    print(
        f"{false} false fault alarms in {len(jobs)} years of {DAYS:.0f} days, ticks of {TICK_S:g} s or more"
    )
    return 1 if false else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
