"""restore: a backup's record back in place."""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "restore",
        run,
        "put a backup back, while the program is not running",
        "hygrohold restore larch-2026-01-14.zip --look",
        "All of it is checked first. The record that is there is set aside, not deleted. Protective state "
        "and record of commissioning come back only where the room has none, or an older state; the "
        "time since the backup then counts as run, up to half the cap.",
    )
    common.add_settings(to, asks=True)
    to.add_argument("file", metavar="FILE", help="what `hygrohold backup` wrote")
    how = to.add_mutually_exclusive_group()
    how.add_argument("--look", action="store_true", help="only check it and say what is in it")
    how.add_argument(
        "--settings-to",
        metavar="NEW",
        help="only write its settings file to NEW: the first step on a new card",
    )


def run(args: argparse.Namespace) -> int:
    if args.settings_to:
        return _settings_only(Path(args.file), common.existing(args.settings_to))
    return _look(Path(args.file)) if args.look else _restore(args)


def _settings_only(path: Path, target: Path) -> int:
    from controller import restore
    from controller.cli import DONE
    from controller.errors import RefusedError

    text = restore.settings_of(path)
    with common.writing(target):
        try:
            descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise RefusedError(f"{target} is there already: nothing was written. Name another file") from None
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
    print(f"Done: the settings file is {target}. Then: hygrohold restore {path} --settings {target}")
    return DONE


def _look(path: Path) -> int:
    from datetime import datetime

    from controller import restore
    from controller.cli import DONE
    from controller.cli.backup import described

    with tempfile.TemporaryDirectory(prefix="hygrohold-") as folder:
        found = restore.look(path, Path(folder) / "record")
    here = datetime.now().astimezone().tzinfo or found.said.made_at.tzinfo
    assert here is not None  # an archive without a zone is refused
    print("\n".join(described(found.said, found.record, here)))
    print("Sound: every part is as it was written. Nothing was changed.")
    return DONE


def _restore(args: argparse.Namespace) -> int:
    from controller import restore
    from controller.cli import DONE
    from controller.cli.backup import described
    from controller.devices.clock import BoardClock
    from controller.errors import RefusedError
    from controller.room_lock import hold
    from controller.service.folders import USER
    from controller.wiring import places, zone

    settings = common.load(args)
    where, tz = places(settings), zone(settings)
    if where.by_service and where.state.stat().st_uid != os.geteuid():
        raise RefusedError(
            f"room {settings.room.name} belongs to the service, and files made by another user would lock it "
            f"out. Stop it, copy the backup to where the user {USER} can read it, and: sudo -u {USER} "
            f"hygrohold restore {args.file} --settings {args.settings or common.service_file() or 'FILE'}"
        )
    clock = BoardClock(tz)
    try:
        with hold(where.state):
            found, done = restore.restore(
                Path(args.file), settings.room.name, where.state, where.history,
                settings.runtime.cap_s, clock.now(),
            )  # fmt: skip
    finally:
        clock.close()
    print("\n".join((*described(found.said, found.record, tz), *done)))
    print(f"Done. {common.start_words(settings, args.settings)}")
    return DONE
