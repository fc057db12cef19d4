"""commission: a lamp first, then the humidifier: see once that everything does what it is told."""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import RefusedError, SettingsError

if TYPE_CHECKING:
    from controller.commissioning.talk import Console
    from controller.commissioning.walk import Result
    from controller.settings import Settings

SIGNALS = {
    signal.SIGINT: "you stopped it",
    signal.SIGTERM: "it was told to stop",
    signal.SIGHUP: "the connection was lost",
}


@contextmanager
def stopped_by_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """Tells ``stop`` why, in words, instead of breaking off wherever it stands."""
    before = {
        number: signal.signal(number, lambda found, _: stop(SIGNALS[signal.Signals(found)]))
        for number in SIGNALS
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "commission",
        run,
        "see once, with a lamp, that relay and probe do what they are told; the record of it lets run begin",
        "hygrohold commission --settings larch.toml --by Ann",
        "About 15 minutes, beside the outlet. The humidifier is plugged in only when that is asked for.",
    )
    common.add_settings(to)
    common.add_by(to)
    to.add_argument(
        "--rehearse",
        action="store_true",
        help="walk through the same steps on simulated parts; nothing is switched, no record is written",
    )


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, FAILED, REFUSED
    from controller.commissioning.walk import Result

    settings = common.load(args)
    if args.rehearse:
        result = _rehearse(settings, args.by)
    elif settings.relay.kind == "simulated":
        raise SettingsError(
            'the settings name no real relay (relay.kind = "simulated"), so there is nothing to commission. '
            "`hygrohold commission --rehearse` shows the walk on simulated parts."
        )
    else:
        result = _for_real(settings, args.by, args.settings)
    return {Result.PASSED: DONE, Result.FAILED: FAILED, Result.REFUSED: REFUSED}[result]


def _console(pass_time: Any = None) -> Console:
    from controller.commissioning.talk import Console

    return Console(sys.stdin.fileno(), sys.stdout, not sys.stdin.isatty(), pass_time)


def _rehearse(settings: Settings, by: str) -> Result:
    from controller.commissioning.rehearsed import RehearsedSite
    from controller.commissioning.walk import walk

    site = RehearsedSite(settings)
    talk = _console(site.pass_time)
    try:
        talk.say("SIMULATED: a rehearsal. Nothing is switched, no time passes, and no record is written.\n")
        return walk(settings, site, talk, by, None)
    finally:
        talk.close()


def _service_at_rest(room: str) -> None:
    """A service between two starts runs its off step, which would spoil what is seen. Raises RefusedError."""
    tool = shutil.which("systemctl")
    if tool is None:
        return
    asked = (tool, "show", "--property=ActiveState", "--value", f"hygrohold@{room}.service")
    try:
        state = subprocess.run(asked, capture_output=True, text=True, check=False, timeout=10).stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        return
    if state not in ("", "inactive", "failed"):
        raise RefusedError(
            f"the service of this room is {state}. Stop it first: sudo systemctl stop hygrohold@{room}"
        )


def _for_real(settings: Settings, by: str, path: str | None) -> Result:
    from controller.commissioning.real import RealSite
    from controller.commissioning.walk import walk
    from controller.devices.clock import BoardClock
    from controller.room_lock import hold
    from controller.service.folders import USER
    from controller.wiring import places, zone

    where = places(settings)
    if where.by_service and where.state.stat().st_uid != os.geteuid():
        raise RefusedError(
            f"room {settings.room.name} belongs to the service, and files made by another user would lock it "
            f"out. Do it as that one: sudo -u {USER} hygrohold commission --settings {path or 'FILE'}"
        )
    _service_at_rest(settings.room.name)
    with hold(where.state):
        talk, clock = _console(), BoardClock(zone(settings))

        def stop(why: str) -> None:
            talk.stop(why)
            clock.stop()

        try:
            with stopped_by_signals(stop):
                site = RealSite(settings, where, clock, talk.say, Path(path) if path else None)
                return walk(settings, site, talk, by, where.state)
        finally:
            clock.close()
            talk.close()
