"""resume: end a pause, or a humidify-now, early."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands, "resume", run, "end a pause or a humidify-now before its time", "hygrohold resume --by Ann"
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    return common.ask(args, Request("resume", by=args.by))
