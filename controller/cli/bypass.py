"""bypass: say where the outlet's own hand/off/auto switch stands."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "bypass",
        run,
        "say where the outlet's own hand/off/auto switch stands, so that it is not taken for a fault",
        "hygrohold bypass hand --for 3h",
        "At hand, its time counts as run and its water as used. A word on it ends by itself, as if the "
        "switch were back at auto.",
    )
    to.add_argument("position", choices=("hand", "off", "auto"), help="where the switch stands")
    to.add_argument(
        "--for", dest="for_s", type=common.duration_s, metavar="TIME", help="how long (default: as set, 2 h)"
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request(f"bypass_{args.position}", by=args.by, for_s=args.for_s))
