"""run: hold the room until told to stop."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from pathlib import Path
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "run",
        run,
        "hold the room: read the probe, switch the relay, until told to stop",
        "hygrohold run --settings config/room.toml",
        "Ctrl-C or SIGTERM is the normal end: the relay goes off and the state is kept.",
    )
    common.add_settings(to)
    to.add_argument(
        "--last-good",
        action="store_true",
        help="if the settings file is refused, start on the copy that last worked, with an alarm",
    )
    to.add_argument("--json-log", action="store_true", help="log lines as JSON (the default under a service)")


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.early_off import begin

    path = Path(args.settings) if args.settings else None
    early = begin(path)  # before the imports below, which take long on a small board

    from controller.daemon import Daemon
    from controller.logs import LogTeller, configure

    configure(args.json_log or "JOURNAL_STREAM" in os.environ or not sys.stderr.isatty())
    daemon = Daemon.prepare(path, args.last_good, LogTeller(), early)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: daemon.stop())
    daemon.run()
    return DONE
