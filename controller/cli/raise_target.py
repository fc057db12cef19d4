"""raise: a higher target for some days, under the ceiling."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "raise",
        run,
        "raise the target for some days, for an animal about to shed; never above the ceiling",
        "hygrohold raise 5 --for 3d",
        "A new raise replaces the one before it.",
    )
    to.add_argument("rh_pct", type=common.above_zero, metavar="RH", help="how much higher, in %%RH")
    to.add_argument(
        "--for",
        dest="for_s",
        type=common.duration_s,
        metavar="TIME",
        help="how long (default: as set, 3 days)",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request("raise_target", by=args.by, for_s=args.for_s, rh_pct=args.rh_pct))
