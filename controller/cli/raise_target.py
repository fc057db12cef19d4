"""raise: a higher target for some days, under the ceiling; and its end."""

from __future__ import annotations

import argparse
from typing import Any

from controller.cli import common
from controller.errors import SettingsError


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "raise",
        run,
        "raise the target for some days, for an animal about to shed; never above the ceiling",
        "hygrohold raise 5 --for 3d",
        "A new raise replaces the one before it; --end, or raise 0, ends it. `hygrohold status` shows it.",
    )
    to.add_argument(
        "rh_pct", nargs="?", type=_figure, metavar="RH", help="how much higher, in %%RH; 0 ends it"
    )
    to.add_argument("--end", action="store_true", help="the settings' own target again, from now on")
    to.add_argument(
        "--for",
        dest="for_s",
        type=common.duration_s,
        metavar="TIME",
        help="how long (default: as set, 3 days)",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def _figure(text: str) -> float:
    return 0.0 if text.strip() in ("0", "0.0") else common.above_zero(text)


def run(args: argparse.Namespace) -> int:
    from controller.core.records import Request

    ends = args.end or args.rh_pct == 0.0
    if args.end and args.rh_pct:
        raise SettingsError("raise: a figure raises the target, --end ends that: say one of them")
    if ends and args.for_s is not None:
        raise SettingsError("raise: --for goes with a figure above zero; an end needs no time")
    if not ends and args.rh_pct is None:
        raise SettingsError("raise: by how much? Like: hygrohold raise 5 --for 3d; --end ends a raise")
    if ends:
        return common.ask(args, Request("raise_end", by=args.by))
    return common.ask(args, Request("raise_target", by=args.by, for_s=args.for_s, rh_pct=args.rh_pct))
