"""The GPIO chips of this board, by the names the kernel gives them.

In:    the nodes ``/dev/gpiochipN``, and the kernel's answer about each.
Out:   what there is, in the order of the numbers; for a chip that may not be asked, why.
Never: claims a line, or opens a chip for longer than the question takes.

Source: ``include/uapi/linux/gpio.h`` of the Linux kernel, ``struct gpiochip_info`` and
``GPIO_GET_CHIPINFO_IOCTL``, the same in both versions of the character device's interface.
"""

from __future__ import annotations

import fcntl
import os
import struct
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

DEV = Path("/dev")
# _IOR(0xB4, 0x01, struct gpiochip_info): 2 << 30 | size of the struct << 16 | 0xB4 << 8 | 1
GET_CHIP_INFO = 0x8044B401
CHIP_INFO = struct.Struct("=32s32sI")  # name, label, number of lines
_PREFIX = "gpiochip"

Ask = Callable[[int, int, bytearray], object]
"""``fcntl.ioctl``: descriptor, request, buffer."""


class Board(NamedTuple):
    """One GPIO chip. ``trouble`` says why it could not be asked; then the rest is empty."""

    device: str  # such as /dev/gpiochip0
    name: str = ""
    label: str = ""
    lines: int = 0
    trouble: str = ""


def list_boards(dev: Path = DEV, ask: Ask = fcntl.ioctl) -> list[Board]:
    """Every GPIO chip of this machine. Never raises."""
    try:
        nodes = [path for path in dev.glob(f"{_PREFIX}*") if path.name.removeprefix(_PREFIX).isdigit()]
    except OSError:
        return []
    nodes.sort(key=lambda path: int(path.name.removeprefix(_PREFIX)))
    return [_asked(path, ask) for path in nodes]


def _asked(node: Path, ask: Ask) -> Board:
    info = bytearray(CHIP_INFO.size)
    try:
        descriptor = os.open(node, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        try:
            ask(descriptor, GET_CHIP_INFO, info)
        finally:
            os.close(descriptor)
    except PermissionError:
        return Board(str(node), trouble="this user may not ask it (group gpio on Raspberry Pi OS)")
    except OSError as error:
        return Board(str(node), trouble=f"it gives no answer ({error.strerror or error})")
    name, label, lines = CHIP_INFO.unpack(info)
    return Board(str(node), _text(name), _text(label), lines)


def _text(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode(errors="replace")


def board_words(board: Board) -> str:
    """One line for the keeper."""
    if board.trouble:
        return f"{board.device}: {board.trouble}"
    return f'{board.device}: "{board.label or board.name}", {board.lines} lines'
