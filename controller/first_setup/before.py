"""BEFORE: a settings file that is there already: its values stand in the brackets, and the rest of it stays.

In:    the file's text and settings, the machine, the answers.
Out:   the answers the file gives; settings that differ from it only where an answer does, and in which lines.
Never: takes back what somebody wrote by hand, unless it cannot go with a changed answer.

Three are compared, place by place: the file, what setup would make of the file's own answers, and what it
makes of the answers now. Where the last two agree, the file's value stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import ValidationError

from controller.first_setup.answers import Answers, Line, Made, notes_of, tables_of
from controller.first_setup.machine import Machine, Seen
from controller.settings import Settings
from controller.settings.errors import named
from controller.settings.lines import Lines, Place
from controller.settings.writer import toml_value
from controller.simulator.rooms import ROOMS
from controller.simulator.settings import BenchRoom

NOT_HERE = "in the file; not found on this machine now"

WORKED_OUT: tuple[Place, ...] = (
    ("target", "band_low_rh_pct"),
    ("target", "band_high_rh_pct"),
    ("bench", "keeper", "fills_below_l"),
    ("bench", "room", "warm_from"),
    ("bench", "room", "cool_from"),
)
"""Not asked for, and followed from answers: what stands here may have been set by hand."""


class Clash(ValueError):
    """The answers do not go with what else stands in the file; the text says why."""


class Before(NamedTuple):
    """``name``: the file, as it is told to the keeper."""

    name: str
    settings: Settings
    text: str

    def on(self, machine: Machine) -> Machine:
        """The machine, with probes that only the file knows."""
        known = {(seen.kind, seen.address) for seen in machine.probes}
        added = tuple(seen for seen in self._probes() if (seen.kind, seen.address) not in known)
        return machine._replace(probes=(*machine.probes, *added))

    def answers(self, machine: Machine) -> Answers:
        """As they would have to be given to get this file. ``machine``: as ``on`` gives it."""
        settings = self.settings
        target, room, tank, relay = settings.target, settings.bench.room, settings.tank, settings.relay
        here = {(seen.kind, seen.address): seen for seen in machine.probes}
        return Answers(
            name=settings.room.name,
            time_zone=settings.room.timezone,
            size=(room.volume_m3, True),
            building=_building(room.air_changes_per_h),
            winter=settings.bench.climate,
            day_target=target.day_rh_pct,
            night_target=target.night_rh_pct,
            day_begins=target.day_starts,
            night_begins=target.night_starts,
            ceiling=settings.ceiling.highest_rh_pct,
            day_warmth=room.warm_temp_c,
            night_warmth=room.cool_temp_c,
            tank=tank.tank_l,
            tank_lasts=tank.tank_l / tank.rate_l_per_h,
            dry_cutout=tank.dry_cutout,
            most_hours=settings.runtime.cap_hours_in_any_24,
            visits=settings.bench.keeper.looks_in,
            probe=tuple(here.get((seen.kind, seen.address), seen) for seen in self._probes()),
            relay_pin=None if relay.kind == "simulated" else Line(relay.chip, relay.pin),
            switches_on_high=relay.active_high,
        )

    def made(self, answers: Answers, machine: Machine) -> Made:
        """The file's settings, with what the answers change. Raises Clash.

        What was worked out once and then changed by hand stays, where it still goes with the answers.
        """
        try:
            settings = Settings(**self._tables(answers, machine, by_hand=True))
        except ValidationError:
            try:
                settings = Settings(**self._tables(answers, machine, by_hand=False))
            except ValidationError as error:
                raise Clash("; ".join(_clash(each) for each in error.errors())) from None
        written = tuple(place for place, _ in leaves(settings.model_dump(exclude_unset=True)))
        found, as_made = (dict(leaves(each)) for each in (settings.model_dump(), tables_of(answers, machine)))
        own = {place for place, value in as_made.items() if found.get(place) != value}
        notes = {place: words for place, words in notes_of(answers).items() if place not in own}
        return Made(settings, written, notes)

    def _tables(self, answers: Answers, machine: Machine, by_hand: bool) -> dict[str, Any]:
        old, new = self.settings.model_dump(exclude_unset=True), tables_of(answers, machine)
        base = tables_of(self.answers(machine), machine)
        mine, as_made = dict(leaves(old)), dict(leaves(base))
        for place in WORKED_OUT:
            if place in mine and mine[place] != as_made[place]:
                _put(new if by_hand else old, place, as_made[place])
        merged = _merged(old, base, new)
        merged["probe"] = _probes(old.get("probe", ()), base["probe"], new["probe"])
        if any(base["tank"][key] != new["tank"][key] for key in ("tank_l", "full_tank_lasts_h")):
            merged["tank"].pop("output_l_per_h", None)  # else the output is said twice
            merged["tank"]["full_tank_lasts_h"] = new["tank"]["full_tank_lasts_h"]
        return merged

    def changes(self, settings: Settings) -> list[str]:
        """A line for each setting that will not be what it is in the file."""
        old, new = dict(leaves(self.settings.model_dump())), dict(leaves(settings.model_dump()))
        lines = Lines(self.text)
        return [
            f"{_where(lines, place)}  {named(place)} = {_shown(old.get(place))} -> {_shown(new.get(place))}"
            for place in dict.fromkeys((*old, *new))
            if old.get(place) != new.get(place)
        ]

    def _probes(self) -> tuple[Seen, ...]:
        return tuple(
            Seen(probe.kind, probe.at, probe.chip, NOT_HERE)
            for probe in self.settings.probe
            if probe.kind in ("hwmon", "iio")
        )


def leaves(value: Any, place: Place = ()) -> Iterator[tuple[Place, Any]]:
    """Every value in tables and lists of tables, with its place."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from leaves(inner, (*place, key))
    elif isinstance(value, list | tuple) and value and all(isinstance(each, Mapping) for each in value):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*place, number))
    else:
        yield place, value


def _put(tables: dict[str, Any], place: Place, value: Any) -> None:
    for name in place[:-1]:
        tables = tables[str(name)]
    tables[str(place[-1])] = value


def _building(air_changes_per_h: float) -> str:
    """The named room whose air leaks most like this."""
    usual = BenchRoom().air_changes_per_h
    apart = {
        name: abs(room.settings.get("bench.room.air_changes_per_h", usual) - air_changes_per_h)
        for name, room in ROOMS.items()
    }
    return min(apart, key=lambda name: apart[name])


def _merged(old: Mapping[str, Any], base: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(old)
    for key, value in new.items():
        if isinstance(value, dict):
            inner = _merged(old.get(key, {}), base.get(key, {}), value)
            merged |= {key: inner} if inner else {}
        elif key not in base or base[key] != value:
            merged[key] = value
    return merged


def _probes(old: Sequence[Mapping[str, Any]], base: Any, new: Any) -> Sequence[Mapping[str, Any]]:
    """The file's own entry, with its correction, for each probe that it knows."""
    if base == new:
        return old or new
    known = {(probe.get("kind"), probe.get("at")): probe for probe in old}
    return [known.get((probe["kind"], probe.get("at")), probe) for probe in new]


def _clash(error: Any) -> str:
    place = named(error["loc"])
    return f"{place}: {error['msg']}" if place else str(error["msg"])


def _where(lines: Lines, place: Place) -> str:
    line = lines.exact(place)
    return f"line {line:<4}" if line else "new line "


def _shown(value: Any) -> str:
    return "nothing" if value is None or value == () else toml_value(value)
