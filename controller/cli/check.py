"""check: are settings, probe and relay in order, and what would be done now? Switches nothing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from controller.cli import common

if TYPE_CHECKING:
    from controller.core.records import Reading
    from controller.settings import Settings

HARDLY_A_ROOM_C = 35.0
"""Own choice, no source: a least temperature above this is a slip of the pen, or Fahrenheit."""


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "check",
        run,
        "look whether settings, probe and relay are in order, and say what would be done now",
        "hygrohold check --settings config/room.toml",
        "Nothing is switched.",
    )
    common.add_settings(to)


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, FAILED

    settings = common.load(args)
    print(f"Settings   in order: {args.settings or 'the built-in default'}")
    print(f"           {_plan(settings)}")
    readings = _probes(settings)
    _surroundings(settings)
    relay_fine = _relay(settings)
    _shelf(settings)
    _outside(settings, args.settings)
    if readings:
        print(f"Now        {_now(settings, readings)}")
    probes_fine = bool(readings) and not any(reading.failure for reading in readings)
    wrong = [name for name, fine in (("probe", probes_fine), ("relay", relay_fine)) if not fine]
    words = f"NOT in order: {', '.join(wrong)}" if wrong else _in_order(settings, args.settings)
    if wrong == ["probe"] and all(probe.kind == "simulated" for probe in settings.probe):
        both = settings.relay.kind == "simulated"
        parts = "probe and relay are" if both else "the probe is"
        words = f"not yet: {parts} still simulated; all else is in order"
    print(f"In short   {words}")
    return FAILED if wrong else DONE


def _plan(settings: Settings) -> str:
    target, runtime = settings.target, settings.runtime
    lowest_c = settings.guards.lowest_temp_c
    return (
        f"day {target.day_rh_pct:g} %RH from {target.day_starts:%H:%M}, "
        f"night {target.night_rh_pct:g} %RH from {target.night_starts:%H:%M},\n"
        f"           no mist from {settings.ceiling.limit_rh_pct:g} %RH on (ceiling less probe accuracy),\n"
        f"           {settings.demand.method}, "
        + (f"at most {runtime.cap_hours_in_any_24:g} h in any 24" if runtime.binds else "with no runtime cap")
        + (
            f"\n           Careful: no mist into a room colder than {lowest_c:g} °C (guards.lowest_temp_c), "
            f'and no room is so warm. Fahrenheit is written "{lowest_c:g} °F"'
            if lowest_c >= HARDLY_A_ROOM_C
            else ""
        )
    )


def _probes(settings: Settings) -> list[Reading]:
    """One reading of each probe, and what this machine has."""
    from controller.devices.sysfs import list_probes
    from controller.errors import HygroholdError
    from controller.wiring import make_probe

    readings = []
    for number, probe in enumerate(settings.probe, 1):
        if probe.kind == "simulated":
            print(f"Probe {number}    simulated, for rehearsals only. Name a real one under [[probe]].")
            continue
        try:
            made = make_probe(probe, lambda: 0.0)
        except HygroholdError as error:
            print(f"Probe {number}    {error}")
            continue
        reading = made.read()
        readings.append(reading)
        if reading.failure:
            print(f"Probe {number}    {made.name}: no reading, because {_because(reading.failure)}")
        else:
            print(f"Probe {number}    {made.name}: {reading.rh_pct:.1f} %RH, {reading.temp_c or 0.0:.1f} °C")
        note = getattr(made, "scale_note", "")
        if note:
            print(f"           {note}")
    found = list_probes()
    for item in found:
        print(f'Found      {item.kind} probe "{item.name}" at "{item.address}"')
    if not found:
        print("Found      no probe with a kernel driver on this machine")
    return readings if len(readings) == len(settings.probe) else []


def _surroundings(settings: Settings) -> None:
    """A reading of each thermometer beside the probe; none is needed."""
    from controller.devices.thermometer import make_thermometer
    from controller.errors import HygroholdError

    surface = settings.surface
    for name, part in (("Wall", surface.probe), ("Outdoors", surface.outdoor)):
        if part.kind == "simulated":
            print(f"{name:<11}simulated, for rehearsals only: `run` refuses it")
        elif part.kind != "none":
            try:
                made = make_thermometer(part)
            except HygroholdError as error:
                print(f"{name:<11}{error}")
                continue
            assert made is not None
            temp_c = made.read_c()
            words = f"no reading, because {made.failure}" if temp_c is None else f"{temp_c:.1f} °C"
            print(f"{name:<11}{made.name}: {words}")


def _because(failure: str) -> str:
    return failure.removeprefix("because ")


def _relay(settings: Settings) -> bool:
    if settings.relay.kind == "simulated":
        print('Relay      simulated: nothing is switched. A real one: relay.kind = "gpiozero" or "libgpiod"')
        return True
    from controller.devices.relay_words import caution, relay_reachable

    trouble = relay_reachable(settings.relay)
    line = f"pin {settings.relay.pin} of gpiochip{settings.relay.chip}"
    print(f"Relay      {trouble or f'{line} can be reached; it was not touched'}")
    if caution(settings.relay):
        print(f"           {caution(settings.relay)}")
    return not trouble


def _shelf(settings: Settings) -> None:
    """What the settings say hangs at the shelf; as with the relay, nothing is touched."""
    pins = [
        f"{key.removesuffix('_pin').replace('_', ' ')} on pin {pin}"
        for key, pin in settings.shelf.pins.items()
    ]
    if pins:
        print(f"Shelf      {', '.join(pins)}")


def _in_order(settings: Settings, file: str | None) -> str:
    """Nothing is wrong; what comes next before a real relay may run."""
    from controller import commissioned
    from controller.wiring import places

    if commissioned.refusal(settings, places(settings).state):
        return f"in order, and not commissioned yet: hygrohold commission --settings {file} is next"
    return "in order"


def _outside(settings: Settings, file: str | None) -> None:
    """Who is told outside the board, and whether others can read how."""
    from pathlib import Path

    from controller.copies import copies
    from controller.notifier.by_service import missing
    from controller.notifier.people import ways_to
    from controller.notifier.settings import exposed
    from controller.settings.file import LAST_GOOD

    notify = settings.notify
    for person, contact in (("first", notify.first), ("second", notify.second)):
        names = [way.name for way in ways_to(contact)]
        if names:
            print(f"Told       {person}: {', '.join(names)}; `hygrohold tell` tries it")
    if (notify.first.services or notify.second.services) and missing():
        print(f"           {missing()}")
    files = [Path(file), copies(Path(file)) / LAST_GOOD] if file else []
    warning = exposed(notify, files)
    if warning:
        print(f"           Careful: {warning}")


def _now(settings: Settings, readings: list[Reading]) -> str:
    """What a loop that has just come to trust these readings would do, from the kept state."""
    from controller.core.controller import Controller
    from controller.core.records import Inputs
    from controller.core.words import sentence
    from controller.devices.clock import BoardClock
    from controller.keep import peek
    from controller.wiring import places, zone

    clock = BoardClock(zone(settings))
    now = clock.now()
    clock.close()
    controller = Controller(settings, peek(places(settings).state))
    step_s = min(300.0, settings.trust.oldest_s)
    steps = settings.trust.good_samples + int(settings.guards.shortest_off_s // step_s) + 2
    decision = controller.step(Inputs(tuple(readings)), now)
    for _ in range(steps):
        now = now._replace(mono_s=now.mono_s + step_s)
        decision = controller.step(Inputs(tuple(readings), relay_on=False), now)
    return sentence(decision)
