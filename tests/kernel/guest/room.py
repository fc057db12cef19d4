"""ROOM: a room's settings, folders and commissioning record, so that ``hygrohold run`` starts in the guest.

In:    the chip and polarity of its relay, the bus of its probe.
Out:   the words and the environment to start it with, and where its files are.
Never: goes round the program's own rules: the record is written by the program's own code.
"""

from __future__ import annotations

from pathlib import Path

from controller import commissioned
from controller.settings import Settings
from controller.settings.file import load_settings
from tests.kernel.guest.children import PIN
from tests.kernel.guest.programs import Program, Programs
from tests.kernel.guest.simulated_board import Chip
from tests.kernel.guest.stub_bus import StubBus

PROBE = 0x40
DRY, DAMP = 40.0, 75.0
"""% RH below the setpoint and above it."""

TEXT = """
settings_version = 1
[room]
name = "guest"
timezone = "UTC"
[target]
day_rh_pct = 60
night_rh_pct = 60
[guards]
shortest_on_s = 0
shortest_off_s = 0
[trust]
good_samples = 1
bridge_s = 0
jump_rh_pct = 100
[loop]
tick_s = 1
[[probe]]
kind = "hwmon"
at = "{at}"
[relay]
kind = "{kind}"
chip = {chip}
pin = {pin}
active_high = {active_high}
"""
"""Nothing waits, so that it switches on at its first look at a dry room."""


class Room:
    """One room below ``folder``, with the folders that a service manager would give it."""

    def __init__(self, folder: Path, chip: Chip, bus: StubBus, kind: str, active_high: bool) -> None:
        self.state, self.runtime = folder / "state", folder / "run"
        for place in (self.state, self.runtime):
            place.mkdir()
        self.settings = folder / "guest.toml"
        self.settings.write_text(
            TEXT.format(
                at=bus.at(PROBE), kind=kind, chip=chip.number, pin=PIN, active_high=str(active_high).lower()
            )
        )
        self.environment = {
            "STATE_DIRECTORY": str(self.state),
            "RUNTIME_DIRECTORY": str(self.runtime),
            "XDG_STATE_HOME": str(folder / "home"),
        }
        self.offs_at_first_start = 0
        self.commission()

    @property
    def words(self) -> tuple[str, ...]:
        return ("hygrohold", "run", "--settings", str(self.settings))

    def commission(self) -> None:
        settings = load_settings(Settings, self.settings)
        record = commissioned.Record(
            at="2026-01-14T18:00:00+00:00",
            clock_trusted=False,
            program="tests",
            by="nobody: no person, no lamp, a kernel in a machine that is emulated",
            room="guest",
            wiring=commissioned.fingerprint(settings),
            kill=commissioned.KILL_OFF,
            steps=(commissioned.Step("none", "taken by a test", ()),),
        )
        commissioned.write(self.state, record)

    def start(self, programs: Programs) -> Program:
        return programs.start(*self.words, **self.environment)
