"""service: have systemd run a room, from power-on to power-off."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common

if TYPE_CHECKING:
    from controller.service.folders import Folders
    from controller.service.install import Step


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "service",
        run,
        "have systemd run a room: from power-on, watched, started again after a crash",
        "hygrohold service print --settings larch.toml",
        "print shows all that install would do and touches nothing; install and remove need sudo. remove "
        "keeps state and record.",
    )
    to.add_argument("what", choices=("print", "install", "remove"), help="what to do")
    common.add_settings(to)
    to.add_argument(
        "--root",
        metavar="DIR",
        help="put it into the image below this folder instead of this machine; nothing is started",
    )
    to.add_argument(
        "--page", action="store_true", help="with the keeper's page of all rooms; with remove: the page alone"
    )
    to.add_argument("--no-start", action="store_true", help="install, but start only with the next power-on")


def run(args: argparse.Namespace) -> int:
    from controller.errors import HygroholdError, SettingsError
    from controller.service.folders import Folders

    if not args.settings:
        raise SettingsError("name the room's settings file: --settings larch.toml")
    if args.root and not Path(args.root).is_dir():
        raise SettingsError(f"--root {args.root}: there is no such folder")
    where = Folders.under(Path(args.root).resolve() if args.root else None)
    try:
        return _remove(args, where) if args.what == "remove" else _install(args, where)
    except OSError as error:
        raise HygroholdError(f"{error.filename or 'a file'}: {error.strerror or error}") from error


def _install(args: argparse.Namespace, where: Folders) -> int:
    from controller import commissioned
    from controller.cli import DONE, REFUSED
    from controller.service.fitness import cautions, refusals, this_program
    from controller.service.install import Installation
    from controller.service.page_unit import install_page, missing

    source = Path(args.settings)
    settings = _as_the_service_reads(source)
    program = this_program()
    invoker = os.environ.get("SUDO_USER", "" if os.geteuid() == 0 else os.environ.get("USER", ""))
    room = settings.room.name
    installation = Installation(
        room, source.resolve(), where, program, invoker=invoker, start=not args.no_start
    )
    found = refusals(settings, program, where)
    if args.page and where.root is None and (lacking := missing()):
        found = [*found, lacking]
    if args.what == "print":
        _print(installation, found, where, args.page)
        return REFUSED if found else DONE
    if found:
        print("\n".join(f"Refused: {words}" for words in found), file=sys.stderr)
        return REFUSED
    if _needs_root(args, where):
        return REFUSED
    for words in cautions(program) if where.root is None else ():
        print(f"Caution: {words}")
    _do(installation.steps())
    if args.page:
        _do(install_page(program, where, not args.no_start))
    if why := commissioned.refusal(settings, where.state_of(room)):
        print(f"It does not run yet: {why}")
    print(_next(room, where, invoker, started=not args.no_start and not why))
    return DONE


def _as_the_service_reads(source: Path) -> Any:
    """The file alone: a variable of this shell would not be there for the service. Raises SettingsError."""
    from controller.settings import Settings

    return Settings.load(source, {})


def _print(installation: Any, found: list[str], where: Folders, with_page: bool) -> None:
    from controller.service.fitness import line_groups, this_program
    from controller.service.page_unit import PAGE_UNIT, install_page, page_unit
    from controller.service.unit import FAILED_UNIT, ROOM_UNIT, failed_unit, room_unit

    for words in found:
        print(f"# install would refuse: {words}")
    print("# install would, in this order:")
    program = this_program()
    texts = {ROOM_UNIT: room_unit(program, line_groups(where)), FAILED_UNIT: failed_unit(program)}
    steps = list(installation.steps())
    if with_page:
        texts[PAGE_UNIT] = page_unit(program)
        steps += install_page(program, where, start=True)
    for step in steps:
        print(f"#   {step.words}")
    for name, text in texts.items():
        print(f"\n# ---- {where.units / name}\n{text}", end="")


def _remove(args: argparse.Namespace, where: Folders) -> int:
    from controller.cli import DONE, REFUSED
    from controller.service.folders import STATE, rooms_settings
    from controller.service.install import Removal
    from controller.service.page_unit import PAGE_UNIT, remove_page

    source = Path(args.settings)
    if args.page:
        if not (where.units / PAGE_UNIT).exists():
            print("The service has no page.")
            return REFUSED
        if _needs_root(args, where):
            return REFUSED
        _do(remove_page(where))
        return DONE
    # Settings that are refused by now must not keep a room from being removed.
    in_place = source.suffix == ".toml" and source.resolve().parent == where.settings.resolve()
    room = source.stem if in_place else _as_the_service_reads(source).room.name
    if not where.settings_of(room).exists():
        print(f"The service does not run the room {room}: there is no {where.settings_of(room)}.")
        return REFUSED
    if _needs_root(args, where):
        return REFUSED
    if rooms_settings(where.settings) == [where.settings_of(room)]:  # the last room takes the page with it
        _do(remove_page(where))
    _do(Removal(room, where).steps())
    print(f"State and record of the room {room} stay in {STATE / room}; nothing there was touched.")
    return DONE


def _needs_root(args: argparse.Namespace, where: Folders) -> bool:
    if where.root is not None or os.geteuid() == 0:
        return False
    words = ["sudo", str(Path(sys.argv[0]).resolve()), "service", args.what]
    words += ["--settings", str(Path(args.settings).resolve())] + (["--no-start"] if args.no_start else [])
    words += ["--page"] if args.page else []
    print(f"This needs root; nothing was done. Give it as:\n  {shlex.join(words)}", file=sys.stderr)
    return True


def _do(steps: Iterable[Step]) -> None:
    for step in steps:
        print(step.words, flush=True)
        more = step.do()
        if more:
            print(f"  {more}")


def _next(room: str, where: Folders, invoker: str, started: bool) -> str:
    if where.root is not None:
        return f"The room {room} starts with the image in {where.root}."
    how = "runs, and starts by itself with the machine" if started else "is begun anew at each power-on"
    who = invoker if invoker and invoker != "root" else "YOU"
    return (
        f"The room {room} {how}. What to do next:\n"
        f"  sudo usermod -aG hygrohold {who}      so that you may ask it; then log out and in again\n"
        f"  hygrohold status{'' if _only_room(where) else f' --settings {where.settings_of(room)}'}\n"
        f"  sudo systemctl restart hygrohold@{room}    after a change to {where.settings_of(room)}\n"
        f"  journalctl -u hygrohold@{room}             what it said"
    )


def _only_room(where: Folders) -> bool:
    from controller.service.folders import rooms_settings

    return len(rooms_settings(where.settings)) == 1
