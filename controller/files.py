"""Small files that must be whole or not there: written beside, synced, renamed.

In:    a path and a text.
Out:   the file, complete, after a power cut too.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

UNREADABLE = ".unreadable-"


def write_whole(path: Path, text: str, durable: bool = True) -> None:
    """Replaces ``path`` by ``text`` in one step. ``durable`` waits until the disk has it. Raises OSError."""
    beside = path.with_name(f".{path.name}.part")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        if durable:
            file.flush()
            os.fsync(file.fileno())
    beside.replace(path)
    if durable:
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def aside_name(path: Path) -> Path:
    """A free name beside ``path`` for an unreadable file, with the time in it."""
    stamp = f"{path.name}{UNREADABLE}{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside, number = path.with_name(stamp), 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{stamp}-{number}")
    return aside
