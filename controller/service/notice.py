"""NOTICE: tells that a room's program ended otherwise than by a wish.

In:    "ended" or "gave-up", the room, its runtime and its state folder; systemd's words on the end
       in the environment ($SERVICE_RESULT and its kin: systemd.exec(5)).
Out:   a journal line at alert priority, a line on the terminals, and a small file for `hygrohold status`.
Never: needs more than the standard library; writes through a link; tells of a crash loop at every crash.

Also a script, for the units: ``python -I -S notice.py ended ROOM RUNTIME STATE``.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

NAME = "service-failed.json"
SERIES = timedelta(hours=24)
"""Ends that follow one another within this are counted as one series."""
TOLD_EVERY = timedelta(hours=1)
WRITTEN_EVERY = timedelta(minutes=10)
"""To the state folder, which may be a memory card; the runtime folder gets every one."""
WALLS = ("/usr/bin/wall", "/bin/wall")
LARGEST_BYTES = 16 * 1024
KEYS = {"room", "at", "first_at", "times", "result", "exit_status", "gave_up", "why"}

RESULTS = {
    "watchdog": "it did not answer any more, and the watchdog ended it",
    "signal": "it was killed ({status})",
    "core-dump": "it crashed ({status})",
    "timeout": "it did not start, or did not stop, in time",
    "oom-kill": "the machine had no memory left for it",
    "protocol": "it ended before it had begun to look after the room",
    "resources": "the machine could not give it what it needs to start",
    "start-limit-hit": "it was started too often",
}
EXITS = {
    "1": "it failed (probe, relay or kept state: the journal says which)",
    "2": "its settings were refused and there is no last good copy",
    "3": "it refused to run: the journal says what is missing",
}


def why(result: str, status: str) -> str:
    if result == "exit-code":
        if status.isdigit() and int(status) >= 200:  # systemd.exec(5), "Process Exit Codes"
            return f"the service manager could not start it (status {status})"
        return EXITS.get(status, f"it ended with exit status {status}")
    return RESULTS.get(result, "it ended, and nobody can say why ({result})").format(
        status=status or "?", result=result or "unknown"
    )


def read(folder: Path) -> dict[str, Any] | None:
    """What was noted in a folder; None when there is nothing, or nothing of ours."""
    try:
        descriptor = os.open(folder / NAME, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            plain = json.loads(file.read(LARGEST_BYTES))
        if plain.keys() >= KEYS and all(_moment(plain, key) for key in ("at", "first_at")):
            int(plain["times"]), str(plain["why"])
            return dict(plain)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        pass
    return None


def newest(folders: Sequence[Path]) -> dict[str, Any] | None:
    found = [plain for plain in map(read, folders) if plain is not None]
    return max(found, key=lambda plain: _moment(plain, "at")) if found else None


def _moment(plain: Mapping[str, Any], key: str) -> datetime:
    moment = datetime.fromisoformat(plain[key])
    if moment.tzinfo is None:
        raise ValueError(key)
    return moment


def write(folder: Path, plain: Mapping[str, Any]) -> None:
    """Whole or not at all. Raises OSError. As root in a folder where others write, no link is followed."""
    inside = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    part = f".{NAME}.part"
    try:
        with suppress(FileNotFoundError):
            os.unlink(part, dir_fd=inside)
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640, dir_fd=inside)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(plain, file, ensure_ascii=False)
            os.fchmod(descriptor, 0o640)
            file.flush()
            os.fsync(descriptor)
        os.replace(part, NAME, src_dir_fd=inside, dst_dir_fd=inside)
    finally:
        os.close(inside)


def note(kind: str, room: str, runtime: Path, state: Path, environ: Mapping[str, str], now: datetime) -> str:
    """Notes one end in both folders; what is to be told aloud, "" when it was told a short while ago."""
    gave_up = kind == "gave-up"
    before = "MONITOR_" if gave_up else ""
    result = environ.get(f"{before}SERVICE_RESULT", "")
    status = environ.get(f"{before}EXIT_STATUS", "")
    if result == "success" and not gave_up:
        return ""
    last = newest((runtime, state))
    if last is not None and not timedelta() <= now - _moment(last, "at") <= SERIES:
        last = None
    if gave_up and not result and last is not None:  # a manager before version 251 does not say
        result, status = last["result"], last["exit_status"]
    times = 1 if last is None else last["times"] + (not gave_up)
    after = "It will not be started again by itself." if gave_up else "It is started again."
    at = now.isoformat(timespec="seconds")
    plain: dict[str, Any] = {
        "room": room, "at": at, "first_at": at if last is None else last["first_at"], "times": times,
        "result": result, "exit_status": status, "gave_up": gave_up, "why": why(result, status),
        "told_at": at,
    }  # fmt: skip
    same = last is not None and (last["result"], last["exit_status"], last["gave_up"]) == (
        result, status, gave_up,
    )  # fmt: skip
    tell = not (same and last is not None and _recent(last.get("told_at"), now, TOLD_EVERY))
    if not tell and last is not None:
        plain["told_at"] = last["told_at"]
    on_disk = read(state)
    for folder, due in (
        (runtime, True),
        (state, tell or on_disk is None or not _recent(on_disk["at"], now, WRITTEN_EVERY)),
    ):
        if due:
            with suppress(OSError):
                write(folder, plain)
    if not tell:
        return ""
    return (
        f"hygrohold, room {room}: {plain['why']}. {after} "
        f"Look at the humidifier; `journalctl -u hygrohold@{room}` says more."
    )


def _recent(text: object, now: datetime, within: timedelta) -> bool:
    try:
        return timedelta() <= now - datetime.fromisoformat(str(text)) <= within
    except (ValueError, TypeError):
        return False


def tell(words: str, aloud: bool) -> None:
    """To the journal at alert priority (sd-daemon(3): "<1>" in front), and to the terminals."""
    sys.stderr.write(f"<1>{words}\n")
    sys.stderr.flush()
    wall = next((path for path in WALLS if os.access(path, os.X_OK)), None)
    if aloud and wall is not None:
        import subprocess

        with suppress(OSError, subprocess.SubprocessError):
            subprocess.run([wall], input=words, text=True, timeout=10, check=False, capture_output=True)


def main(arguments: Sequence[str]) -> int:
    if len(arguments) != 4 or arguments[0] not in ("ended", "gave-up"):
        sys.stderr.write("usage: notice.py ended|gave-up ROOM RUNTIME-FOLDER STATE-FOLDER\n")
        return 2
    kind, room, runtime, state = arguments
    words = note(kind, room, Path(runtime), Path(state), os.environ, datetime.now(UTC))
    if words:
        tell(words, aloud=kind == "gave-up" or os.environ.get("EXIT_STATUS") != "3")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
