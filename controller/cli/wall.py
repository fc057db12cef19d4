"""wall: the coldest wall's temperature factor from one evening's thermometer readings, and what it allows."""

from __future__ import annotations

import argparse
from math import floor
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

from controller.cli import common
from controller.core import units
from controller.errors import SettingsError

LEAST_APART_K = 10.0
"""Indoors above outdoors. Below it half a degree of error says more than the wall. Own choice."""
THERMOMETER_K = 0.5
LEAST_FRSI = 0.1
HOTTEST_ROOM_C = 45.0
"""As in the first setup."""
MOST_READINGS = 50
TABLE_C = (-15, -10, -5, 0, 5, 10)
WET_RH_PCT = 80.0
"""ISO 13788: from there on mould can grow on a surface."""


class Reading(NamedTuple):
    room_c: float
    wall_c: float
    outdoor_c: float

    @property
    def frsi(self) -> float:
        """ISO 13788: (surface - outdoors) / (indoors - outdoors)."""
        return (self.wall_c - self.outdoor_c) / (self.room_c - self.outdoor_c)

    @property
    def within(self) -> float:
        """How far three thermometers, each half a degree wrong, can move it at the most: as the closed form
        of the worst case, the room's and the outdoors' by their shares of the way and the wall's whole.
        """
        return 2.0 * THERMOMETER_K / (self.room_c - self.outdoor_c)


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "wall",
        run,
        "from one cold evening's readings: how cold the coldest wall gets, and what humidity it allows",
        "hygrohold wall --reading 24 17.5 2 --reading 24.2 17.4 1.5",
        'Each reading: the room\'s air, the coldest spot of the wall, outdoors, in °C or like "75 F". After '
        "dark, the heating steady for hours, no sun on the wall that day, the thermometer pressed to it.",
    )
    to.add_argument(
        "--reading", dest="readings", action="append", nargs=3, type=_temp_c, required=True,
        metavar=("ROOM", "WALL", "OUTDOOR"), help="three temperatures of one moment; give several",
    )  # fmt: skip
    common.add_settings(to, asks=True)
    to.add_argument(
        "--room", dest="room_c", type=_temp_c, default=24.0, help="for the table (default: 24 °C)"
    )


def _temp_c(text: str) -> float:
    found = units.read(text, units.celsius)
    try:
        value = float(text) if found is None else found
    except ValueError:
        value = float("nan")
    if not -60.0 <= value <= 80.0:
        raise argparse.ArgumentTypeError(f'{text!r} is not a temperature like 17.5 or "63 F"')
    return value


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.core import air

    units_said = common.load(args).room.units
    if len(args.readings) > MOST_READINGS:
        raise SettingsError(f"--reading: found {len(args.readings)}; allowed: at most {MOST_READINGS}")
    readings = [Reading(*three) for three in args.readings]
    for number, reading in enumerate(readings, 1):
        _judge(number, reading)

    def say(words: str) -> None:
        print(units.said(words, units_said))

    factors = [reading.frsi for reading in readings]
    middle, lowest = median(factors), floor(100.0 * min(factors)) / 100.0  # never rounded towards comfort
    spread, within = max(factors) - min(factors), max(reading.within for reading in readings)
    several = (
        f"fRsi {middle:.2f} in the middle of {len(factors)}, the lowest {lowest:.2f}, {spread:.2f} apart."
    )
    say(
        several
        if len(factors) > 1
        else f"fRsi {lowest:.2f} from one reading; two more would tell how sure it is."
    )
    say(f"Thermometers that are half a degree wrong can move a reading by {within:.2f}.")
    if spread > within:
        say("They lie further apart than that: the room was not steady, or not the same spot was measured.")
    print(f"\n{_where(args.settings)}\n\n  frsi = {lowest:.2f}\n")
    say(f"The lowest, since the coldest spot counts. What it means for a room at {args.room_c:g} °C:")
    say("  outdoors      wall  the room may have, with no more than 80 %RH at the wall (ISO 13788)")
    for outdoor_c in TABLE_C:
        wall_c = outdoor_c + lowest * (args.room_c - outdoor_c)
        limit = floor(min(WET_RH_PCT / air.surface_rh_pct(args.room_c, 1.0, wall_c), 100.0))
        temps = [units.said(f"{temp} °C", units_said) for temp in (str(outdoor_c), f"{wall_c:.1f}")]
        print(f"{temps[0]:>10}{temps[1]:>10}  {limit} %RH")
    say("A mean of a month counts for mould; a cold night alone does not. Glass may fog long before.")
    return DONE


def _where(path: str | None) -> str:
    """Where the line belongs: a second [surface] in the file would be refused."""
    from controller.settings.lines import Lines
    from controller.settings.toml import read_text

    file = path or common.service_file()
    if file is None:
        return (
            "For the settings file, under its line [surface] (write that line above it where there is none):"
        )
    text = read_text(Path(file))
    lines = Lines(text)
    if (at := lines.exact(("surface", "frsi"))) is not None:
        return f"For {file}, in place of what stands in line {at}:"
    at = lines.exact(("surface",))
    if at is not None and text.splitlines()[at - 1].split("#")[0].strip() == "[surface]":
        return f"For {file}, right below [surface] in line {at}, which is to stand there once:"
    return f"For {file}, at its end, below a line [surface] of its own:"


def _judge(number: int, reading: Reading) -> None:
    """Raises SettingsError."""
    if reading.room_c > HOTTEST_ROOM_C:
        room, wall, outdoor = (f"{each:g}" for each in reading)
        raise SettingsError(
            f"--reading {number}: a room of {room} °C is none. Fahrenheit is written with its letter: "
            f'--reading "{room} F" "{wall} F" "{outdoor} F"'
        )
    apart_k = reading.room_c - reading.outdoor_c
    if apart_k < LEAST_APART_K:
        raise SettingsError(
            f"--reading {number}: the room is only {apart_k:.1f} K warmer than outdoors; from "
            f"{LEAST_APART_K:g} K on the figure means something. Wait for a colder evening"
        )
    if reading.frsi < LEAST_FRSI and reading.outdoor_c < reading.wall_c:
        raise SettingsError(
            f"--reading {number}: the wall is nearly as cold as outdoors, which no wall of a heated room is: "
            "measure again; the order is ROOM WALL OUTDOOR"
        )
    if not reading.outdoor_c < reading.wall_c <= reading.room_c:
        raise SettingsError(
            f"--reading {number}: the wall, {reading.wall_c:g} °C, must lie between outdoors, "
            f"{reading.outdoor_c:g}, and the room, {reading.room_c:g}; the order is ROOM WALL OUTDOOR"
        )
