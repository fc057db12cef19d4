"""bench: rehearse the settings on a simulated room, with the real control program."""

from __future__ import annotations

import argparse
import json
import sys
import time
from typing import Any

from controller.cli import bench_settings, common

OPTIONS = {
    "days": "bench.days",
    "seed": "bench.seed",
    "climate": "bench.climate",
    "weather": "bench.weather_file",
    "method": "demand.method",
}
"""Options that stand for a setting; what they give is checked as that setting is."""


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "bench",
        run,
        "rehearse on a simulated room: the same loop, full speed, nothing is switched",
        "hygrohold bench --days 14 --method pid --picture fortnight.png",
    )
    common.add_settings(to)
    to.add_argument("--days", metavar="N", help="length (default: as set, 14)")
    to.add_argument("--seed", metavar="N", help="the same seed gives the same rows (default: as set, 1)")
    to.add_argument("--climate", metavar="NAME", help="a built-in, invented climate; --list names them")
    to.add_argument("--weather", metavar="FILE", help="outdoor weather from a file: EPW, TMY3 or CSV")
    to.add_argument("--method", metavar="NAME", help="hysteresis or pid")
    to.add_argument("--room", metavar="NAME", help="a named room; --list names them")
    to.add_argument("--scenario", metavar="NAME|FILE", help="a scenario, not a settings file; see --list")
    to.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="KIND@HOURS[+HOURS][=SIZE]",
        help="something goes wrong so many hours after the start, for so many; may be repeated",
    )
    to.add_argument("--list", action="store_true", help="name scenarios, faults, rooms, climates, and stop")
    to.add_argument(
        "--compare", action="store_true", help="no control, a timer, hysteresis and pid side by side"
    )
    to.add_argument("--picture", metavar="FILE", help="draw it (.png, .svg or .pdf; needs the plot extra)")
    to.add_argument("--rows", metavar="FILE", help="write one CSV row a minute")
    to.add_argument("--json", action="store_true", help="the figures as JSON")
    to.add_argument("--say", action="store_true", help="tell every change, as `run` would log it")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE

    if args.list:
        bench_settings.tell_all()
        return DONE
    overrides = _overrides(args)
    if args.compare:
        from controller.cli import compare

        return compare.run(args, overrides)
    settings = bench_settings.load(args, overrides)
    picture = common.existing(args.picture) if args.picture else None
    rows = common.existing(args.rows) if args.rows else None
    if picture is not None:
        from controller.picture import require

        require(picture)
    from controller.bench_text import as_json, as_text, verdict_words, write_rows
    from controller.cli.progress import Progress
    from controller.wiring import make_rehearsal

    progress = Progress(settings)
    tellers: list[Any] = [] if args.json else [progress]
    if args.say:
        from controller.logs import LogTeller, configure

        configure(json_lines=False)
        tellers = [LogTeller()]
    rehearsal = make_rehearsal(settings, picture is not None or rows is not None, tuple(tellers))
    began = time.perf_counter()
    rehearsal.run()
    progress.wipe()
    took_s = time.perf_counter() - began
    summary = rehearsal.witness.summary()
    if args.json:
        print(json.dumps(as_json(summary, settings, rehearsal.weather), indent=2))
    else:
        print(as_text(summary, settings, rehearsal.weather, took_s))
        print(verdict_words(summary, settings))
    if rows is not None:
        with common.writing(rows):
            write_rows(rows, rehearsal.witness)
        print(f"Rows: {rows}", file=sys.stderr)
    if picture is not None:
        from controller.picture import draw

        with common.writing(picture):
            draw(picture, rehearsal.witness, settings, rehearsal.weather)
        print(f"Picture: {picture}", file=sys.stderr)
    return DONE


def _overrides(args: argparse.Namespace) -> dict[str, tuple[str, str]]:
    from controller.errors import SettingsError
    from controller.simulator.rooms import ROOMS

    overrides: dict[str, tuple[str, str]] = {}
    if args.room is not None:
        if args.room not in ROOMS:
            raise SettingsError(f"--room: there is no room {args.room!r}; choose one of {', '.join(ROOMS)}")
        for path, value in ROOMS[args.room].settings.items():
            overrides[path] = (str(value), f"--room {args.room}: {path}")
    for option, path in OPTIONS.items():
        value = getattr(args, option)
        if value is not None:
            overrides[path] = (value, f"--{option}")
    return overrides
