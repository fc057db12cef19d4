"""DAEMON: a real room's loop with its files, from start to end.

In:    a settings file.
Out:   a held room, kept state, record, status file.
Never: starts without having driven the relay off.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Self

from controller import __version__, commissioned, room_lock
from controller.copies import copies
from controller.core import air
from controller.core.controller import Controller
from controller.core.keeper import duration_words
from controller.deadman import Deadman
from controller.devices.clock import BoardClock
from controller.early_off import NOTHING_HELD, forget_other_line, leave_line_file, remark, way_for
from controller.errors import KeptStateError, RefusedError
from controller.force_off import Held
from controller.history.store import SqliteHistory
from controller.history.thin import Thinner
from controller.keep import FileKeep
from controller.logs import LogTeller
from controller.loop import Loop, Parts
from controller.notifier.sender import Notifier
from controller.notify import ServiceTeller
from controller.settings import Settings
from controller.settings.file import load_or_last_good, load_settings, remember_good
from controller.spool import Spool
from controller.status import StatusFile
from controller.wiring import Places, make_probe, make_relay, make_shelf, make_surroundings, places, zone


class Daemon:
    """One room. ``prepare`` raises what a keeper must mend; ``run`` returns at a wish to stop."""

    def __init__(self, loop: Loop, clock: BoardClock, log: LogTeller, ends: contextlib.ExitStack) -> None:
        """``ends``: what is to be done at the end, however it comes."""
        self._loop = loop
        self._clock = clock
        self._log = log
        self._ends = ends

    def stop(self) -> None:
        self._clock.stop()

    def run(self) -> None:
        with self._ends:
            self._loop.run()
            self._log.say("Stopped: the relay is off, the state is kept.")

    @classmethod
    def prepare(cls, path: Path | None, last_good: bool, log: LogTeller, early: Held = NOTHING_HELD) -> Self:
        """``early``: the relay's line, held off since the start; it is let go of for the relay's driver."""
        settings, refused = _settings(path, last_good)
        where = places(settings)
        _not_anothers(settings, where)
        if why := commissioned.refusal(settings, where.state):
            # Before the line is touched: nobody knows yet which level is off.
            forget_other_line(settings.relay, _line_folders(where, path))
            early.release()
            raise RefusedError(f"not started: {why}")
        with contextlib.ExitStack() as ends:  # undone from the last to the first
            ends.callback(room_lock.hold(where.state).close)
            # off, before files that may be slow are touched
            relay = make_relay(settings, way_for(settings.relay, early))
            ends.callback(_quietly, relay.close)
            unsafe = leave_line_file(settings.relay, _line_folders(where, path))
            clock = BoardClock(zone(settings))
            around = make_surroundings(settings)
            probes = [make_probe(probe, lambda: clock.now().mono_s) for probe in settings.probe]
            keep = FileKeep(where.state)
            kept = keep.load(settings.runtime.cap_s)
            spool = Spool(where.spool, log.say)
            spool.prepare()
            shelf = make_shelf(settings, spool, log.say)
            days = settings.history.keep_minutes_days
            history = SqliteHistory.open(where.history, Thinner(days, zone(settings)) if days else None)
            ends.callback(_quietly, history.close)  # the loop closes it too: a second time does nothing
            simulated = _simulated(settings)
            status = _status_file(settings, where, simulated)
            deadman = Deadman(relay, settings.loop.tick_s, log.say)
            manager = ServiceTeller(settings.loop.tick_s)
            for end in (status.remove, clock.close, deadman.close, manager.stopping):
                ends.callback(end)
            if shelf is not None:
                shelf.start()
                ends.callback(shelf.close)
            notifier = Notifier.of(
                settings.notify,
                settings.room.name,
                settings.loop.tick_s,
                where.state,
                log.say,
                settings.room.units,
            )
            if notifier is not None:
                notifier.start()
                ends.callback(notifier.close)
            air.warm_up()
            for probe in probes:
                probe.read()  # settles a driver's unit, so that the remark below can say it
            remarks = (
                remark(early), unsafe, _killed_on(settings, where), *kept.remarks, history.set_aside, refused,
                simulated,
                *(getattr(probe, "scale_note", "") for probe in probes), getattr(relay, "caution", ""),
            )  # fmt: skip
            _tell_start(settings, remarks, history, clock, log)
            _remember(path, refused, log)
            troubles = (("settings_refused", refused), ("record_anew", history.set_aside))
            parts = Parts(
                Controller(settings, kept.state),
                probes,
                relay,
                clock,
                keep,
                spool,
                history,
                # the service manager last: it is told of whole cycles only
                (status, log, *(teller for teller in (shelf, notifier) if teller is not None), manager),
                troubles=tuple((code, words) for code, words in troubles if words),
                hand=shelf.hand if shelf is not None else _not_seen,
                outdoor_c=around.outdoor_c,
                surface_c=around.surface_c,
                more_troubles=lambda: (
                    *(notifier.troubles() if notifier is not None else ()),
                    *around.troubles(),
                ),
                arm=deadman.arm,
            )
            log.say(
                f"Looking every {duration_words(settings.loop.tick_s)}; state and record in {where.state}"
            )
            return cls(Loop(parts, settings.loop.tick_s), clock, log, ends.pop_all())
        raise AssertionError("not reached")


def _not_anothers(settings: Settings, where: Places) -> None:
    """Raises RefusedError."""
    if where.by_service and "STATE_DIRECTORY" not in os.environ and where.state.stat().st_uid != os.geteuid():
        raise RefusedError(
            f"room {settings.room.name} belongs to the service, and files made by another user would lock it "
            f"out. Start it with: sudo systemctl start hygrohold@{settings.room.name}"
        )


def _killed_on(settings: Settings, where: Places) -> str:
    """What to say of a program that nobody watches, where a killed one was seen to leave the outlet on."""
    if settings.relay.kind == "simulated" or "NOTIFY_SOCKET" in os.environ:
        return ""
    record = commissioned.read(where.state)
    if record is None or record.kill == commissioned.KILL_OFF:
        return ""
    return (
        "When it was commissioned, a killed program left the outlet on until the off step was run. Started "
        "by hand, nobody runs that step: stay with it, or let the service run this room."
    )


def _not_seen() -> None:
    """Without a contact nobody sees where the hand/off/auto switch stands."""


def _quietly(end: Callable[[], None]) -> None:
    with contextlib.suppress(Exception):
        end()


def _simulated(settings: Settings) -> str:
    return "The relay is simulated: nothing is switched." if settings.relay.kind == "simulated" else ""


def _status_file(settings: Settings, where: Places, note: str) -> StatusFile:
    return StatusFile(
        where.status,
        settings.room.name,
        settings.loop.tick_s,
        settings.tank.rate_l_per_h,
        note,
        on_disk=where.runtime == where.state,
    )


def _line_folders(where: Places, path: Path | None) -> list[Path]:
    """Where the line file is looked for: by the service's off step, and by the next start."""
    return [where.runtime, where.state, *([] if path is None else [copies(path)])]


def _tell_start(
    settings: Settings, remarks: Iterable[str], history: SqliteHistory, clock: BoardClock, log: LogTeller
) -> None:
    """Into the record and into the log."""
    start = f"hygrohold {__version__}, room {settings.room.name}"
    for kind, words in (("start", start), *(("remark", words) for words in remarks if words)):
        history.event(clock.now(), kind, words)
        log.say(words)


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
