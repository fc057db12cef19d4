"""note: tell the loop that something was done by hand."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "note",
        run,
        "note what was done by hand: the tank was refilled",
        "hygrohold note refilled --litres 2.5 --at 16:40 --by Ann",
        "Two notes of one filling, within half an hour, are taken as one.",
    )
    to.add_argument("what", choices=("refilled",), help="what was done")
    to.add_argument(
        "--litres", type=common.above_zero, metavar="L", help="litres added (default: to the top)"
    )
    to.add_argument(
        "--at", type=common.moment, metavar="TIME", help="when, if not now: 16:40, 2026-01-14T16:40"
    )
    common.add_by(to)
    common.add_settings(to)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request
    from controller.wiring import zone

    at = None if args.at is None else common.past(args.at, zone(common.load(args)))
    return common.ask(args, Request("refilled", by=args.by, at=at, litres=args.litres))
