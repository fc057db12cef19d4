"""setup: asks what a keeper knows, rehearses it, and writes the commented settings file."""

from __future__ import annotations

import argparse
import io
import os
import shlex
import shutil
import stat
import sys
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.first_setup.answers import Made
    from controller.first_setup.before import Before
    from controller.first_setup.draft import Draft
    from controller.first_setup.person import Person

HEAD = """The settings of one room, written by hygrohold setup. What was answered stands plain; every other
setting follows as a comment at its default: take the # away and change it. Look at it afterwards with:
  hygrohold check --settings {file}"""


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "setup",
        run,
        "ask what a keeper knows, rehearse it, and write a commented settings file",
        "hygrohold setup larch.toml",
        "Works over ssh. Nothing is switched. The file is what the other commands take as --settings. "
        "Whoever leaves before the end can go on from a draft of the answers.",
    )
    to.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        default="room.toml",
        help="the settings file to write, ending in .toml (default: room.toml)",
    )
    to.add_argument(
        "--answers",
        metavar="FILE",
        help='ask nobody: a TOML file of answers, like tank = "1 gal"',
    )
    to.add_argument("--no-rehearsal", action="store_true", help="do not rehearse, and draw no picture")
    to.add_argument(
        "--days", type=common.above_zero, metavar="N", help="length of the rehearsal (default: 14)"
    )


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, REFUSED
    from controller.cli.setup_bench import Shown
    from controller.first_setup.draft import Draft
    from controller.first_setup.person import Ended, Person

    path = _to_write(args.file)
    given = _given(args.answers)
    days = _days(args.days)
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")  # a stray byte is a wrong answer, not an end
    person = Person(input, sys.stdout, echo=not sys.stdin.isatty())
    shown = Shown(days, not args.no_rehearsal, path.with_suffix(".png"))
    draft, said, written = Draft(path), given is None, False
    made, told = None, ""
    try:
        made = _made(person, path, shown, given, args.answers, draft)
        if made is not None:
            told, written = _write(path, made), True
    except (Ended, KeyboardInterrupt):
        print()
        said = True
    finally:
        if not written:
            shown.picture.undo()
            if said:
                print(draft.left())
    if made is None or not written:
        return REFUSED
    if given is None:
        draft.remove()
    print(f"\n{told}")
    _tell(path, made)
    return DONE


def _to_write(name: str) -> Path:
    """Looked at before anybody answers twenty questions for nothing. Raises SettingsError."""
    path = common.existing(name)
    if path.suffix != ".toml":
        raise SettingsError(f"{name}: a settings file ends in .toml: {path.with_suffix('.toml')}")
    if path.is_dir():
        raise SettingsError(f"{name}: is a folder")
    if not os.access(path.parent, os.W_OK):
        raise SettingsError(f"{name}: this user may not write into {path.parent}; choose another folder")
    return path


def _days(days: float | None) -> float | None:
    if days is not None and not 0.01 <= days <= 3700:
        raise SettingsError(f"--days: {days:g} is not between 0.01 and 3700")
    return days


def _given(file: str | None) -> Mapping[str, str] | None:
    """Answers as they would be typed. Raises SettingsError."""
    from controller.first_setup.draft import as_typed
    from controller.settings.toml import read_text

    if file is None:
        return None
    try:
        tables = tomllib.loads(read_text(Path(file)))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f'{file}: {error}. An answer looks like: tank = "1 gal"') from None
    return {key: as_typed(value) for key, value in tables.items()}


def _made(
    person: Person, path: Path, shown: Any, given: Mapping[str, str] | None, file: str | None, draft: Draft
) -> Made | None:
    from controller.first_setup import machine, walk
    from controller.first_setup.person import yes_or_no

    before = None
    if path.exists():
        if given is not None:
            raise SettingsError(f"{path} is there already; move it away, or choose another name")
        before, words = _before(path)
        person.say(f"{words} The old one is kept as {_free(path).name}.")
        if not person.ask("n", lambda text: bool(text) and yes_or_no(text)):
            return None
    here = machine.look()
    if given is not None:
        return walk.prepared(person, here, path.stem, shown, given, file or "")
    return walk.walk(person, here, path.stem, shown, _drafted(person, draft), draft.keep, before)


def _before(path: Path) -> tuple[Before | None, str]:
    """The file that is there, where it can be gone on from; and what to ask."""
    from controller.first_setup.before import Before
    from controller.settings import Settings
    from controller.settings.toml import read_text

    try:
        text, settings = read_text(path), Settings.load(path, {})
    except SettingsError as error:
        return None, f"{path} is there already, but cannot be read as settings: {error}\nAnswer all anew?"
    return Before(str(path), settings, text), f"{path} is there already. Change it?"


def _drafted(person: Person, draft: Draft) -> Mapping[str, str]:
    """Answers of the newest draft, where the person goes on from it."""
    from controller.first_setup.person import yes_or_no

    found, remarks = draft.found()
    for words in remarks:
        person.say(words)
    if not found:
        return {}
    newest = found[0]
    count = f"{len(newest.answers)} answer{'' if len(newest.answers) == 1 else 's'}"
    person.say(f"{newest.path}, a draft of {newest.at:%Y-%m-%d %H:%M}, has {count}. Go on from it?")
    if not person.ask("y", lambda text: not text or yes_or_no(text)):
        return {}
    draft.go_on(newest)
    person.say("Only what is missing is asked; the list at the end shows all of it.\n")
    return newest.answers


def _free(path: Path) -> Path:
    """A free name for the file that was there before."""
    aside, number = path.with_name(f"{path.name}.before"), 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.before-{number}")
    return aside


def _write(path: Path, made: Made) -> str:
    """Whole or not at all; and says so. What was there, also if it came in between, is kept."""
    from controller.files import write_whole
    from controller.settings.writer import settings_text

    text = settings_text(
        made.settings,
        made.answered,
        made.notes,
        HEAD.format(file=shlex.quote(str(path))),
        first=("settings_version", "room"),
    )
    before = _before(path)[0] if path.exists() else None
    if before and before.settings == made.settings:
        return f"{path} stays as it is."  # its own comments stay as well
    aside = _free(path) if path.exists() else None
    with common.writing(path):
        if aside is None:
            write_whole(path, text)
        else:
            shutil.copy2(path, aside)
            was = path.stat()
            write_whole(path, text)
            path.chmod(stat.S_IMODE(was.st_mode))  # it may hold addresses that are nobody else's business
            with suppress(OSError):
                os.chown(path, was.st_uid, was.st_gid)
    kept = f" (the old one is kept as {aside}; comments of your own are in that one only)"
    return f"Written: {path}{kept if aside else ''}"


def _tell(path: Path, made: Made) -> None:
    """What to do next."""
    option = f"--settings {shlex.quote(str(path))}"
    probe, relay = made.settings.probe[0].kind != "simulated", made.settings.relay.kind != "simulated"
    if not (probe and relay):
        missing = " and the ".join([*["probe"] * (not probe), *["relay"] * (not relay)])
        print(f"Still simulated: the {missing}. Run this again on the board when it is wired.")
        print("Next, to see the first evening without it:")
        print(f"  hygrohold commission --rehearse {option}")
        return
    print("Next, with a lamp in the outlet, not the humidifier:")
    print(f"  hygrohold check {option}")
    print(f"  hygrohold commission {option}")
