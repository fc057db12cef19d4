"""A model of the kernel's lines under both libraries, with inputs, pulls and edges.

``PulledLgpio`` and ``fake_gpiod`` tell the model with which pull an input was claimed; a contact is then
closed or opened by ``Board``. Flags are those of lgpio 0.2 (lgpio.h); the bindings' names are gpiod 2's.
"""

from __future__ import annotations

import errno
import os
import select
import types
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from tests.devices.fake_lines import FakeLgpio, Kernel


class Board(Kernel):
    """``pulls``: line -> "up" or "down", as last claimed."""

    def __init__(self, dev: Path) -> None:
        super().__init__(dev)
        self.pulls: dict[int, str] = {}
        self.rings: dict[int, int] = {}  # line with edge detection -> the ringing end of its request's pipe
        self.has_interrupts = True

    def pull(self, line: int, pull: str) -> None:
        self.pulls[line] = pull
        self.level[0, line] = 1 if pull == "up" else 0

    def move(self, line: int, level: int) -> None:
        self.level[0, line] = level
        if line in self.rings:
            os.write(self.rings[line], b"x")

    def held(self) -> set[int]:
        return {line for _, line in self.holder}


class PulledLgpio(FakeLgpio):
    SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128
    PULLS: dict[int, str] = {32: "up", 64: "down"}  # noqa: RUF012

    def gpio_claim_input(self, handle: int, line: int, flags: int = 0) -> None:
        super().gpio_claim_input(handle, line, flags)
        assert isinstance(self.kernel, Board)
        if flags in self.PULLS:
            self.kernel.pull(line, self.PULLS[flags])


class Direction(Enum):
    AS_IS, INPUT, OUTPUT = 1, 2, 3


class Value(Enum):
    INACTIVE, ACTIVE = 0, 1


class Bias(Enum):
    AS_IS, PULL_UP, PULL_DOWN = 1, 4, 5


class Edge(Enum):
    NONE, BOTH = 1, 4


@dataclass
class LineSettings:
    direction: Direction = Direction.AS_IS
    edge_detection: Edge = Edge.NONE
    bias: Bias = Bias.AS_IS
    active_low: bool = False
    output_value: Value = Value.INACTIVE


class Request:
    def __init__(self, board: Board, config: dict[int, LineSettings], by: str) -> None:
        self._board, self._config = board, config
        self.fd, self._ringer = os.pipe()
        os.set_blocking(self.fd, False)
        self.released = False
        claimed: list[int] = []
        try:
            for line, wanted in config.items():
                if wanted.edge_detection is Edge.BOTH and not board.has_interrupts:
                    raise OSError(errno.ENXIO, "No such device or address")
                output = wanted.direction is Direction.OUTPUT
                level = wanted.output_value.value ^ wanted.active_low
                board.claim(0, line, int(level) if output else None, by)
                claimed.append(line)
                if not output:
                    board.pull(line, {Bias.PULL_UP: "up", Bias.PULL_DOWN: "down"}[wanted.bias])
                if wanted.edge_detection is Edge.BOTH:
                    board.rings[line] = self._ringer
        except OSError:
            for line in claimed:
                board.free(0, line)
            self._close()
            raise

    def _close(self) -> None:
        os.close(self.fd)
        os.close(self._ringer)

    def get_value(self, line: int) -> Value:
        return Value(self._board.get(0, line) ^ self._config[line].active_low)

    def set_value(self, line: int, value: Value) -> None:
        assert self._config[line].direction is Direction.OUTPUT
        self._board.set(0, line, int(value.value ^ self._config[line].active_low))

    def wait_edge_events(self, timeout: float) -> bool:
        assert timeout == 0
        return bool(select.select([self.fd], [], [], 0)[0])

    def read_edge_events(self) -> list[bytes]:
        return [os.read(self.fd, 4096)]

    def release(self) -> None:
        for line in self._config:
            self._board.free(0, line)
            self._board.rings.pop(line, None)
        self._close()


def fake_gpiod(board: Board) -> tuple[types.ModuleType, types.ModuleType]:
    """The modules ``gpiod`` and ``gpiod.line``."""

    class Chip:
        closed = 0

        def __init__(self, path: str) -> None:
            assert path == "/dev/gpiochip0"
            board.open(0)

        def line_offset_from_id(self, line: int) -> int:
            return line

        def request_lines(self, config: dict[int, LineSettings], consumer: str) -> Request:
            return Request(board, config, consumer)

        def close(self) -> None:
            Chip.closed += 1

    gpiod, line = types.ModuleType("gpiod"), types.ModuleType("gpiod.line")
    gpiod.__path__ = []  # a package
    for module, names in ((gpiod, (Chip, LineSettings)), (line, (Bias, Direction, Edge, Value))):
        for made in names:
            setattr(module, made.__name__, made)
    gpiod.line = line  # type: ignore[attr-defined]
    return gpiod, line


def modules(board: Board) -> dict[str, Any]:
    gpiod, line = fake_gpiod(board)
    return {"lgpio": PulledLgpio(board), "gpiod": gpiod, "gpiod.line": line}
