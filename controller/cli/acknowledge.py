"""acknowledge: say that the alarms which stand are known of."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "acknowledge",
        run,
        "say that you know of the alarms that stand; they end when their cause does",
        "hygrohold acknowledge --by Ann",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request("acknowledge", by=args.by))
