"""What several commands share: options, settings, asking the loop."""

from __future__ import annotations

import argparse
import math
import os
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta, tzinfo
from pathlib import Path
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, TypeVar

from controller.core import units
from controller.core.notes import FIRST_YEAR, SLACK_S
from controller.errors import HygroholdError, SettingsError

if TYPE_CHECKING:
    from controller.core.records import Request
    from controller.settings import Settings

S = TypeVar("S", bound="Settings")
PATH_VARIABLE = "HYGROHOLD_SETTINGS"
WAIT_S = 25.0
NOON = time(12)
SCENARIO_KEY = re.compile(r": (about|expect): no such setting")
_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")
_UNITS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def command(
    commands: Any, name: str, run: Any, summary: str, example: str, details: str = ""
) -> argparse.ArgumentParser:
    """Declares a command with its help and an example."""
    added: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=f"{summary[0].upper()}{summary[1:]}. {details}".strip(),
        epilog=f"example: {example}",
    )
    added.set_defaults(run=run)
    return added


def add_settings(to: argparse.ArgumentParser, asks: bool = False) -> None:
    """``asks``: the command talks to a running room; without a file it means the service's only one."""
    without = "the one room of the service, or " if asks else ""
    to.add_argument(
        "--settings",
        metavar="FILE",
        default=os.environ.get(PATH_VARIABLE) or None,
        help=f"the settings file (or set {PATH_VARIABLE}); without one, {without}the built-in default",
    )
    to.set_defaults(asks=asks)


def load(args: argparse.Namespace, overrides: Mapping[str, tuple[str, str]] | None = None) -> Settings:
    """The settings; ``overrides`` maps a settings path to (value, the option it came from)."""
    from controller.settings import Settings

    if not getattr(args, "asks", False):
        return load_as(Settings, args.settings, overrides)
    path = args.settings or service_file()
    try:
        return load_as(Settings, path, overrides)
    except SettingsError as refused:
        # A spoilt file must not keep its keeper from asking the program that runs on the last good copy.
        copy = _last_good(path)
        if copy is None:
            raise
        print(f"hygrohold: {refused}\nAsking by the last good copy instead, {copy}.\n", file=sys.stderr)
        return load_as(Settings, copy, overrides)


def _last_good(path: str | Path | None) -> Path | None:
    """The last good copy of a settings file of the service, where there is one."""
    from controller.service import folders
    from controller.settings.file import LAST_GOOD

    if path is None or Path(path).parent != folders.SETTINGS:
        return None
    copy = folders.STATE / Path(path).stem / LAST_GOOD
    return copy if os.access(copy, os.R_OK) else None


def service_file() -> Path | None:
    """The settings of the only room that the service runs. Raises SettingsError where there are several."""
    from controller.service.folders import rooms_settings

    found = rooms_settings()
    if len(found) > 1:
        raise SettingsError(
            f"the service runs {len(found)} rooms; say which: "
            + " or ".join(f"--settings {path}" for path in found)
        )
    return found[0] if found else None


def load_as(
    model: type[S], path: str | Path | None, overrides: Mapping[str, tuple[str, str]] | None = None
) -> S:
    """The settings of a file, as a class of settings. Raises HygroholdError."""
    from controller.service import folders
    from controller.settings import PREFIX

    of_service = Path(path) if path is not None and Path(path).parent == folders.SETTINGS else None
    if of_service and of_service.is_file() and (words := folders.barred(of_service, of_service.stem)):
        raise HygroholdError(words)

    variables = {
        PREFIX + path.upper().replace(".", "__"): value_and_option
        for path, value_and_option in (overrides or {}).items()
    }
    environ = {**os.environ, **{name: value for name, (value, _) in variables.items()}}
    try:
        return model.load(path, environ)
    except SettingsError as error:
        words = str(error)
        for name, (_, option) in variables.items():
            words = words.replace(f"{name} (environment)", option).replace(name, option)
        if SCENARIO_KEY.search(words):
            words += "\nA file with about and expect is a scenario: `hygrohold bench --scenario FILE`."
        raise SettingsError(words) from error


def duration_s(text: str) -> float:
    """Argparse type: "90s", "30min", "2h", "3d"."""
    found = _DURATION.fullmatch(text.strip())
    if not found or not 0 < float(found[1]) * _UNITS[found[2]] <= 366 * 86400:
        raise argparse.ArgumentTypeError(f"{text!r} is not a time like 45min, 2h or 3d")
    return float(found[1]) * _UNITS[found[2]]


def is_duration(text: str) -> bool:
    return _DURATION.fullmatch(text.strip()) is not None


def above_zero(text: str) -> float:
    """Argparse type: a figure above zero."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        hint = "; write 2.5, not 2,5" if "," in text else ""
        raise argparse.ArgumentTypeError(f"{text!r} is not a figure above zero{hint}")
    return value


def water_l(text: str) -> float:
    """Argparse type: litres, or an amount with its unit, like "0.5 gal"."""
    litres = units.read(text, units.litres)
    if litres is None and units.has_unit(text) and not re.fullmatch(r"\s*\d+,\d+\s*", text):
        words = f'{text!r} is not an amount of water like 2.5, "0.5 gal" or "64 fl oz"'
        raise argparse.ArgumentTypeError(words)
    return above_zero(text if litres is None else str(litres))


def moment(text: str) -> datetime | date | time:
    """Argparse type: "16:40", "2026-01-14" or "2026-01-14T16:40", local; ``past`` makes an instant of it."""
    try:
        if re.fullmatch(r"\d{1,2}:\d{2}", text):
            return time.fromisoformat(text.zfill(5))
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            return date.fromisoformat(text)
        return datetime.fromisoformat(text)
    except ValueError:
        words = f"{text!r} is not a time like 16:40, 2026-01-14 (year-month-day) or 2026-01-14T16:40"
        raise argparse.ArgumentTypeError(words) from None


def was_yesterday(said: datetime | date | time | None, found: datetime | None) -> str:
    """Which day was taken, where an hour was said without one that is still to come today; else ""."""
    if not isinstance(said, time) or found is None:
        return ""
    if found.date() == datetime.now(found.tzinfo).date():
        return ""
    return f"{said:%H:%M} is still to come today: taken as yesterday's, {found:%Y-%m-%d %H:%M}."


def past(said: datetime | date | time, zone: tzinfo) -> datetime:
    """The instant a person means, in the room's zone. Raises SettingsError for one that is still to come.

    An hour still to come today was yesterday's. A day alone means its noon, or now where that is to come.
    """
    now = datetime.now(zone)
    if isinstance(said, datetime):
        found = said if said.tzinfo is not None else said.replace(tzinfo=zone)
    elif isinstance(said, date):
        found = datetime.combine(said, NOON, zone)
        found = now if said == now.date() and found.timestamp() > now.timestamp() else found
    else:
        found = datetime.combine(now.date(), said, zone)
        if found.timestamp() > now.timestamp():
            found = datetime.combine(now.date() - timedelta(days=1), said, zone)
    if found.timestamp() > now.timestamp() + SLACK_S:
        raise SettingsError(f"--at: {found:%Y-%m-%d %H:%M} is still to come; a note tells what has happened")
    if found.year < FIRST_YEAR:
        raise SettingsError(f"--at: {found:%Y-%m-%d} is too long ago: notes begin in {FIRST_YEAR}")
    return found


def add_by(to: argparse.ArgumentParser) -> None:
    to.add_argument(
        "--by", default=os.environ.get("USER", ""), metavar="NAME", help="who asks (default: you)"
    )


def ask(args: argparse.Namespace, request: Request) -> int:
    """Leaves a request and waits for its answer. Only a note waits for a program that is not running."""
    from controller.cli import DONE, REFUSED
    from controller.core.keeper import duration_words
    from controller.spool import GOOD_FOR, GOOD_FOR_OTHERS, Spool, good_for
    from controller.wiring import places, zone

    settings = load(args)
    now = datetime.now(zone(settings))
    running = _running(settings)
    stays_true = request.kind in GOOD_FOR  # what was done stays done
    if request.rh_pct is not None:  # but a wish goes with it
        stays_true, request = False, request._replace(expires=now + GOOD_FOR_OTHERS)
    if not running and not stays_true:
        print(
            f"The program is not running for room {settings.room.name}: nothing was asked. "
            f"{start_words(settings, args.settings)}"
            + (" A note without --raise is kept for it." if request.kind in GOOD_FOR else "")
        )
        return REFUSED
    if request.kind in GOOD_FOR and request.at is None:
        request = request._replace(at=now)  # it may be read later
    spool = Spool(places(settings).spool)
    identity = spool.leave(request, now)
    until = monotonic() + WAIT_S + settings.loop.tick_s
    while running and monotonic() < until:
        answer = spool.answer_to(identity)
        if answer is not None:
            done, words = answer
            print(f"{'Done' if done else 'Refused'}: {units.said(words, settings.room.units)}.")
            return DONE if done else REFUSED
        sleep(0.2)
        running = _running(settings)
    kept_s = (GOOD_FOR_OTHERS if request.expires is not None else good_for(request.kind)).total_seconds()
    print(
        f"The program {'has not answered' if running else 'is not running'} for room {settings.room.name}. "
        f"The request is kept for {duration_words(kept_s)} and carried out when it runs."
    )
    return REFUSED


def start_words(settings: Settings, path: str | None) -> str:
    """How this room is started, or that no room was named."""
    from controller.wiring import places

    if places(settings).by_service:
        return f"Start it with `sudo systemctl start hygrohold@{settings.room.name}`."
    if path is None:
        return "No settings file was named, so this is the built-in room: say which with --settings FILE."
    if any(probe.kind == "simulated" for probe in settings.probe):
        return (
            f"It cannot be run yet: {path} has a simulated probe, which exists only in a rehearsal: "
            f"`hygrohold bench --settings {path}`. On the board, name the real one: `hygrohold setup {path}`."
        )
    return f"Start it with `hygrohold run --settings {path}`."


def _running(settings: Settings) -> bool:
    from controller.status import read_status, runs
    from controller.wiring import places, zone

    where = places(settings)
    return runs(read_status(where.status), datetime.now(zone(settings)), where.state)


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """What goes wrong while ``path`` is written, in words."""
    try:
        yield
    except OSError as error:
        raise HygroholdError(f"{path} cannot be written: {error.strerror or error}") from error


def existing(path: str) -> Path:
    """A path to write to: its folder must be there. Raises SettingsError."""
    wanted = Path(path)
    if not wanted.parent.is_dir():
        raise SettingsError(f"{path}: there is no folder {wanted.parent}; make it first")
    return wanted
