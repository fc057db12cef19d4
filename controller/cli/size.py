"""size: will this humidifier hold this room, before it is bought or rehearsed."""

from __future__ import annotations

import argparse
import json
import re
from typing import TYPE_CHECKING, Any

from controller.cli import common

if TYPE_CHECKING:
    from controller.settings import Settings
    from controller.simulator.sizing import Guesses
    from controller.simulator.weather import Weather

USUAL_WINTER_RH_PCT = 80.0
"""Outdoors in a cold spell, where --outdoor gives no RH: common practice, no source."""
MOST_CHANGES_PER_H = 100.0


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "size",
        run,
        "will this humidifier hold this room: output, litres, hours, tank, heat, cold walls",
        "hygrohold size --outdoor -10,80 --leaky 1.5",
        "Worked out hour by hour over a year from [bench.room] and the weather; nothing is simulated.",
    )
    # As Python 3.14 has it: -10,80 is a value, not an option.
    to._negative_number_matcher = re.compile(r"-\.?\d")
    common.add_settings(to)
    weather = to.add_mutually_exclusive_group()
    weather.add_argument("--weather", metavar="FILE", help="outdoor weather from a file: EPW, TMY3 or CSV")
    weather.add_argument("--climate", metavar="NAME", help="a year of a built-in, invented climate")
    weather.add_argument(
        "--outdoor",
        type=design_state,
        metavar="TEMP[,RH]",
        help=f"one steady winter state instead, in °C and %%RH ({USUAL_WINTER_RH_PCT:g} without it)",
    )
    to.add_argument(
        "--tight",
        type=common.above_zero,
        metavar="N",
        help="air changes an hour if the room is tighter than set (default: half)",
    )
    to.add_argument(
        "--leaky",
        type=common.above_zero,
        metavar="N",
        help="air changes an hour if it is leakier than set (default: double)",
    )
    to.add_argument(
        "--cooled", action="store_true", help="an air conditioner holds the temperature in summer"
    )
    to.add_argument("--json", action="store_true", help="the figures as JSON")


LEAST_RH_PCT = 10.0
"""No design day is drier; who writes -3,5 means half a degree."""


def design_state(text: str) -> tuple[float, float]:
    """Argparse type: "-10" or "-10,80", in °C and %RH."""
    try:
        temp_c, rh_pct = (float(part) for part in (f"{text},{USUAL_WINTER_RH_PCT}".split(",")[:2]))
        fits = text.count(",") <= 1 and -60.0 <= temp_c <= 60.0 and LEAST_RH_PCT <= rh_pct <= 100.0
    except ValueError:
        fits = False
    if not fits:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not an outdoor state like -10 or -10,80: -60 to 60 °C, "
            f"{LEAST_RH_PCT:g} to 100 %RH; half a degree is written -3.5"
        )
    return temp_c, rh_pct


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.cli.size_text import as_json, as_text
    from controller.simulator.sizing import size

    overrides = {}
    for option, path in (("climate", "bench.climate"), ("weather", "bench.weather_file")):
        if getattr(args, option) is not None:
            overrides[path] = (getattr(args, option), f"--{option}")
    settings = common.load(args, overrides)
    guesses = _guesses(args, settings)
    weather = _weather(args, settings)
    cooled = args.cooled or settings.bench.cooling.cooler_w > 0.0
    sizing = size(settings, settings.bench, weather, guesses, cooled)
    if args.json:
        print(json.dumps(as_json(sizing, settings, weather), indent=2))
    else:
        print(as_text(sizing, settings, weather))
    return DONE


def _guesses(args: argparse.Namespace, settings: Settings) -> Guesses:
    """The three air changes. Raises SettingsError where they are not in order."""
    from controller.errors import SettingsError
    from controller.simulator.sizing import Guesses

    as_set = settings.bench.room.air_changes_per_h
    usual = Guesses.around(as_set)
    tight = usual.tight if args.tight is None else args.tight
    leaky = usual.leaky if args.leaky is None else args.leaky
    if tight > as_set:
        raise SettingsError(
            f"--tight: {tight:g} is more than the {as_set:g} air changes an hour that are set; "
            "give less, or change bench.room.air_changes_per_h"
        )
    if not as_set <= leaky <= MOST_CHANGES_PER_H:
        raise SettingsError(
            f"--leaky: {leaky:g} does not lie between the {as_set:g} air changes an hour that are set "
            f"and {MOST_CHANGES_PER_H:g}; give another, or change bench.room.air_changes_per_h"
        )
    return Guesses(tight, as_set, leaky)


def _weather(args: argparse.Namespace, settings: Settings) -> Weather:
    """One state, a file, or a year of the invented climate. Raises DataFileError or SettingsError."""
    from datetime import datetime
    from pathlib import Path

    from controller.core import air
    from controller.simulator.climate import make_weather
    from controller.simulator.weather import Outdoor, Weather
    from controller.simulator.weather_files import load_weather

    bench = settings.bench
    if args.outdoor is not None:
        temp_c, rh_pct = args.outdoor
        steady = Outdoor(temp_c, air.humidity_ratio(temp_c, rh_pct), air.STANDARD_PRESSURE_PA)
        return Weather.from_hourly([steady] * 24, name=f"steady {temp_c:g} °C, {rh_pct:g} %RH")
    if bench.weather_file and args.climate is None:
        return load_weather(Path(bench.weather_file))
    new_year = datetime(bench.starts.year, 1, 1)  # noqa: DTZ001  the sun's time, as climates have it
    return make_weather(bench.climate, bench.seed, new_year, 8760)
