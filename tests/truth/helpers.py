"""A rehearsal through the real loop with nothing in its way, and a look at the true air at every tick.

Moist air comes from psychrolib itself (ASHRAE Handbook of Fundamentals 2017, ch. 1), never from our code.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import psychrolib
import pytest

from controller.core.records import Decision, Inputs, Request
from controller.lives import Rehearsal
from controller.settings import Settings
from controller.simulator.world import World
from controller.wiring import make_rehearsal

psychrolib.SetUnitSystem(psychrolib.SI)

PRESSURE_PA = 101325.0
HOUR_S = 3600.0
DAY_S = 86400.0

QUIET: dict[str, Any] = {
    "target": {"band_low_rh_pct": 0, "band_high_rh_pct": 100, "ramp_minutes": 0},
    "ceiling": {"highest_rh_pct": 100, "probe_accuracy_rh_pct": 0},
    "guards": {"shortest_on_s": 0, "shortest_off_s": 0, "longest_run_minutes": 1440, "rest_minutes": 0},
    "runtime": {"cap_hours_in_any_24": 24},
    "trust": {"good_samples": 1},
    "keeper": {"longest_humidify_minutes": 240},
    "tank": {"tank_l": 500},
    "loop": {"tick_s": 1},
    "room": {"timezone": "UTC"},
    "bench": {
        "room": {
            "volume_m3": 30,
            "air_changes_per_h": 0.5,
            "store_times_air": 0,
            "warm_temp_c": 24,
            "cool_temp_c": 24,
            "heater_w": 50000,
            "mist_cools": False,
        },
        "humidifier": {"mist_delay_s": 0},
        "probe": {"lag_s": 0, "noise_rh_pct": 0, "step_rh_pct": 0, "step_temp_c": 0},
    },
}
"""No noise, steps, lag, store, latent heat, ramp; no limit on pulses, runs or the day."""


def places(names: Iterable[str]) -> list[Any]:
    """Years of real weather: one place in the checks, the others by hand (``check.py years``)."""
    return [pytest.param(name, marks=() if name == "Greensboro" else pytest.mark.slow) for name in names]


def merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    made = dict(base)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(made.get(key), dict)
        made[key] = merged(made[key], value) if both else value
    return made


def quiet(target_rh_pct: float, *over: dict[str, Any]) -> dict[str, Any]:
    """QUIET with one target all day, and more groups on top."""
    made = merged(QUIET, {"target": {"day_rh_pct": target_rh_pct, "night_rh_pct": target_rh_pct}})
    for groups in over:
        made = merged(made, groups)
    return made


def named_room(name: str) -> dict[str, Any]:
    """The settings of a named room, nested."""
    from controller.simulator.rooms import ROOMS

    made: dict[str, Any] = {}
    for path, value in ROOMS[name].settings.items():
        nested: Any = value
        for key in reversed(path.split(".")):
            nested = {key: nested}
        made = merged(made, nested)
    return made


def ratio_of(temp_c: float, rh_pct: float) -> float:
    return float(psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, PRESSURE_PA))


def rh_of(temp_c: float, ratio: float) -> float:
    return 100.0 * float(psychrolib.GetRelHumFromHumRatio(temp_c, ratio, PRESSURE_PA))


def dry_air_kg(volume_m3: float, temp_c: float, rh_pct: float = 60.0) -> float:
    """By the gas law: (p - pv) V / (R T), R 287.042 J/(kg K) (ASHRAE HoF 2017 ch.1 eq.1)."""
    vapour_pa = rh_pct / 100.0 * psychrolib.GetSatVapPres(temp_c)
    return float((PRESSURE_PA - vapour_pa) * volume_m3 / (287.042 * (temp_c + 273.15)))


def steady_outdoors(folder: Path, temp_c: float, rh_pct: float) -> str:
    """A plain weather file in which nothing changes."""
    path = folder / "steady.csv"
    rows = [f"2026-01-01T{hour:02d}:00,{temp_c!r},{rh_pct!r}" for hour in range(24)]
    path.write_text("\n".join(["time,temp_c,rh_pct", *rows]) + "\n", encoding="utf-8")
    return str(path)


class Looks:
    """Hears of every tick (``loop.Teller``) and notes the true room: one value a tick in each column."""

    COLUMNS = (
        "t_s",
        "ratio",
        "store_ratio",
        "rh_pct",
        "temp_c",
        "condensed_kg",
        "water_kg",
        "outdoor_ratio",
        "on",
    )

    def __init__(self) -> None:
        self.world: World | None = None
        self.t_s, self.ratio, self.store_ratio, self.rh_pct, self.temp_c, self.condensed_kg = (
            array("d") for _ in range(6)
        )
        self.water_kg = array("d")  # in air and store
        self.outdoor_ratio, self.on = array("d"), array("d")  # from this tick to the next
        self.tank_l, self.believed_l = array("d"), array("d")

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        assert self.world is not None
        room = self.world.room
        self.t_s.append(decision.at.mono_s)
        self.ratio.append(room.ratio)
        self.store_ratio.append(room.store_ratio)
        self.rh_pct.append(room.rh_pct)
        self.temp_c.append(room.temp_c)
        self.condensed_kg.append(room.condensed_kg)
        self.water_kg.append(room.water_kg)
        self.outdoor_ratio.append(self.world.outdoor.humidity_ratio)
        self.on.append(decision.relay_on)
        self.tank_l.append(room.tank_l)
        self.believed_l.append(float("nan") if decision.tank_l is None else decision.tank_l)

    def switchings(self) -> list[tuple[float, bool]]:
        """(when, on) of each change; off before the first tick."""
        found, before = [], 0.0
        for t_s, on in zip(self.t_s, self.on, strict=True):
            if on != before:
                found.append((t_s, bool(on)))
                before = on
        return found


def rehearse(
    groups: dict[str, Any], *, asks: Sequence[Request] = (), tellers: Sequence[Any] = (), trace: bool = False
) -> tuple[Rehearsal, Looks]:
    """Runs it through the real loop."""
    looks = Looks()
    rehearsal = make_rehearsal(Settings(**groups), trace, (looks, *tellers))
    looks.world = rehearsal.world
    for request in asks:
        rehearsal.world.keeper.ask(request)
    rehearsal.run()
    assert rehearsal.history.trouble() == ""
    return rehearsal, looks
