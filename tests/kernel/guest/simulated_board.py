"""SIMULATED BOARD: GPIO chips of the guest's kernel, and what can be seen of their lines from outside.

In:    a name; pulls; the wish that the chip vanishes.
Out:   ``Board``: gpio-sim, whose lines show their level and have a pull. ``KeepingChip``: gpio-amdpt on plain
       memory, whose lines stay as they were driven when they are freed, like those of most real chips.
Never: uses hygrohold's own code to look at a line: the kernel's files and libgpiod's bindings tell.

Sources: Documentation/admin-guide/gpio/gpio-sim.rst; Documentation/userspace-api/gpio/chardev.rst.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import gpiod

CONFIG = Path("/sys/kernel/config")
LINES = 28  # as many as the header of the boards that gpiozero knows has GPIO numbers
REVISION = "a02082"
"""A board revision (Raspberry Pi 3 Model B) of the published list; gpiozero wants one in /proc/cpuinfo."""
PATIENCE_S = 30.0


class Seen(NamedTuple):
    """What the kernel says of a line."""

    used: bool
    output: bool
    consumer: str


def run(*words: str) -> str:
    """A command of the guest's; its output. Raises AssertionError where it fails."""
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


def wait_until(true: Callable[[], object], what: str, within_s: float = PATIENCE_S) -> None:
    """Looks again and again: nothing here may depend on how fast an emulated machine is."""
    until = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < until, f"waited {within_s:g} s for {what}"
        time.sleep(0.02)


def pretend_board_revision() -> None:
    """gpiozero's code runs unchanged: the line it looks for is laid over /proc/cpuinfo."""
    shown = Path("/proc/cpuinfo").read_text()
    if "\nRevision" not in shown:
        over = Path("/run/cpuinfo")
        over.write_text(f"{shown}\nRevision\t: {REVISION}\n")
        run("mount", "--bind", str(over), "/proc/cpuinfo")


class Chip:
    """A GPIO chip by its name in /dev, such as gpiochip0."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.number = int(name.removeprefix("gpiochip"))
        self.device = f"/dev/{name}"
        wait_until(Path(self.device).exists, f"{self.device} to appear")

    def seen(self, line: int) -> Seen:
        with gpiod.Chip(self.device) as chip:
            info = chip.get_line_info(line)
        return Seen(info.used, info.direction == gpiod.line.Direction.OUTPUT, info.consumer or "")

    def first_number(self) -> int:
        """The kernel's own number of line 0, which its trace events use."""
        gpio = Path("/sys/bus/gpio/devices", self.name).resolve().parent / "gpio"
        (base,) = [int((folder / "base").read_text()) for folder in gpio.glob("gpiochip*")]
        return base


class Board(Chip):
    """A gpio-sim chip of its own."""

    def __init__(self, name: str) -> None:
        run("modprobe", "configfs")
        run("modprobe", "gpio-sim")
        if not (CONFIG / "gpio-sim").exists():
            run("mount", "-t", "configfs", "configfs", str(CONFIG))
        self._folder = CONFIG / "gpio-sim" / name
        bank = self._folder / "bank0"
        bank.mkdir(parents=True)
        (bank / "num_lines").write_text(str(LINES))
        (bank / "label").write_text(name)
        self._live(True)
        super().__init__((bank / "chip_name").read_text().strip())
        platform = Path("/sys/devices/platform", (self._folder / "dev_name").read_text().strip())
        self._lines = platform / self.name

    def _live(self, live: bool) -> None:
        (self._folder / "live").write_text("1" if live else "0")

    def level(self, line: int) -> int:
        """The electrical level: what is driven, or else the pull."""
        return int((self._lines / f"sim_gpio{line}" / "value").read_text())

    def pull(self, line: int, level: int) -> None:
        """The resistor on the line: to 1 or to 0. A driven line is stronger."""
        (self._lines / f"sim_gpio{line}" / "pull").write_text("pull-up" if level else "pull-down")

    def vanish(self) -> None:
        """The chip goes away, whoever uses it."""
        self._live(False)


class KeepingChip(Chip):
    """gpio-amdpt on the piece of memory that the machine's ACPI table names."""

    def __init__(self) -> None:
        run("modprobe", "gpio-amdpt")
        gpio = Path("/sys/bus/platform/devices/AMDIF031:00")
        (name,) = [found.name for found in gpio.resolve().glob("gpiochip*")]
        super().__init__(name)

    def level(self, line: int) -> int:
        """The output register's bit, read by a request that asks for no direction and so changes nothing.

        (gpio-amdpt reads the register it writes: there are no pins.) Only for a line that nobody holds.
        """
        asked = {line: gpiod.LineSettings(direction=gpiod.line.Direction.AS_IS)}
        with gpiod.request_lines(self.device, config=asked, consumer="onlooker") as request:
            return 1 if request.get_value(line) == gpiod.line.Value.ACTIVE else 0
