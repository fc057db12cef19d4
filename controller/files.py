"""Small files that must be whole or not there: written beside, synced, renamed.

In:    a path and a text; or a path and how much is believed to be a small file.
Out:   the file, complete, after a power cut too; or its content.
Never: waits for a pipe, or reads on and on: who may write in a folder must not be able to hold a reader up.
"""

from __future__ import annotations

import os
import stat
from datetime import UTC, datetime
from pathlib import Path


def write_whole(
    path: Path, text: str, durable: bool = True, readable: bool = False, private: bool = False
) -> None:
    """Replaces ``path`` by ``text`` in one step. ``durable`` waits until the disk has it. Raises OSError.

    ``readable``: by the folder's group, whatever this user's umask. ``private``: by this user alone.
    """
    beside = path.with_name(f".{path.name}.part")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600 if private else 0o644)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        if private:
            os.fchmod(descriptor, 0o600)  # one that was left over may be open to others
        file.write(text)
        if readable:
            os.fchmod(descriptor, 0o640)
        if durable:
            file.flush()
            os.fsync(file.fileno())
    beside.replace(path)
    if durable:
        sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Waits until the disk has the names in a folder: else a rename may not outlast a cut. Raises OSError."""
    folder = os.open(path, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def read_small(path: Path, largest_bytes: int, flags: int = 0) -> bytes:
    """All of an ordinary file. Raises OSError; ValueError, in words, where it is none or is larger."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | flags)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise ValueError("it is not an ordinary file")
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            content = file.read(largest_bytes + 1)
    finally:
        os.close(descriptor)
    if len(content) > largest_bytes:
        raise ValueError("it is far too large")
    return content


def aside_name(path: Path, why: str = "unreadable", endings: tuple[str, ...] = ("",)) -> Path:
    """A name beside ``path`` that says why and when it was set aside; with each of ``endings`` it is free."""
    stamp = f"{path.name}.{why}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside, number = path.with_name(stamp), 1
    while any(aside.with_name(aside.name + ending).exists() for ending in endings):
        number += 1
        aside = path.with_name(f"{stamp}-{number}")
    return aside
