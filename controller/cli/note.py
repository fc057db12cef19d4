"""note: tell the loop that something was done by hand."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common
from controller.errors import SettingsError


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "note",
        run,
        "note what was done by hand: the tank was refilled, the humidifier cleaned",
        "hygrohold note refilled --litres 2.5 --full --at 16:40 --by Ann",
        "Two notes of one filling, within half an hour, are taken as one.",
    )
    to.add_argument("what", choices=("refilled", "cleaned"), help="what was done")
    to.add_argument(
        "--litres", type=common.above_zero, metavar="L", help="refilled: litres added (default: to the top)"
    )
    to.add_argument(
        "--full",
        action="store_true",
        help="refilled, with --litres: they filled it to the top; that teaches what the humidifier gives",
    )
    to.add_argument(
        "--at", type=common.moment, metavar="TIME", help="when, if not now: 16:40, 2026-01-14T16:40"
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request
    from controller.wiring import zone

    at = None if args.at is None else common.past(args.at, zone(common.load(args)))
    if args.what == "cleaned" and (args.litres is not None or args.full):
        raise SettingsError("--litres and --full go with refilled, not with cleaned")
    return common.ask(args, Request(args.what, by=args.by, at=at, litres=args.litres, full=args.full))
