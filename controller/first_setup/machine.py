"""MACHINE: what this board or computer has: its time zone, probes with a driver, GPIO chips.

In:    the kernel's files below a root, and one reading of each probe.
Out:   a ``Machine``.
Never: touches a line, or fails where there is nothing to be found.

The time zone is where /etc/localtime points (localtime(5)); the board's model is the device tree's
(Devicetree Specification, property "model").
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from controller.devices.boards import Board, list_boards
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.probe_iio import IioProbe
from controller.devices.settings import ProbeSettings, RelaySettings
from controller.devices.sysfs import FoundProbe, list_probes
from controller.errors import ProbeError

PI_CHIPS = "pinctrl-"
"""How the chip with the header's pins is labelled on every Raspberry Pi (drivers/pinctrl/bcm and
pinctrl-rp1.c of the Linux kernel); its other chips are named for what they hang on."""


class Seen(NamedTuple):
    """A probe, and what it showed or why it showed nothing."""

    kind: Literal["hwmon", "iio"]
    address: str
    name: str
    words: str


class Machine(NamedTuple):
    timezone: str = ""  # "" = not known
    probes: tuple[Seen, ...] = ()
    chips: tuple[Board, ...] = ()
    raspberry_pi: bool = False
    relay_trouble: Callable[[RelaySettings], str] = lambda settings: ""

    @property
    def header_chip(self) -> int:
        """Of a Raspberry Pi: the number of the chip whose lines are the header's pins."""
        for board in self.chips:
            if board.label.startswith(PI_CHIPS):
                return number_of(board)
        return 0


def number_of(board: Board) -> int:
    return int(board.device.rpartition("gpiochip")[2])


def look(root: Path = Path("/"), boards: Callable[[Path], list[Board]] = list_boards) -> Machine:
    """What is there now."""
    from controller.devices.relay_words import relay_reachable

    return Machine(
        timezone_of(root),
        tuple(_seen(probe, root / "sys") for probe in list_probes(root / "sys")),
        tuple(boards(root / "dev")),
        _model(root).startswith("Raspberry Pi"),
        relay_reachable,
    )


def timezone_of(root: Path = Path("/")) -> str:
    names = [os.environ.get("TZ", "").removeprefix(":")]
    with suppress(OSError):
        names.append(str((root / "etc/localtime").readlink()).partition("zoneinfo/")[2])
    return next((name for name in names if name and is_zone(name)), "")


def is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _seen(probe: FoundProbe, root: Path) -> Seen:
    kind: Literal["hwmon", "iio"] = "hwmon" if probe.kind == "hwmon" else "iio"
    chip = probe.name if re.fullmatch(r"[^/\s]{1,64}", probe.name) else ""
    settings = ProbeSettings(kind=kind, at=probe.address, chip=chip)
    try:
        made = (HwmonProbe if kind == "hwmon" else IioProbe)(settings, root=root)
    except ProbeError as error:
        return Seen(kind, probe.address, chip, str(error))
    reading = made.read()
    words = reading.failure or f"{reading.rh_pct:.1f} %RH, {reading.temp_c or 0.0:.1f} °C"
    return Seen(kind, probe.address, chip, words)


def _model(root: Path) -> str:
    try:
        return (root / "proc/device-tree/model").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
