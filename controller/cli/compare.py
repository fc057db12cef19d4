"""bench --compare: the same room and days under no control, a timer, hysteresis and pid."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli import bench_settings, common

if TYPE_CHECKING:
    from controller.comparison import Compared
    from controller.settings import Settings
    from controller.simulator.weather import Weather

NOT_WITH = {
    "method": "every method is run anyway",
    "rows": "rows are of one run; take them from `bench` without --compare",
    "say": "it would tell of four runs at once; use `bench` without --compare",
}
"""Option of bench -> why it does not go with --compare."""


def run(args: argparse.Namespace, overrides: Mapping[str, tuple[str, str]]) -> int:
    from controller.cli import DONE
    from controller.errors import SettingsError

    for option, why in NOT_WITH.items():
        if getattr(args, option):
            raise SettingsError(f"--{option} does not go with --compare: {why}")
    settings_of = {
        method: bench_settings.load(args, {**overrides, "demand.method": (method, "--compare")})
        for method in ("hysteresis", "pid")
    }
    picture = common.existing(args.picture) if args.picture else None
    if picture is not None:
        from controller.picture import require

        require(picture)
    from controller.compare_text import as_json, as_text

    began = time.perf_counter()
    found, weather = _run_all(settings_of, picture is not None, args.json)
    took_s = time.perf_counter() - began
    if args.json:
        print(json.dumps(as_json(found, weather), indent=2))
    else:
        print(as_text(found, weather, took_s))
    if picture is not None:
        _draw(picture, found, weather)
    return DONE


def _run_all(settings_of: Mapping[str, Settings], trace: bool, quiet: bool) -> tuple[list[Compared], Weather]:
    """Each way over a world of its own, all begun alike."""
    from controller.cli.progress import Progress
    from controller.comparison import WAYS, Compared
    from controller.wiring import make_rehearsal

    began = time.perf_counter()
    found = []
    for way in WAYS:
        settings = settings_of.get(way.key, settings_of["hysteresis"])
        progress = Progress(settings, way.name, began)
        tellers = () if quiet else (progress,)
        rehearsal = make_rehearsal(settings, trace, tellers, way.rule)
        rehearsal.run()
        progress.wipe()
        found.append(Compared(way, settings, rehearsal.witness.summary(), rehearsal.witness.trace))
    return found, rehearsal.weather


def _draw(picture: Path, found: list[Compared], weather: Weather) -> None:
    from controller.compare_picture import draw

    with common.writing(picture):
        draw(picture, found, weather)
    print(f"Picture: {picture}", file=sys.stderr)
