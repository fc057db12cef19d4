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
    common.add_settings(to)
    to.add_argument("--json", action="store_true", help="the same as JSON")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, NOT_RUNNING
    from controller.status import as_text, is_stale, read_status
    from controller.wiring import places

    settings = common.load(args)
    now = datetime.now().astimezone()
    plain = read_status(places(settings).status)
    if plain is None:
        if args.json:
            print(json.dumps({"running": False}))
        else:
            print(
                f"The program is not running for room {settings.room.name}.\nStart it with `hygrohold run`."
            )
        return NOT_RUNNING
    stale = is_stale(plain, now)
    print(json.dumps({"running": not stale, **plain}, indent=2) if args.json else as_text(plain, now))
    return NOT_RUNNING if stale else DONE
