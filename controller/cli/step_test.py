"""step-test: mist, then none, and gains of the PID from what the room did."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import HygroholdError, SettingsError

if TYPE_CHECKING:
    from controller.settings import Settings
    from controller.step_test.outcome import Outcome
    from controller.step_test.walk import Site, Span

BEGINS = "SIMULATED: a rehearsal on the bench's room. No mist comes, no time passes, nothing is recorded.\n"


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "step-test",
        run,
        "half an hour of mist, as long without, and gains of the PID from what the room did",
        "hygrohold step-test --for 30min --picture step.png",
        "It asks the running program for mist: every guard stands. For a keeper who does not want to wait "
        "until the room is learned. Nothing is changed: it prints lines for the settings file.",
    )
    to.add_argument(
        "--for",
        dest="for_s",
        type=common.duration_s,
        metavar="TIME",
        help="mist for so long, 15min to 40min, then as long without (default: 30min, or what is allowed)",
    )
    how = to.add_mutually_exclusive_group()
    how.add_argument(
        "--look",
        nargs=2,
        type=common.moment,
        metavar=("FROM", "TO"),
        help="ask for nothing: look at this time in the record, like 21:30 23:00 or 2026-01-14T21:30 ...",
    )
    how.add_argument(
        "--last", action="store_true", help="ask for nothing: look at the last mist that was asked for"
    )
    how.add_argument("--rehearse", action="store_true", help="on a simulated room, at once; nothing is kept")
    to.add_argument(
        "--picture",
        metavar="FILE",
        help="draw minutes and fit: .png, .svg or .pdf (needs matplotlib)",
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, REFUSED
    from controller.step_test import words
    from controller.step_test.outcome import reckon

    settings = common.load(args)
    path = _picture_path(args.picture)
    if args.for_s is not None and (args.look or args.last):
        raise SettingsError("--for asks for mist, and --look and --last ask for none: leave one of them out")
    rows = _looked(args, settings) if args.look or args.last else _tested(args, settings)
    if rows is None:
        return REFUSED
    samples, asked_s = rows
    outcome = reckon(samples, settings.demand.pid.window_minutes * 60.0, asked_s)
    print("\n" + "\n".join(words.told(outcome, settings.demand)))
    if path is not None:
        _draw(path, outcome, settings)
    return DONE if outcome.found is not None else REFUSED


def _picture_path(name: str | None) -> Path | None:
    """Refused before anybody waits for an hour."""
    if name is None:
        return None
    from controller import picture

    path = common.existing(name)
    picture.require(path)
    return path


def _draw(path: Path, outcome: Outcome, settings: Settings) -> None:
    from controller.step_test import picture
    from controller.wiring import zone

    if outcome.stretch is None:
        print(f"\nNo picture: there are no minutes that could be drawn into {path}.")
        return
    with common.writing(path):
        picture.draw(path, outcome, zone(settings))
    print(f"\nPicture: {path}")


def _looked(args: argparse.Namespace, settings: Settings) -> tuple[Any, float | None]:
    from controller.history.read import HistoryReader
    from controller.step_test import walk
    from controller.wiring import places, zone

    reader = HistoryReader(places(settings).history)
    if args.last:
        span = walk.last_asked(reader.notes(), settings.keeper)
        if span is None:
            raise HygroholdError(
                "nobody has asked for mist yet, as far as the record tells: `hygrohold step-test` does, "
                "or name a time with --look FROM TO"
            )
    else:
        try:
            from_at, to_at = (common.past(said, zone(settings)) for said in args.look)
        except SettingsError as error:
            raise SettingsError(str(error).replace("--at:", "--look:").split("; a note")[0]) from None
        if not from_at < to_at:
            raise SettingsError(
                f"--look: {from_at:%Y-%m-%d %H:%M} is not before {to_at:%Y-%m-%d %H:%M}; name the days too, "
                "like 2026-01-14T23:30"
            )
        span = walk.Span(from_at.timestamp(), to_at.timestamp())
    begins, ends = (datetime.fromtimestamp(at_s, zone(settings)) for at_s in span[:2])
    print(f"Looking at the record from {begins:%Y-%m-%d %H:%M} to {ends:%Y-%m-%d %H:%M}. Nothing is asked.")
    return list(reader.minutes(span.from_s, span.to_s)), span.asked_s


def _tested(args: argparse.Namespace, settings: Settings) -> tuple[Any, float | None] | None:
    from controller.step_test.minutes import Untold
    from controller.step_test.real import RealSite
    from controller.step_test.rehearsed import RehearsedSite
    from controller.step_test.walk import LONGEST_S, SHORTEST_S, USUAL_S, allowed_s
    from controller.wiring import places, zone

    wanted_s = USUAL_S if args.for_s is None else args.for_s
    if not SHORTEST_S <= wanted_s <= LONGEST_S:
        raise SettingsError(f"--for: from {SHORTEST_S / 60:.0f}min to {LONGEST_S / 60:.0f}min")
    try:
        for_s = allowed_s(wanted_s, settings.keeper, settings.guards)
    except Untold as why:
        raise SettingsError(f"{why}") from None
    if args.rehearse:
        print(BEGINS, flush=True)
        rehearsed = RehearsedSite(settings)
        try:
            return _walked(args, rehearsed, for_s, rehearsed.pass_time)
        finally:
            rehearsed.close()
    site = RealSite(places(settings), zone(settings), settings.loop.tick_s, settings.room.units)
    return _walked(args, site, for_s, None)


def _walked(
    args: argparse.Namespace, site: Site, for_s: float, pass_time: Callable[[float], None] | None
) -> tuple[Any, float | None] | None:
    from controller.cli.commission import stopped_by_signals
    from controller.commissioning.talk import Console, Ended
    from controller.step_test.minutes import Untold
    from controller.step_test.walk import Walk

    talk = Console(sys.stdin.fileno(), sys.stdout, not sys.stdin.isatty(), pass_time)
    span: Span | None = None
    try:
        with stopped_by_signals(talk.stop):
            span = Walk(talk, site, args.by).walk(for_s)
    except Ended as ended:
        talk.say(f"\nEnded: {ended}.")
    except Untold as why:
        talk.say(f"\nNo step test: {str(why).rstrip('.')}.")
    finally:
        talk.close()
    return None if span is None else (site.minutes(span.from_s, span.to_s), span.asked_s)
