"""humidify: mist now, for a bounded time, behind every guard."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "humidify",
        run,
        "ask for mist now, for a bounded time; every guard still stands",
        "hygrohold humidify --for 10min",
    )
    to.add_argument(
        "--for",
        dest="for_s",
        type=common.duration_s,
        metavar="TIME",
        help="how long (default: as set, 15 min)",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request("humidify_now", by=args.by, for_s=args.for_s))
