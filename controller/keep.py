"""KEEP: the protective state on disk, in two files written in turn.

In:    a State, at every change that matters.
Out:   the newest State that can be read, and what had to be set aside.
Never: depends on the history; overwrites the only good copy.

A full disk takes no new file. Each file is therefore a little longer than its state, and the older of the two
is then written over where it lies: its blocks are its own already, and should that write be torn, the newer
copy is still there. (On a file system that never writes in place this fails as well, and is said.)
"""

from __future__ import annotations

import errno
import json
import os
import zlib
from pathlib import Path
from typing import Any, NamedTuple

from controller.core import tank
from controller.core.state import State, after_loss
from controller.core.tank import TankLimits
from controller.errors import KeptStateError
from controller.files import aside_name, read_small, write_whole

NAMES = ("state-a.json", "state-b.json")
LARGEST_BYTES = 4 * 1024 * 1024
BLOCK_BYTES, SPARE_BYTES = 4096, 2048
"""Whole blocks, with at least so much to spare: some hours' more runs and alarms."""


class Kept(NamedTuple):
    """What a start finds. ``remarks`` are words for the record and the keeper."""

    state: State
    remarks: tuple[str, ...]


class FileKeep:
    """Implements ``ports.Keep``."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._turn = 0
        self._number = 0

    def load(self, cap_s: float) -> Kept:
        """The newest readable state; after a loss, one with half the cap used. Raises KeptStateError."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            found, remarks = self._read_all()
        except OSError as error:
            raise KeptStateError(
                f"the folder for kept state, {self._folder}, cannot be used: {error.strerror}. "
                "Choose another with room.state_dir, or mend its permissions."
            ) from error
        if found:
            self._number, self._turn, state = max(found, key=lambda item: item[0])
            self._turn = 1 - self._turn
            return Kept(state, tuple(remarks))
        # Whatever set one aside, a restore that was cut short too: a room with such a copy is not a new one.
        if not remarks and not any(self._folder.glob("state-?.json.*")):
            return Kept(State(), ())
        remarks = remarks or ["only copies of it that were set aside are there"]
        lost = after_loss("; ".join(remarks), cap_s)
        self.save(lost)  # at once: a second start must not take the empty folder for a new room
        return Kept(lost, tuple(remarks))

    def save(self, state: State) -> None:
        text = json.dumps(state.to_plain(), allow_nan=False, separators=(",", ":"))
        self._number += 1
        whole = {"number": self._number, "crc32": zlib.crc32(text.encode()), "state": text}
        path = self._folder / NAMES[self._turn]
        try:
            try:
                write_whole(path, _spaced(whole))
            except OSError as full:
                if full.errno not in (errno.ENOSPC, errno.EDQUOT):
                    raise
                _write_in_place(path, whole, full)
        except OSError as error:
            raise KeptStateError(f"{path} cannot be written: {error.strerror}") from error
        self._turn = 1 - self._turn

    def _read_all(self) -> tuple[list[tuple[int, int, State]], list[str]]:
        found, remarks = [], []
        for turn, name in enumerate(NAMES):
            path = self._folder / name
            if not path.exists():
                continue
            try:
                number, state = _read(path)
            except (KeptStateError, OSError, ValueError, KeyError, TypeError, RecursionError) as error:
                remarks.append(f"{name} was unreadable ({_in_words(error)}) and {_put_aside(path)}")
                self._turn = turn  # the next state goes where nothing good is
            else:
                found.append((number, turn, state))
        return found, remarks


def _spaced(whole: dict[str, Any], bytes_wanted: int = 0) -> str:
    """As JSON, filled up to ``bytes_wanted``, or else to whole blocks.

    The sum over everything stands behind the filling: a write that broke off anywhere is seen.
    """
    tail = {"spare": "", "sum": _sum(whole["number"], whole["state"])}
    least = len(json.dumps({**whole, **tail}))  # ASCII: a character is a byte
    wanted = bytes_wanted or -(-(least + SPARE_BYTES) // BLOCK_BYTES) * BLOCK_BYTES
    return json.dumps({**whole, **tail, "spare": " " * (wanted - least)})


def _sum(number: int, text: str) -> str:
    return f"{zlib.crc32(f'{number} {text}'.encode()):08x}"


def _write_in_place(path: Path, whole: dict[str, Any], full: OSError) -> None:
    """Over the older copy. Raises OSError: ``full`` where that is not there, or too short."""
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    except FileNotFoundError:
        raise full from None
    try:
        content = _spaced(whole, os.fstat(descriptor).st_size).encode()
        if len(content) != os.fstat(descriptor).st_size or os.pwrite(descriptor, content, 0) != len(content):
            raise full
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _in_words(error: Exception) -> str:
    """Why a copy cannot be read, as a keeper reads it in the alarm: how a parser says it helps nobody."""
    if isinstance(error, KeptStateError):
        return str(error)
    if isinstance(error, OSError):
        return f"the system does not give it: {error.strerror or type(error).__name__}"
    return "it is not whole, or was changed"


def _put_aside(path: Path) -> str:
    aside = aside_name(path)
    try:
        path.rename(aside)
    except OSError as error:
        return f"could not be set aside ({error.strerror})"
    return f"is now {aside.name}"


def peek(folder: Path) -> State | None:
    """The newest readable state, for commands that only look; nothing is set aside. None if there is none."""
    found = []
    for turn, name in enumerate(NAMES):
        try:
            number, state = _read(folder / name)
        except (OSError, KeptStateError, ValueError, KeyError, TypeError, RecursionError):
            continue
        found.append((number, turn, state))
    return max(found, key=lambda item: item[0])[2] if found else None


def output_l_per_h(folder: Path, limits: TankLimits) -> float:
    """The humidifier's output as it is believed today, which is what status and the tank go by."""
    state = peek(folder)
    return tank.rate_l_per_h(tank.TankMemory() if state is None else state.tank, limits)


def _read(path: Path) -> tuple[int, State]:
    try:
        content = read_small(path, LARGEST_BYTES)
    except ValueError as error:
        raise KeptStateError(str(error)) from error
    if not content:
        raise KeptStateError("it is empty")
    whole = json.loads(content)
    text, number = whole["state"], whole["number"]
    if (
        not isinstance(text, str)
        or not isinstance(number, int)
        or zlib.crc32(text.encode()) != whole["crc32"]
        or whole.get("sum", _sum(number, text)) != _sum(number, text)  # an older version wrote none
    ):
        raise KeptStateError("a part of it was changed: its checksum does not fit")
    return number, State.from_plain(json.loads(text))


class MemoryKeep:
    """Implements ``ports.Keep`` for a rehearsal: keeps the value itself."""

    def __init__(self) -> None:
        self.state = State()

    def save(self, state: State) -> None:
        self.state = state
