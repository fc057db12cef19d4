"""pause: no mist for a while."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "pause",
        run,
        "no mist for a while; every pause ends by itself",
        "hygrohold pause --for 45min",
    )
    to.add_argument(
        "--for", dest="for_s", type=common.duration_s, metavar="TIME", help="how long (default: as set, 2 h)"
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request("pause", by=args.by, for_s=args.for_s))
