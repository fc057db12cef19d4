"""publish: what rooms tell other machines: metrics, and messages at an MQTT broker. Output only."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.cli.broker import (
    add_board,
    add_broker,
    board_of,
    broker_of,
    clear_words,
    host_and_port,
    is_loopback,
    without_broker,
)
from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.outlets.seen import RoomFile

EVERY_S, SHORTEST_S, LONGEST_S = 2.0, 0.5, 60.0


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "publish",
        run,
        "tell other machines what the rooms of this board are like",
        "hygrohold publish --settings larch.toml --metrics localhost:9100 --broker localhost",
        "It reads the status files of running rooms and nothing else, takes no commands, and ends by Ctrl-C.",
    )
    to.add_argument(
        "--settings",
        metavar="FILE",
        action="append",
        help="a room's settings file; may be given several times; without one, every room of the service",
    )
    to.add_argument(
        "--metrics", metavar="HOST:PORT", help="serve /metrics there, in the Prometheus text format"
    )
    to.add_argument(
        "--metrics-file", metavar="PATH", help="write the same into a file whose name ends with .prom"
    )
    add_broker(to, required=False)
    add_board(to)
    to.add_argument("--no-senml", action="store_true", help="only the plain JSON, no SenML")
    to.add_argument(
        "--every",
        metavar="TIME",
        type=common.duration_s,
        default=EVERY_S,
        help=f"how often to look for news (default: {EVERY_S:g}s)",
    )


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.outlets import program

    if not (args.metrics or args.metrics_file or args.broker):
        raise SettingsError("say where to: --metrics HOST:PORT, --metrics-file PATH or --broker HOST")
    if not SHORTEST_S <= args.every <= LONGEST_S:
        raise SettingsError(f"--every: {SHORTEST_S:g}s to {LONGEST_S:g}s")
    without_broker(args)
    wanted = program.Wanted(
        host_and_port(args.metrics, "--metrics") if args.metrics else None,
        _metrics_file(args.metrics_file) if args.metrics_file else None,
        broker_of(args) if args.broker else None,
        board_of(args),
        not args.no_senml,
    )
    files = room_files(args.settings)
    if wanted.metrics is not None and not is_loopback(wanted.metrics[0]):
        _say(f"Everybody who reaches {args.metrics} can read the metrics: there is no password on them.")
    if wanted.broker is not None and (words := clear_words(wanted.broker)):
        _say(words)
    ending = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: ending.set())
    _say(f"Publishing {', '.join(file.room for file in files)}. Ctrl-C ends it.")
    program.run(files, wanted, args.every, ending, _say)
    return DONE


def room_files(paths: list[str] | None) -> list[RoomFile]:
    """The status files of the rooms that are meant, each room once. Raises SettingsError."""
    from controller.outlets.seen import RoomFile
    from controller.service.folders import rooms_settings
    from controller.wiring import places

    given = paths or [os.environ.get(common.PATH_VARIABLE, "")]
    wanted = [Path(path) for path in given if path] or rooms_settings()
    if not wanted:
        raise SettingsError("no room was named, and the service runs none: say which with --settings FILE")
    found: dict[str, RoomFile] = {}
    for path in wanted:
        settings = common.load(argparse.Namespace(settings=str(path), asks=True))
        name = settings.room.name
        if name in found:
            raise SettingsError(f"--settings: {path}: there is a room {name!r} already; change room.name")
        found[name] = RoomFile(name, places(settings).status, settings.room.units)
    return list(found.values())


def _metrics_file(text: str) -> Path:
    if not text.endswith(".prom"):
        raise SettingsError(f"--metrics-file: {text}: collectors look for names that end with .prom")
    return common.existing(text)


def _say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)
