"""BACKUP: all that a room would miss after its storage card has died, in one file.

In:    the room's folder, its settings file; the program may be running.
Out:   a ZIP archive, whole or not there at all, read back before anybody is told that it is done.
Never: copies the record as a file, replaces an archive unasked, or unpacks by a name of the archive's.

ZIP, because every desktop opens it without this program, and because it says at its end how large each part
is and what its checksum is: an absurd one is refused before anything is read. The parts have fixed names; one
of any other name makes the file no backup of ours.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import IO, Any, NamedTuple

from controller import commissioned, keep
from controller.core.state import STATE_VERSION, State
from controller.errors import DataFileError, HygroholdError, KeptStateError, RefusedError
from controller.files import read_small, sync_folder
from controller.history.copy import NEWEST_VERSION, Contents, copy_record

FORMAT = 1
CONTENTS, RECORD, STATE, SETTINGS, COMMISSIONED = (
    *("contents.json", "history.sqlite", "state.json"),
    *("settings.toml", commissioned.FILE),
)
MIB = 1024 * 1024
LARGEST_BYTES = {
    CONTENTS: MIB,
    RECORD: 4096 * MIB,  # eighty years of minutes
    STATE: keep.LARGEST_BYTES,
    SETTINGS: MIB,
    COMMISSIONED: commissioned.LARGEST_BYTES,
}
_BLOCK_BYTES = MIB
_UNREADABLE = (
    *(zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError),
    *(ValueError, KeyError, TypeError, AttributeError),
)


class Part(NamedTuple):
    size: int
    sha256: str


class Archive(NamedTuple):
    """What a backup says of itself; each part has been read and is as it was written."""

    path: Path
    size: int
    room: str
    made_at: datetime
    clock_trusted: bool
    program: str
    record: Contents
    parts: Mapping[str, Part]


class Source(NamedTuple):
    """What is to be kept. ``settings`` None: the room has no settings file that can be read."""

    room: str
    record: Path
    folder: Path  # of the protective state and the record of commissioning
    settings: str | None


def write(
    path: Path, source: Source, made_at: datetime, clock_trusted: bool, program: str, replace: bool = False
) -> Archive:
    """Raises RefusedError where ``path`` is there already, else HygroholdError, which says what is there."""
    if path.is_dir():
        raise RefusedError(f"{path} is a folder: name a file in it, like {path / 'backup.zip'}")
    if path.exists() and not (replace and path.is_file()):
        raise RefusedError(f"{path} is there already: nothing was written. Another name, or --replace")
    outcome = "Nothing was written."
    if path.exists():
        outcome = "Nothing was written, and the older file stays as it was."
    beside = path.with_name(f".{path.name}.part")
    record = path.with_name(f".{path.name}.record.part")
    try:
        for part in (beside, record):
            part.unlink(missing_ok=True)
            os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))  # it may hold a password
        head = (source.room, made_at, clock_trusted, program)
        _pack(beside, head, record, copy_record(source.record, record), _texts(source))
        _out_of_memory(beside)
        read_back = check(beside)._replace(path=path)
        beside.replace(path)
        outcome = "It is there and was read back, but a power cut now could still undo it: write it again."
        sync_folder(path.parent)
    except OSError as error:
        raise HygroholdError(f"{path} cannot be written: {error.strerror or error}. {outcome}") from error
    finally:
        for part in (beside, record):
            with suppress(OSError):
                part.unlink(missing_ok=True)
    return read_back


def _texts(source: Source) -> dict[str, bytes]:
    """The small parts: those that there are."""
    found: dict[str, bytes] = {}
    state = keep.peek(source.folder)
    if state is not None:
        found[STATE] = json.dumps(state.to_plain(), allow_nan=False, indent=1).encode()
    if source.settings is not None:
        found[SETTINGS] = source.settings.encode()
    with suppress(FileNotFoundError, ValueError):
        found[COMMISSIONED] = read_small(source.folder / COMMISSIONED, LARGEST_BYTES[COMMISSIONED])
    return found


def _pack(
    beside: Path, head: tuple[str, datetime, bool, str], record: Path, kept: Contents, texts: dict[str, bytes]
) -> None:
    room, made_at, clock_trusted, program = head
    with record.open("rb") as file:
        parts = {RECORD: _measure(file, LARGEST_BYTES[RECORD])}
    parts |= {name: Part(len(text), hashlib.sha256(text).hexdigest()) for name, text in texts.items()}
    contents = {
        "format": FORMAT,
        "room": room,
        "made_at": made_at.isoformat(timespec="seconds"),
        "clock_trusted": clock_trusted,
        "program": program,
        "state_version": STATE_VERSION,
        "record": kept._asdict(),
        "parts": {name: part._asdict() for name, part in parts.items()},
    }
    with beside.open("wb") as whole:
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            archive.writestr(CONTENTS, json.dumps(contents, indent=1))
            for name, text in texts.items():
                archive.writestr(name, text)
            archive.write(record, RECORD)
        whole.flush()
        os.fsync(whole.fileno())


def check(path: Path) -> Archive:
    """Reads every part of an archive. Raises DataFileError: no backup, damaged, or of a newer version."""
    with opened(path) as (archive, said):
        for name in said.parts:
            read_part(archive, said, name, lambda block: None)
        return said


@contextmanager
def opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, Archive]]:
    """An archive whose list of parts makes sense. What is wrong meanwhile is a DataFileError."""
    try:
        if not path.is_file():
            raise DataFileError(f"{path}: there is no such file")
        with zipfile.ZipFile(path) as archive:
            _expected(path, archive.infolist())
            said = _said(path, archive.read(CONTENTS))
            if {CONTENTS, *said.parts} != set(archive.namelist()):
                raise ValueError("its parts are not those that it speaks of")
            yield archive, said
    except _UNREADABLE as error:
        if isinstance(error, HygroholdError):
            raise
        raise DataFileError(f"{path} is no backup of this program, or is damaged: {error}") from error
    except OSError as error:
        raise DataFileError(f"{path} cannot be read: {error.strerror or error}") from error


def _expected(path: Path, infos: list[zipfile.ZipInfo]) -> None:
    """Only our parts, each once, none larger than it can be: before anything is unpacked."""
    names = [info.filename for info in infos]
    if RECORD not in names or CONTENTS not in names or len(names) != len(set(names)):
        raise DataFileError(f"{path} is no backup of this program: parts are missing, or there twice")
    for info in infos:
        most = LARGEST_BYTES.get(info.filename)
        if most is None:
            raise DataFileError(
                f"{path} is no backup of this program: {info.filename!r} is none of its parts"
            )
        if info.file_size > most:
            raise DataFileError(
                f"{path}: {info.filename} is said to have {info.file_size} bytes, which cannot be"
            )
        if info.compress_type not in (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED):
            raise DataFileError(f"{path}: {info.filename} is packed in a way that this program does not use")


def _said(path: Path, text: bytes) -> Archive:
    plain = json.loads(text)
    newer = "was made by a newer version of this program: update this one first"
    if plain["format"] != FORMAT:
        raise DataFileError(f"{path} {newer if plain['format'] > FORMAT else 'is no backup of this program'}")
    if plain["state_version"] > STATE_VERSION or plain["record"]["version"] > NEWEST_VERSION:
        raise DataFileError(f"{path} {newer}")
    parts = {str(name): Part(int(part["size"]), str(part["sha256"])) for name, part in plain["parts"].items()}
    made_at = datetime.fromisoformat(plain["made_at"])
    if made_at.tzinfo is None:
        raise ValueError("it does not say by which time it was made")
    of = plain["record"]
    from_s, to_s = (None if of[key] is None else float(of[key]) for key in ("from_s", "to_s"))
    counts = int(of["version"]), int(of["minutes"]), int(of["thinned_days"])
    return Archive(
        path, path.stat().st_size, str(plain["room"]), made_at, bool(plain["clock_trusted"]),
        str(plain["program"]), Contents(*counts, str(of["thinned_from"]), from_s, to_s), parts,
    )  # fmt: skip


def read_part(archive: zipfile.ZipFile, said: Archive, name: str, take: Callable[[bytes], Any]) -> None:
    """Hands a part on, block by block. Raises ValueError at its end where it is not what was written."""
    with archive.open(name) as file:
        if _measure(file, said.parts[name].size, take) != said.parts[name]:
            raise ValueError(f"{name} is not as it was written")


def text_of(archive: zipfile.ZipFile, said: Archive, name: str) -> str | None:
    """A small part; None where it is not in the archive."""
    if name not in said.parts:
        return None
    blocks: list[bytes] = []
    read_part(archive, said, name, blocks.append)
    return b"".join(blocks).decode()


def state_of(archive: zipfile.ZipFile, said: Archive) -> State | None:
    """The protective state. Raises DataFileError where it cannot be used."""
    text = text_of(archive, said, STATE)
    try:
        return None if text is None else State.from_plain(json.loads(text))
    except KeptStateError as error:
        raise DataFileError(f"{said.path}: its kept state cannot be used: {error}") from error


def _measure(file: IO[bytes], most: int, take: Callable[[bytes], Any] = len) -> Part:
    """Reads to the end, or a little past ``most``."""
    digest, size = hashlib.sha256(), 0
    while size <= most and (block := file.read(_BLOCK_BYTES)):
        size += len(block)
        digest.update(block)
        take(block)
    return Part(size, digest.hexdigest())


def _out_of_memory(path: Path) -> None:
    """Has the kernel forget what it holds of a file, so that reading back reads the medium."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)
