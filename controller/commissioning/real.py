"""REAL: the walk on this board, with the room's own files.

In:    settings, the room's folders, its lock being held.
Out:   relay, probes, and the real loop with kept state, record and dead man's switch of this very room.
Never: lets mist run past what the room's ledger, tank and guards allow: they are the room's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from controller.commissioning.hand import Hand, ProcessHand, run_force_off
from controller.commissioning.mist import FASTEST_TICK_S
from controller.copies import copies
from controller.core import air
from controller.core.controller import Controller
from controller.core.records import Instant
from controller.deadman import Deadman
from controller.devices.boards import board_words, list_boards
from controller.devices.clock import BoardClock
from controller.devices.relay_words import line_words
from controller.devices.sysfs import FoundProbe, list_probes
from controller.early_off import leave_line_file
from controller.errors import RelayError
from controller.force_off import remove_line_file
from controller.history.store import SqliteHistory
from controller.keep import FileKeep
from controller.loop import Loop, Parts, Teller
from controller.ports import Clock, Inbox, Probe, Relay
from controller.settings import Settings
from controller.wiring import Places, make_probe, make_relay


class Until:
    """Implements ``ports.Clock``: the board's, and an end when ``over``."""

    def __init__(self, clock: Clock, over: Callable[[], bool]) -> None:
        self._clock = clock
        self._over = over

    def now(self) -> Instant:
        return self._clock.now()

    def wait_until(self, mono_s: float) -> bool:
        return not self._over() and self._clock.wait_until(mono_s)


class RealSite:
    """Implements ``scene.Site``. ``say`` hears remarks that are no part of the walk."""

    def __init__(
        self,
        settings: Settings,
        where: Places,
        clock: BoardClock,
        say: Callable[[str], None],
        path: Path | None = None,
    ) -> None:
        """``path``: the settings file."""
        self._path = path
        self._settings = settings
        self._where = where
        self._clock = clock
        self._say = say

    def now(self) -> Instant:
        return self._clock.now()

    def hint(self, what: str) -> str:
        return ""

    def found(self) -> list[str]:
        relay, boards = self._settings.relay, list_boards()
        lines = [
            f"{board_words(board)}{_named(board.device == relay.device, line_words(relay))}"
            for board in boards
        ]
        if not any(board.device == relay.device for board in boards):
            lines.append(f"{relay.device}, which the settings name for the relay, is NOT there")
        probes = list_probes()
        for found in probes:
            lines.append(f'{found.kind} probe "{found.name}" at "{found.address}"{self._named_probe(found)}')
        if not probes:
            lines.append("no probe with a kernel driver")
        return lines

    def _named_probe(self, found: FoundProbe) -> str:
        for number, probe in enumerate(self._settings.probe, 1):
            if probe.kind == found.kind and (
                probe.at.casefold() == found.address.casefold()
                if probe.at
                else probe.chip.casefold() == found.name.casefold()
            ):
                return _named(True, f"probe {number}")
        return ""

    def probes(self) -> Sequence[Probe]:
        return [make_probe(probe, lambda: self._clock.now().mono_s) for probe in self._settings.probe]

    def hand(self) -> Hand:
        """The line file first: it must be there when the hand is killed."""
        unsafe = leave_line_file(self._settings.relay, self._folders())
        if unsafe:
            raise RelayError(unsafe)
        return ProcessHand(self._settings.relay)

    def _folders(self) -> list[Path]:
        """The state's, which the off step reads; and where an older line file would rule the next start."""
        state, others = self._where.state, [self._where.runtime]
        if self._path is not None:
            others.append(copies(self._path))
        return [state, *(folder for folder in others if folder != state and folder.is_dir())]

    def force_off(self) -> tuple[bool, str]:
        return run_force_off(str(self._where.state))

    def forget_line(self) -> None:
        for folder in self._folders():
            with suppress(OSError):
                remove_line_file(folder)

    def hold(self, inbox: Inbox, teller: Teller, over: Callable[[], bool]) -> None:
        settings, where = self._settings, self._where
        tick_s = min(settings.loop.tick_s, FASTEST_TICK_S)
        relay: Relay = make_relay(settings)
        deadman = Deadman(relay, tick_s, self._say)
        try:
            keep = FileKeep(where.state)
            kept = keep.load(settings.runtime.cap_s)
            history = SqliteHistory.open(where.history)
            history.event(self.now(), "start", f"commissioning of the room {settings.room.name}")
            for words in (*kept.remarks, history.set_aside):
                if words:
                    history.event(self.now(), "remark", words)
                    self._say(words)
            air.warm_up()
            parts = Parts(
                Controller(settings, kept.state), self.probes(), relay, Until(self._clock, over), keep, inbox,
                history, (teller,), arm=deadman.arm,
            )  # fmt: skip
        except BaseException:
            with suppress(RelayError):
                relay.close()
            raise
        try:
            Loop(parts, tick_s).run()
        finally:
            deadman.close()


def _named(is_it: bool, what: str) -> str:
    return f"   <- {what}" if is_it else ""
