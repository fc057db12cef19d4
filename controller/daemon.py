"""DAEMON: a real room's loop with its files, from start to end.

In:    a settings file.
Out:   a held room, kept state, record, status file.
Never: starts without having driven the relay off.
"""

from __future__ import annotations

import contextlib
import fcntl
from pathlib import Path
from typing import Self, TextIO

from controller import __version__
from controller.core import air
from controller.core.controller import Controller
from controller.core.keeper import duration_words
from controller.deadman import Deadman
from controller.devices.clock import BoardClock
from controller.errors import KeptStateError
from controller.history.store import SqliteHistory
from controller.keep import FileKeep
from controller.logs import LogTeller
from controller.loop import Loop, Parts
from controller.ports import Relay
from controller.settings import Settings
from controller.settings.file import load_or_last_good, load_settings, remember_good
from controller.spool import Spool
from controller.status import StatusFile
from controller.wiring import copies, make_probe, make_relay, places, zone


class Daemon:
    """One room. ``prepare`` raises what a keeper must mend; ``run`` returns at a wish to stop."""

    def __init__(
        self,
        loop: Loop,
        clock: BoardClock,
        status: StatusFile,
        deadman: Deadman,
        lock: TextIO,
        log: LogTeller,
    ) -> None:
        self._loop = loop
        self._deadman = deadman
        self._lock = lock
        self._log = log
        self._clock = clock
        self._status = status

    def stop(self) -> None:
        self._clock.stop()

    def run(self) -> None:
        try:
            self._loop.run()
            self._log.say("Stopped: the relay is off, the state is kept.")
        finally:
            self._deadman.close()
            self._clock.close()
            self._status.remove()
            self._lock.close()

    @classmethod
    def prepare(cls, path: Path | None, last_good: bool, log: LogTeller) -> Self:
        settings, refused = _settings(path, last_good)
        where = places(settings)
        lock = _hold(where.state)
        relay: Relay | None = None
        try:
            relay = make_relay(settings)  # off, before files that may be slow are touched
            clock = BoardClock(zone(settings))
            probes = [make_probe(probe, lambda: clock.now().mono_s) for probe in settings.probe]
            keep = FileKeep(where.state)
            kept = keep.load(settings.runtime.cap_s)
            spool = Spool(where.spool, log.say)
            spool.prepare()
            history = SqliteHistory.open(where.history)
            note = (
                "" if settings.relay.kind != "simulated" else "The relay is simulated: nothing is switched."
            )
            status = StatusFile(
                where.status,
                settings.room.name,
                settings.loop.tick_s,
                settings.tank.rate_l_per_h,
                note,
                on_disk=where.runtime == where.state,
            )
            deadman = Deadman(relay, settings.loop.tick_s, log.say)
            air.warm_up()
            for probe in probes:
                probe.read()  # settles a driver's unit, so that the remark below can say it
            remarks = [
                *kept.remarks, history.set_aside, refused, note,
                *(getattr(probe, "scale_note", "") for probe in probes), getattr(relay, "caution", ""),
            ]  # fmt: skip
            start = f"hygrohold {__version__}, room {settings.room.name}"
            for kind, words in (("start", start), *(("remark", words) for words in remarks if words)):
                history.event(clock.now(), kind, words)
                log.say(words)
            _remember(path, refused, log)
            parts = Parts(
                Controller(settings, kept.state),
                probes,
                relay,
                clock,
                keep,
                spool,
                history,
                (status, log),
                troubles=tuple(
                    (code, words)
                    for code, words in (("settings_refused", refused), ("record_anew", history.set_aside))
                    if words
                ),
                arm=deadman.arm,
            )
            log.say(
                f"Looking every {duration_words(settings.loop.tick_s)}; state and record in {where.state}"
            )
            return cls(Loop(parts, settings.loop.tick_s), clock, status, deadman, lock, log)
        except BaseException:
            if relay is not None:
                with contextlib.suppress(Exception):
                    relay.close()
            lock.close()
            raise


def _settings(path: Path | None, last_good: bool) -> tuple[Settings, str]:
    """The settings, and why the file was refused if the last good copy rules instead."""
    if path is None or not last_good:
        return load_settings(Settings, path), ""
    return load_or_last_good(Settings, path, copies(path))


def _remember(path: Path | None, refused: str, log: LogTeller) -> None:
    if path is None or refused:
        return
    try:
        remember_good(path, copies(path))
    except KeptStateError as error:
        log.say(str(error))


def _hold(folder: Path) -> TextIO:
    """The room's lock, held for as long as the file is open. Raises KeptStateError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / "lock").open("w")
    except OSError as error:
        raise KeptStateError(
            f"the folder for kept state, {folder}, cannot be used: {error.strerror}. "
            "Choose another with room.state_dir, or mend its permissions."
        ) from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise KeptStateError(
            f"another hygrohold already runs this room: {folder} is in use. Stop that one first, or give "
            "this room another room.name."
        ) from None
    return file
