"""The kernel's GPIO lines as a model, and stand-ins for the two libraries that reach them.

``Kernel`` records each claim, level and release in the order the kernel would see them. ``FakeLgpio`` does
what lgpio 0.2.2.0's C source (lgGpio.c) does: a claim as output without a level is low; claiming what is an
output already does nothing; an input is freed and claimed anew. Errors carry that library's texts (lgErr.c).
``fake_gpiod`` raises what the gpiod 2 bindings raise: OSError with the kernel's number, ValueError.
"""

from __future__ import annotations

import errno
import os
import sys
import types
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any, NamedTuple

import pytest


def stand_in(monkeypatch: pytest.MonkeyPatch, kernel: Kernel, libraries: Mapping[str, Any]) -> None:
    """Both libraries on one model, on a board of revision a02082 (Raspberry Pi's list: a Pi 3B)."""
    for name, module in libraries.items():
        monkeypatch.setitem(sys.modules, name, module)
    for name in ("gpiozero.pins.lgpio", "controller.devices.relay_pins"):  # they keep what they imported
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: 0xA02082)
    monkeypatch.setattr("controller.devices.relay_words.DEV", kernel.dev)
    monkeypatch.setattr("controller.force_off.line_info", kernel.line_info)
    monkeypatch.setattr("controller.devices.relay_line._kept", {})
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)


class Seen(NamedTuple):
    what: str  # "out": claimed as output; "in": claimed as input; "set"; "free"
    level: int | None = None


class Kernel:
    """Chips with nodes in a folder; lines that have one holder each."""

    def __init__(self, dev: Path, lines: int = 512) -> None:
        self.dev = dev
        self.lines = lines
        self.seen: list[Seen] = []
        self.holder: dict[tuple[int, int], str] = {}
        self.level: dict[tuple[int, int], int] = {}
        self.refuses_writes = 0  # so many writes fail
        self.plug(0)

    def plug(self, chip: int) -> None:
        (self.dev / f"gpiochip{chip}").touch()

    def unplug(self, chip: int) -> None:
        (self.dev / f"gpiochip{chip}").unlink()

    def levels(self) -> list[int]:
        return [event.level for event in self.seen if event.level is not None]

    def open(self, chip: int) -> None:
        if not self.there(chip):
            raise OSError(errno.ENOENT, "No such file or directory")

    def there(self, chip: int) -> bool:
        return (self.dev / f"gpiochip{chip}").exists()

    def claim(self, chip: int, line: int, level: int | None, by: str) -> None:
        self._there(chip)
        if line >= self.lines:
            raise OSError(errno.EINVAL, "Invalid argument")
        if (chip, line) in self.holder:
            raise OSError(errno.EBUSY, "Device or resource busy")
        self.holder[chip, line] = by
        self.seen.append(Seen("in" if level is None else "out", level))
        if level is not None:
            self.level[chip, line] = level

    def set(self, chip: int, line: int, level: int) -> None:
        self._there(chip)
        if self.refuses_writes > 0:
            self.refuses_writes -= 1
            raise OSError(errno.EIO, "Input/output error")
        self.seen.append(Seen("set", level))
        self.level[chip, line] = level

    def get(self, chip: int, line: int) -> int:
        self._there(chip)
        return self.level[chip, line]

    def free(self, chip: int, line: int) -> None:
        if self.holder.pop((chip, line), None) is not None:
            self.seen.append(Seen("free"))

    def line_info(self, chip: str, line: int) -> tuple[bool, str]:
        """Stands in for ``force_off.line_info``."""
        number = int(chip.rpartition("gpiochip")[2])
        self.open(number)
        if line >= self.lines:
            raise OSError(errno.EINVAL, "Invalid argument")
        return (number, line) in self.holder, self.holder.get((number, line), "")

    def _there(self, chip: int) -> None:
        if not self.there(chip):
            raise OSError(errno.ENODEV, "No such device")


class LgpioError(Exception):
    """lgpio's own error is a plain Exception that says its text in quotes."""

    def __str__(self) -> str:
        return repr(self.args[0])


class FakeLgpio(types.ModuleType):
    SET_PULL_NONE = SET_PULL_UP = SET_PULL_DOWN = 0
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    error = LgpioError

    def __init__(self, kernel: Kernel) -> None:
        super().__init__("lgpio")
        self.kernel = kernel
        self.handles: dict[int, int] = {}  # handle: chip
        self.modes: dict[tuple[int, int], str] = {}
        self.wd_at_open: str | None = None
        self._next = 0

    def gpiochip_open(self, chip: int) -> int:
        self.wd_at_open = os.environ.get("LG_WD")
        if not self.kernel.there(chip):
            raise LgpioError("can not open gpiochip")
        self._next += 1
        self.handles[self._next] = chip
        return self._next

    def gpiochip_close(self, handle: int) -> None:
        for owner, line in list(self.modes):
            if owner == handle:
                self.gpio_free(handle, line)
        del self.handles[handle]

    def gpio_claim_input(self, handle: int, line: int, flags: int = 0) -> None:
        if self.modes.get((handle, line)) != "in":
            self._claim(handle, line, None)

    def gpio_claim_output(self, handle: int, line: int, level: int = 0, flags: int = 0) -> None:
        if self.modes.get((handle, line)) != "out":
            self._claim(handle, line, level)

    def gpio_free(self, handle: int, line: int) -> None:
        if self.modes.pop((handle, line), None) is None:
            raise LgpioError("GPIO not allocated")
        self.kernel.free(self.handles[handle], line)

    def gpio_write(self, handle: int, line: int, level: int) -> None:
        if self.modes.get((handle, line)) != "out":
            self._claim(handle, line, int(level))
            return
        try:
            self.kernel.set(self.handles[handle], line, int(level))
        except OSError:
            raise LgpioError("bad GPIO write") from None

    def gpio_read(self, handle: int, line: int) -> int:
        try:
            return self.kernel.get(self.handles[handle], line)
        except OSError:
            raise LgpioError("bad GPIO read") from None

    def gpio_get_mode(self, handle: int, line: int) -> int:
        if not self.kernel.there(self.handles[handle]):
            raise LgpioError("bad lineinfo IOCTL")
        return 2 if self.modes.get((handle, line)) == "out" else 0

    def _claim(self, handle: int, line: int, level: int | None) -> None:
        if (handle, line) in self.modes:
            self.gpio_free(handle, line)
        try:
            self.kernel.claim(self.handles[handle], line, level, "lg")
        except OSError as error:
            text = "GPIO busy" if error.errno == errno.EBUSY else "unexpected error"
            raise LgpioError(text) from None
        self.modes[handle, line] = "in" if level is None else "out"


class Direction(Enum):
    AS_IS, INPUT, OUTPUT = 1, 2, 3


class Value(Enum):
    INACTIVE, ACTIVE = 0, 1


class RequestReleasedError(Exception):
    pass


class LineSettings:
    def __init__(
        self, direction: Direction = Direction.AS_IS, output_value: Value = Value.INACTIVE, **other: Any
    ) -> None:
        assert not other
        self.direction, self.output_value = direction, output_value


class Request:
    """Holds the line by itself; the chip may be closed."""

    def __init__(self, kernel: Kernel, chip: int, line: int) -> None:
        self._kernel, self._chip, self._line = kernel, chip, line
        self._released = False

    def set_value(self, line: int, value: Value) -> None:
        assert isinstance(value, Value)
        self._mine(line)
        self._kernel.set(self._chip, line, value.value)

    def get_value(self, line: int) -> Value:
        self._mine(line)
        return Value(self._kernel.get(self._chip, line))

    def release(self) -> None:
        self._released = True
        self._kernel.free(self._chip, self._line)

    def _mine(self, line: int) -> None:
        if self._released:
            raise RequestReleasedError("GPIO lines have been released")
        assert line == self._line


def fake_gpiod(kernel: Kernel) -> tuple[types.ModuleType, types.ModuleType]:
    """The modules ``gpiod`` and ``gpiod.line``."""

    class Chip:
        def __init__(self, path: str) -> None:
            self._number = int(path.removeprefix("/dev/gpiochip"))
            kernel.open(self._number)

        def line_offset_from_id(self, line: int) -> int:
            if line >= kernel.lines:
                raise ValueError("line offset of out range")
            return line

        def request_lines(self, config: dict[int, LineSettings], consumer: str) -> Request:
            ((line, settings),) = config.items()
            level = settings.output_value.value if settings.direction is Direction.OUTPUT else None
            kernel.claim(self._number, line, level, consumer)
            return Request(kernel, self._number, line)

        def close(self) -> None:
            pass

    gpiod, line = types.ModuleType("gpiod"), types.ModuleType("gpiod.line")
    gpiod.__path__ = []  # a package
    for module, names in ((gpiod, (Chip, LineSettings)), (line, (Direction, Value))):
        for made in names:
            setattr(module, made.__name__, made)
    gpiod.line = line  # type: ignore[attr-defined]
    return gpiod, line
