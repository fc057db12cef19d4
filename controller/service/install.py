"""INSTALL: what putting a room into the service's hands, and taking it out, consists of.

In:    checked settings, where they came from, the installed program, the machine's folders.
Out:   steps: each says in words what it does, and does it when asked.
Never: does anything while it is being asked what it would do; deletes kept state, a record or settings.
"""

from __future__ import annotations

import grp
import pwd
import shlex
import shutil
import subprocess
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from controller.errors import HygroholdError
from controller.files import write_whole
from controller.service import folders
from controller.service.fitness import line_groups
from controller.service.folders import USER, Folders
from controller.service.unit import FAILED_UNIT, ROOM_UNIT, Program, failed_unit, room_unit, sysusers, unit_of

Run = Callable[[Sequence[str]], None]


class Step(NamedTuple):
    """One thing that is done. ``do`` returns what is worth adding, "" for nothing."""

    words: str
    do: Callable[[], str]


def run_command(words: Sequence[str]) -> None:
    """Runs a system command. Raises HygroholdError with what it said."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except (OSError, subprocess.SubprocessError) as error:
        raise HygroholdError(f"`{shlex.join(words)}` could not be run: {error}") from error
    if done.returncode != 0:
        said = (done.stderr or done.stdout).strip() or f"exit status {done.returncode}"
        raise HygroholdError(f"`{shlex.join(words)}` failed: {said}")


def old_folder(user: str, room: str) -> Path | None:
    """Where the room of this user, who runs it by hand, has its state; None for an unknown user."""
    with suppress(KeyError):
        return Path(pwd.getpwnam(user).pw_dir) / ".local" / "state" / "hygrohold" / room
    return None


class Installation:
    """The steps for one room. ``source`` is the checked settings file, ``invoker`` the user behind sudo."""

    def __init__(
        self,
        room: str,
        source: Path,
        where: Folders,
        program: Program,
        *,
        invoker: str = "",
        start: bool = True,
        run: Run = run_command,
    ) -> None:
        self._room = room
        self._source = source
        self._where = where
        self._program = program
        self._invoker = invoker
        self._start = start
        self._run = run

    def steps(self) -> Iterable[Step]:
        """In order; each is looked at anew when its turn comes."""
        yield from self._user()
        yield from self._settings()
        yield from self._state()
        yield from self._units()
        yield from self._manager()

    def _user(self) -> Iterable[Step]:
        if self._where.root is not None:
            yield self._text(self._where.root / "etc/sysusers.d/hygrohold.conf", sysusers(), "user and group")
            return
        words = ["useradd", "--system", "--no-create-home", "--home-dir", str(folders.STATE)]
        words += ["--shell", "/usr/sbin/nologin", "--comment", "hygrohold, humidity of rooms"]
        words += ["--gid", USER] if _is_group(USER) else ["--user-group"]
        if lines := line_groups(self._where):  # so that this user can also commission, outside the service
            words += ["--groups", ",".join(lines)]
        if not _is_user(USER):
            yield Step(f"Make the system user and group {USER}: {shlex.join([*words, USER])}",
                       lambda: self._did([*words, USER]))  # fmt: skip

    def _settings(self) -> Iterable[Step]:
        target = self._where.settings_of(self._room)
        if target.exists() and target.resolve() == self._source.resolve():
            return
        aside = ", after setting the older one aside" if target.exists() and not self._same(target) else ""
        yield Step(f"Copy {self._source} to {target}{aside}", lambda: self._copy_settings(target))

    def _same(self, target: Path) -> bool:
        return target.read_bytes() == self._source.read_bytes()

    def _copy_settings(self, target: Path) -> str:
        said = ""
        _make_public(target.parent)
        if target.exists() and not self._same(target):
            said = f"the older one is now {folders.set_aside(target, 'older').name}"
        write_public(target, self._source.read_text(encoding="utf-8"))
        if self._where.root is None and _is_group(USER):  # addresses in [notify] are as good as passwords
            shutil.chown(target, group=USER)
            target.chmod(0o640)
        return said

    def _state(self) -> Iterable[Step]:
        target = self._where.state_of(self._room)
        if folders.holds_a_room(target):
            return
        source = old_folder(self._invoker, self._room) if self._invoker else None
        if source is None or not folders.holds_a_room(source):
            if self._invoker:
                yield Step(f"Begin with an empty record in {target}: there is none in {source}", lambda: "")
            return
        yield Step(
            f"Take over kept state and record from {source} to {target}",
            lambda: self._take_over(source, target),
        )

    def _take_over(self, source: Path, target: Path) -> str:
        _make_public(target.parent)
        owner = None
        if self._where.root is None:
            user = pwd.getpwnam(USER)
            owner = user.pw_uid, user.pw_gid
        count = folders.take_over(source, target, owner)
        return f"{count} files; the old folder is left as it was"

    def _units(self) -> Iterable[Step]:
        texts = (
            (ROOM_UNIT, room_unit(self._program, line_groups(self._where))),
            (FAILED_UNIT, failed_unit(self._program)),
        )
        for name, text in texts:
            path = self._where.units / name
            if not path.is_file() or path.read_text(encoding="utf-8") != text:
                yield self._text(path, text, "unit")

    def _manager(self) -> Iterable[Step]:
        name = unit_of(self._room)
        if self._where.root is not None:
            yield Step(f"Have {name} started with the machine", lambda: self._link(name))
            return
        calls = [["systemctl", "daemon-reload"], ["systemctl", "enable", name]]
        for words in calls:
            yield Step(f"Run {shlex.join(words)}", lambda words=words: self._did(words))  # type: ignore[misc]
        if self._start:
            words = ["systemctl", "restart", name]
            yield Step(f"Run {shlex.join(words)}", lambda: self._started(words))

    def _started(self, words: Sequence[str]) -> str:
        try:
            return self._did(words)
        except HygroholdError as error:
            raise HygroholdError(
                f"the room {self._room} is installed, but it did not start. `journalctl -u "
                f"{unit_of(self._room)} -n 20` says why; once that is mended, `sudo {shlex.join(words)}`. "
                f"({error})"
            ) from error

    def _link(self, name: str) -> str:
        link = self._where.units / "multi-user.target.wants" / name
        link.parent.mkdir(parents=True, exist_ok=True)
        link.unlink(missing_ok=True)
        link.symlink_to(folders.UNITS / ROOM_UNIT)
        return ""

    def _did(self, words: Sequence[str]) -> str:
        self._run(words)
        return ""

    @staticmethod
    def _text(path: Path, text: str, what: str) -> Step:
        return Step(f"Write the {what} {path}", lambda: write_public(path, text))


class Removal:
    """The steps that take one room out of the service's hands."""

    def __init__(self, room: str, where: Folders, run: Run = run_command) -> None:
        self._room = room
        self._where = where
        self._run = run

    def steps(self) -> Iterable[Step]:
        name, where = unit_of(self._room), self._where
        settings = where.settings_of(self._room)
        if where.root is None:
            words = ["systemctl", "disable", "--now", name]
            yield Step(f"Stop it, and start it no more: {shlex.join(words)}", lambda: self._stop(words, name))
        else:
            link = where.units / "multi-user.target.wants" / name
            yield Step(f"Start it no more: {link}", lambda: _unlink(link))
        if settings.exists():
            yield Step(
                f"Set {settings} aside",
                lambda: f"it is now {folders.set_aside(settings, 'removed').name}",
            )
        line_file = folders.RUNTIME / self._room / "relay-line.json"
        if (
            where.root is None and line_file.exists()
        ):  # it would outrank that of a later installation with other wiring
            yield Step(f"Remove {line_file}", lambda: _unlink(line_file))
        if all(path == settings for path in folders.rooms_settings(where.settings)):
            for unit in (ROOM_UNIT, FAILED_UNIT):
                path = where.units / unit
                yield Step(f"Remove {path}: that was the last room", lambda path=path: _unlink(path))  # type: ignore[misc]
            if where.root is None:
                yield Step("Run systemctl daemon-reload", lambda: self._reload())

    def _stop(self, words: Sequence[str], name: str) -> str:
        self._run(words)
        with suppress(HygroholdError):  # where it had not failed there is nothing to be forgotten
            self._run(["systemctl", "reset-failed", name])
        return ""

    def _reload(self) -> str:
        self._run(["systemctl", "daemon-reload"])
        return ""


def _unlink(path: Path) -> str:
    path.unlink(missing_ok=True)
    return ""


def write_public(path: Path, text: str) -> str:
    """A file that all may read, in a folder that all may look into; "" as a step's word."""
    _make_public(path.parent)
    write_whole(path, text)
    path.chmod(0o644)
    return ""


def _make_public(folder: Path) -> None:
    """A folder that the service and its keepers can look into, whatever root's umask."""
    if not folder.is_dir():
        folder.mkdir(parents=True)
        folder.chmod(0o755)


def _is_user(name: str) -> bool:
    with suppress(KeyError):
        return bool(pwd.getpwnam(name))
    return False


def _is_group(name: str) -> bool:
    with suppress(KeyError):
        return bool(grp.getgrnam(name))
    return False
