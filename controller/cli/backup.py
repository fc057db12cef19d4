"""backup: all that a room would miss, in one file."""

from __future__ import annotations

import argparse
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller import __version__
from controller.cli import common

if TYPE_CHECKING:
    from controller.backup import Archive
    from controller.history.copy import Contents


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "backup",
        run,
        "put record, kept state, settings and record of commissioning into one file",
        "hygrohold backup /media/stick/larch-2026-01-14.zip",
        "The program may run on meanwhile. The file is read back before it is called done; it may hold what "
        "[notify] keeps secret, so only you can read it; but on a stick formatted for Windows (FAT, "
        "exFAT) anybody can. "  # they know no owners of files; from memory
        "`hygrohold restore` puts it back.",
    )
    common.add_settings(to, asks=True)
    to.add_argument("file", metavar="FILE", help="where to, best on another medium; a ZIP archive")
    to.add_argument("--replace", action="store_true", help="write over a file that is there")


def run(args: argparse.Namespace) -> int:
    from controller import backup
    from controller.cli import DONE
    from controller.devices.clock import BoardClock
    from controller.wiring import places, zone

    path = common.existing(args.file)
    settings = common.load(args)
    where, tz = places(settings), zone(settings)
    text, remark = _settings_text(args.settings or common.service_file())
    source = backup.Source(settings.room.name, where.history, where.state, text)
    clock = BoardClock(tz)
    try:
        now = clock.now()
    finally:
        clock.close()
    made = backup.write(path, source, now.wall, now.wall_trusted, __version__, args.replace)
    print("\n".join(described(made, made.record, tz)))
    if remark:
        print(remark)
    print(f"Done: written to {path} and read back. Keep it where only you can read it.")
    return DONE


def _settings_text(path: str | Path | None) -> tuple[str | None, str]:
    from controller.errors import SettingsError
    from controller.settings.toml import read_text

    if path is None:
        return None, "No settings file was named, so none is in it: name yours with --settings FILE."
    try:
        return read_text(Path(path)), ""
    except SettingsError as error:
        return None, f"The settings file is not in it: {error}"


def described(archive: Archive, record: Contents, tz: tzinfo) -> list[str]:
    """What is in a backup, how large, from when to when."""
    from controller.backup import COMMISSIONED, RECORD, SETTINGS, STATE

    names = {
        RECORD: "the record",
        STATE: "the protective state (run time, tank, alarms)",
        SETTINGS: "the settings file",
        COMMISSIONED: "the record of commissioning",
    }
    doubt = "" if archive.clock_trusted else " (by a clock that was not set)"
    lines = [
        f"Room {archive.room}, {archive.made_at:%Y-%m-%d %H:%M}{doubt}, by hygrohold {archive.program}; "
        f"{size_words(archive.size)}:"
    ]
    for name, part in archive.parts.items():
        span = span_words(record, tz) if name == RECORD else ""
        lines.append(f"  {names[name]}, {size_words(part.size)}{span}")
    missing = [words for name, words in names.items() if name not in archive.parts]
    if missing:
        lines.append(f"  not in it, as the room has none: {', '.join(missing)}")
    return lines


def span_words(record: Contents, tz: tzinfo) -> str:
    if record.from_s is None or record.to_s is None:
        return ", no minute in it yet"
    begin, end = (
        f"{datetime.fromtimestamp(at_s, tz):%Y-%m-%d %H:%M}" for at_s in (record.from_s, record.to_s)
    )
    words = f", {record.minutes} minutes from {begin} to {end}"
    if record.thinned_days:
        words += f"; of {record.thinned_days} earlier days, from {record.thinned_from} on, the totals"
    return words


def size_words(size: int) -> str:
    return f"{size / 1e6:.1f} MB" if size >= 1e5 else f"{size / 1e3:.1f} kB"
