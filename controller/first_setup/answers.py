"""ANSWERS: what a keeper said, and the settings that follow from it.

In:    answers, each already checked by its question.
Out:   settings, which of their places were answered, and a word on each that was worked out.
Never: asks, or leaves a contradiction: where answers could clash, the questions have refused before.

What follows without being asked: the band is 5 %RH below the lower and 8 %RH above the higher target, as the
default has it around its own; heat and its loss grow with the room; the keeper's simulated double fills the
tank when less than five eighths are left. All of them own choices, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import time
from typing import Any, NamedTuple

from controller.core import air
from controller.first_setup.machine import Machine, Seen
from controller.settings import Settings
from controller.settings.lines import Place
from controller.simulator.rooms import ROOMS
from controller.simulator.settings import BenchRoom

BAND_BELOW_RH_PCT, BAND_ABOVE_RH_PCT = 5.0, 8.0
FILLS_BELOW = 0.625
COLDEST_OUTDOORS_C = -15.0
"""The heating is taken to be strong enough down to here: a keeper says what warmth is held, not its watts."""
USUAL = Settings()
"""Every question's default is the settings' own."""
BELOW_CEILING_RH_PCT = USUAL.ceiling.probe_accuracy_rh_pct + USUAL.ceiling.clear_rh_pct
"""A target stays so far below the ceiling: by the probe's accuracy, and by what it takes to clear."""


class Line(NamedTuple):
    """The relay's pin: GPIO number on a Raspberry Pi, else line of a chip."""

    chip: int
    pin: int


class Answers(NamedTuple):
    """In the order in which they are asked."""

    name: str = USUAL.room.name
    time_zone: str = ""  # "" = the machine's own
    size: tuple[float, bool] = (12.0, False)  # m² of floor; or m³, True
    height: float = 2.5  # metres
    building: str = "spare-bedroom"  # a named room
    winter: str = USUAL.bench.climate
    day_target: float = USUAL.target.day_rh_pct
    night_target: float = USUAL.target.night_rh_pct
    day_begins: time = USUAL.target.day_starts
    night_begins: time = USUAL.target.night_starts
    ceiling: float = USUAL.ceiling.highest_rh_pct
    day_warmth: float = USUAL.bench.room.warm_temp_c
    night_warmth: float = USUAL.bench.room.cool_temp_c
    tank: float = USUAL.tank.tank_l
    tank_lasts: float = USUAL.tank.full_tank_lasts_h
    dry_cutout: bool = False  # the careful answer of who does not know
    most_hours: float = USUAL.runtime.cap_hours_in_any_24
    visits: tuple[time, ...] = USUAL.bench.keeper.looks_in
    probe: tuple[Seen, ...] = ()  # none = simulated
    relay_pin: Line | None = None  # None = simulated
    switches_on_high: bool = True

    @property
    def volume_m3(self) -> float:
        amount, is_volume = self.size
        return amount if is_volume else round(amount * self.height, 1)

    @property
    def output_l_per_h(self) -> float:
        return self.tank / self.tank_lasts

    @property
    def most_rh_pct_per_min(self) -> float:
        """How fast its mist raises humidity at most: mixed into the whole room, nothing lost, %RH a minute.

        By the psychrometrics of ``air`` at sea level; a litre of water taken as 1 kg.
        """
        temp_c = min(self.day_warmth, self.night_warmth)
        start = air.humidity_ratio(temp_c, min(self.day_target, self.night_target))
        dry_air_kg = self.volume_m3 / air.volume_m3(temp_c, start)
        after = start + self.output_l_per_h / 60.0 / dry_air_kg
        return air.rh_pct_from_humidity_ratio(temp_c, after) - air.rh_pct_from_humidity_ratio(temp_c, start)

    @property
    def lowest_ceiling(self) -> float:
        """Above the targets, by the probe's accuracy and by what it takes to clear."""
        return float(math.ceil(max(self.day_target, self.night_target) + BELOW_CEILING_RH_PCT))


class Made(NamedTuple):
    settings: Settings
    answered: tuple[Place, ...]
    notes: Mapping[Place, str]


def settings_of(answers: Answers, machine: Machine) -> Made:
    """The settings. Raises ValueError only where answers were not checked."""
    tables = tables_of(answers, machine)
    return Made(Settings(**tables), tuple(_places(tables)), notes_of(answers))


def tables_of(answers: Answers, machine: Machine) -> dict[str, Any]:
    """What the settings file says of them, not yet checked."""
    return {
        "room": {"name": answers.name, "timezone": answers.time_zone},
        "target": _target(answers),
        "ceiling": {"highest_rh_pct": answers.ceiling},
        "tank": {
            "tank_l": answers.tank,
            "full_tank_lasts_h": answers.tank_lasts,
            "dry_cutout": answers.dry_cutout,
        },
        "runtime": {"cap_hours_in_any_24": answers.most_hours},
        "probe": [_probe(seen) for seen in answers.probe] or [{"kind": "simulated"}],
        "relay": _relay(answers, machine),
        "bench": {
            "climate": answers.winter,
            "room": _room(answers),
            "humidifier": {"dry_cutout": answers.dry_cutout},
            "keeper": {"looks_in": answers.visits, "fills_below_l": round(FILLS_BELOW * answers.tank, 2)},
        },
    }


def _target(answers: Answers) -> dict[str, Any]:
    low, high = sorted((answers.day_target, answers.night_target))
    return {
        "day_rh_pct": answers.day_target,
        "night_rh_pct": answers.night_target,
        "day_starts": answers.day_begins,
        "night_starts": answers.night_begins,
        "band_low_rh_pct": low - BAND_BELOW_RH_PCT,
        "band_high_rh_pct": min(high + BAND_ABOVE_RH_PCT, answers.ceiling - 2.0),
    }


def _room(answers: Answers) -> dict[str, Any]:
    """The named room, as large as this one. What is heated and lost grows with it."""
    named = ROOMS[answers.building].settings
    own = {path.rpartition(".")[2]: value for path, value in named.items() if path.startswith("bench.room.")}
    model = BenchRoom(**own)
    larger = answers.volume_m3 / model.volume_m3
    loss = round(model.heat_loss_w_per_k * larger, 1)
    needed_w = loss * (max(answers.day_warmth, answers.night_warmth) - COLDEST_OUTDOORS_C)
    return {
        "volume_m3": answers.volume_m3,
        "air_changes_per_h": model.air_changes_per_h,
        "store_times_air": model.store_times_air,
        "store_hours": model.store_hours,
        "warm_temp_c": answers.day_warmth,
        "cool_temp_c": answers.night_warmth,
        "warm_from": answers.day_begins,
        "cool_from": answers.night_begins,
        "heater_w": min(50000.0, math.ceil(max(model.heater_w * larger, needed_w) / 100.0) * 100.0),
        "heat_loss_w_per_k": min(2000.0, max(1.0, loss)),
        "heat_store_kj_per_k": min(100000.0, max(10.0, round(model.heat_store_kj_per_k * larger, 0))),
    }


def _probe(seen: Seen) -> dict[str, Any]:
    return {"kind": seen.kind, "at": seen.address, "chip": seen.name}


def _relay(answers: Answers, machine: Machine) -> dict[str, Any]:
    line = answers.relay_pin
    if line is None:
        return {"kind": "simulated"}
    return {
        "kind": "gpiozero" if machine.raspberry_pi else "libgpiod",
        "pin": line.pin,
        "active_high": answers.switches_on_high,
        "chip": line.chip,
    }


def _places(value: Any, place: Place = ()) -> list[Place]:
    """Every key in it."""
    if isinstance(value, dict):
        return [found for key, inner in value.items() for found in _places(inner, (*place, key))]
    if isinstance(value, list):
        return [found for at, inner in enumerate(value) for found in _places(inner, (*place, at))]
    return [place]


def notes_of(answers: Answers) -> dict[Place, str]:
    """A word on each place that was worked out, or needs one."""
    about = f"of the named room {answers.building}"
    room: Place = ("bench", "room")
    notes: dict[Place, str] = {
        ("tank", "full_tank_lasts_h"): f"on the setting in use; so {answers.output_l_per_h:.3g} L/h",
        ("settings_version",): "of the form of this file",
        ("tank", "dry_cutout"): "does the humidifier switch itself off when dry?",
        ("target", "band_low_rh_pct"): "worked out; drier than this counts as too dry",
        ("target", "band_high_rh_pct"): "worked out; wetter than this counts as too wet",
        ("ceiling", "highest_rh_pct"): "never humidify above this; agree it with a veterinarian",
        ("probe", 0, "kind"): "a sensor with a kernel driver"
        if answers.probe
        else "none yet: `hygrohold check` lists what is there",
        ("relay", "kind"): "none yet: nothing is switched"
        if answers.relay_pin is None
        else "what drives the pin",
        ("bench", "humidifier", "dry_cutout"): "as under [tank]",
        ("bench", "keeper", "fills_below_l"): "worked out: five eighths of the tank",
        (*room, "warm_from"): "taken to be the day's",
        (*room, "cool_from"): "taken to be the night's",
        (*room, "air_changes_per_h"): f"{about}; nobody has measured yours",
        (*room, "store_times_air"): f"moisture in walls and substrate, {about}",
        (*room, "store_hours"): about,
    }
    if not answers.size[1]:
        notes[*room, "volume_m3"] = f"{answers.size[0]:g} m² of floor, {answers.height:g} m high"
    for key in ("heater_w", "heat_loss_w_per_k", "heat_store_kj_per_k"):
        notes[*room, key] = f"{about}, as large as this one"
    return notes
