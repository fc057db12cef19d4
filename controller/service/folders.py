"""Where a room run by the service has its files, and moving a room there.

In:    a room's name; the folder it was run in so far.
Out:   paths; a whole copy of kept state and record, belonging to the service's user.
Never: follows a link out of a user's folder, touches the folder it copies from, or deletes a record.
"""

from __future__ import annotations

import fcntl
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from controller.errors import HygroholdError
from controller.files import aside_name

SETTINGS = Path("/etc/hygrohold")
STATE = Path("/var/lib/hygrohold")
RUNTIME = Path("/run/hygrohold")
PAGE = Path("/var/lib/hygrohold-page")
"""Of the page: its password and tokens, for the service's user alone."""
UNITS = Path("/etc/systemd/system")
USER = "hygrohold"
"""The user, and the group whose members may ask the program and read its record."""
FOLDER_MODE = 0o2770
FILE_MODE = 0o660
LOCK = "lock"
_OF_ONE_RUN = (LOCK, "status.json", "service-failed.json")


class Folders(NamedTuple):
    """The service's folders, of this machine or of one that is being put together below a folder."""

    settings: Path
    state: Path
    units: Path
    root: Path | None

    @classmethod
    def under(cls, root: Path | None) -> Folders:
        if root is None:
            return cls(SETTINGS, STATE, UNITS, None)
        settings, state, units = (root / path.relative_to("/") for path in (SETTINGS, STATE, UNITS))
        return cls(settings, state, units, root)

    def settings_of(self, room: str) -> Path:
        return self.settings / f"{room}.toml"

    def state_of(self, room: str) -> Path:
        return self.state / room


def rooms_settings(folder: Path | None = None) -> list[Path]:
    """The settings files of the rooms that the service runs, by name."""
    folder = SETTINGS if folder is None else folder
    with suppress(OSError):
        return sorted(path for path in folder.glob("*.toml") if path.is_file())
    return []


def barred(path: Path, room: str) -> str:
    """Why this user may not look at a folder or file of the service's room, in words; "" when it may."""
    if os.access(path, os.R_OK | (os.X_OK if path.is_dir() else 0)):
        return ""
    return (
        f"the room {room} is run by the service, and only members of the group {USER} may ask it. "
        f"Join it once: `sudo usermod -aG {USER} $USER`, then log out and in again."
    )


def set_aside(path: Path, why: str) -> Path:
    """Renames a file to a free name that says why and when. Raises OSError."""
    return path.rename(aside_name(path, why))


def holds_a_room(folder: Path) -> bool:
    try:
        return not {path.name for path in folder.iterdir()} <= set(_OF_ONE_RUN)
    except OSError:
        return False


def take_over(source: Path, target: Path, owner: tuple[int, int] | None) -> int:
    """Copies a room's kept state and record, whole or not at all; the number of files.

    ``owner`` (uid, gid) is given the copy; None leaves it to systemd, which does so at the first start.
    Raises HygroholdError where the room is running, or something cannot be copied.
    """
    if source.is_symlink():
        raise HygroholdError(f"{source} is a link, and is not followed: name the room's own folder")
    beside = target.with_name(f".{target.name}.new")
    try:
        with _at_rest(source):
            _clear(beside)
            count = _copy(source, beside, owner)
            if target.exists():  # to be replaced only where it holds no room: rmdir sees to that
                for name in _OF_ONE_RUN:
                    (target / name).unlink(missing_ok=True)
                target.rmdir()
            beside.rename(target)
    except OSError as error:
        raise HygroholdError(
            f"the kept state and record in {source} could not be copied to {target}: "
            f"{error.strerror or error}. {source} is as it was."
        ) from error
    return count


class _at_rest:  # noqa: N801  used as a phrase: with _at_rest(folder)
    """Holds a room's lock, so that nothing is copied under a writer's hands."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._descriptor = -1

    def __enter__(self) -> None:
        with suppress(FileNotFoundError):
            self._descriptor = os.open(self._folder / LOCK, os.O_RDONLY | os.O_NOFOLLOW)
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(self._descriptor)
                raise HygroholdError(
                    f"the room is being run by hand just now ({self._folder} is in use): end that "
                    "`hygrohold run` with Ctrl-C first."
                ) from None

    def __exit__(self, *_: object) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)


def make_folder(path: Path, owner: tuple[int, int] | None) -> None:
    """One folder that the service's user and group share. Raises OSError."""
    path.mkdir(exist_ok=True)
    if owner is not None:
        os.chown(path, *owner)
    path.chmod(FOLDER_MODE)  # after the owner: a change of owner takes the setgid bit away


def _copy(source: Path, target: Path, owner: tuple[int, int] | None) -> int:
    make_folder(target, owner)
    count = 0
    for entry in sorted(os.scandir(source), key=lambda entry: entry.name):
        if entry.name in _OF_ONE_RUN or entry.name.endswith(".part") or entry.is_symlink():
            continue
        if entry.is_dir():
            count += _copy(Path(entry.path), target / entry.name, owner)
        elif entry.is_file():
            count += _copy_file(Path(entry.path), target / entry.name, owner)
    return count


def _copy_file(source: Path, target: Path, owner: tuple[int, int] | None) -> int:
    """We may be root, and the folder is a user's: only an ordinary file, opened without following links."""
    came_from = os.open(source, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(came_from, "rb") as old:
        if not stat.S_ISREG(os.fstat(came_from).st_mode):
            return 0
        goes_to = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE_MODE)
        with os.fdopen(goes_to, "wb") as new:
            while block := old.read(1 << 20):
                new.write(block)
            new.flush()
            if owner is not None:
                os.fchown(goes_to, *owner)
            os.fchmod(goes_to, FILE_MODE)
            os.fsync(goes_to)
    return 1


def _clear(folder: Path) -> None:
    """What an earlier copy that was cut short has left."""
    if folder.is_symlink() or folder.is_file():
        folder.unlink()
    if not folder.is_dir():
        return
    for entry in list(os.scandir(folder)):
        if entry.is_dir(follow_symlinks=False):
            _clear(Path(entry.path))
        else:
            Path(entry.path).unlink()
    folder.rmdir()
