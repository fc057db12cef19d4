"""status: why it is on or off, what to do, the figures."""

from __future__ import annotations

import argparse
import json
from datetime import datetime
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "status",
        run,
        "say why the humidifier is on or off, and what to do",
        "hygrohold status --json",
        "Exit code 4 when the program is not running.",
    )
    common.add_settings(to, asks=True)
    to.add_argument("--json", action="store_true", help="the same as JSON")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, NOT_RUNNING
    from controller.core.units import said
    from controller.service.notice import newest
    from controller.status import as_text, ended_words, read_status, runs
    from controller.wiring import places, zone

    settings = common.load(args)
    where = places(settings)
    now = datetime.now(zone(settings))
    plain = read_status(where.status)
    running = runs(plain, now, where.state)
    ended = newest((where.runtime, where.state)) if where.by_service else None
    if args.json:
        more = {} if ended is None else {"service_ended": ended}
        print(json.dumps({"running": running, **(plain or {}), **more}, indent=2))
    elif plain is None:
        print(f"The program is not running for room {settings.room.name}.")
        print(common.start_words(settings, args.settings))
    else:
        print(said(as_text(plain, now, running), settings.room.units))
    words = "" if ended is None else ended_words(ended, now, running)
    if words and not args.json:
        print(words)
    return DONE if running else NOT_RUNNING
