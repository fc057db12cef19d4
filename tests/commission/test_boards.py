"""The list of GPIO chips, against the kernel's header and a stand-in for its answer."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from controller.devices.boards import CHIP_INFO, GET_CHIP_INFO, Board, board_words, list_boards


def test_the_request_is_the_kernel_s() -> None:
    """include/uapi/linux/gpio.h: _IOR(0xB4, 0x01, struct gpiochip_info), name[32], label[32], __u32 lines.

    asm-generic/ioctl.h: _IOR is direction 2 at bit 30, the size at 16, the type at 8, the number at 0.
    """
    assert CHIP_INFO.size == 32 + 32 + 4
    assert 2 << 30 | CHIP_INFO.size << 16 | 0xB4 << 8 | 0x01 == GET_CHIP_INFO


class Kernel:
    """Answers by the number of the node."""

    def __init__(self, dev: Path) -> None:
        self.opened: list[int] = []
        self.errors: dict[str, int] = {}
        self.dev = dev

    def __call__(self, descriptor: int, request: int, info: bytearray) -> int:
        assert request == GET_CHIP_INFO
        node = Path(f"/proc/self/fd/{descriptor}").readlink().name
        self.opened.append(descriptor)
        if node in self.errors:
            raise OSError(self.errors[node], os.strerror(self.errors[node]))
        info[:] = CHIP_INFO.pack(node.encode(), f"bank of {node}".encode(), 54)
        return 0


@pytest.fixture
def kernel(tmp_path: Path) -> Kernel:
    for name in ("gpiochip10", "gpiochip2", "gpiochip0", "gpiochip", "gpiochipX", "gpiomem"):
        (tmp_path / name).touch()
    return Kernel(tmp_path)


def test_the_chips_in_the_order_of_their_numbers(kernel: Kernel, tmp_path: Path) -> None:
    found = list_boards(tmp_path, kernel)
    assert [Path(board.device).name for board in found] == ["gpiochip0", "gpiochip2", "gpiochip10"]
    assert found[1] == Board(str(tmp_path / "gpiochip2"), "gpiochip2", "bank of gpiochip2", 54)
    assert board_words(found[1]) == f'{tmp_path / "gpiochip2"}: "bank of gpiochip2", 54 lines'


def test_nothing_stays_open(kernel: Kernel, tmp_path: Path) -> None:
    list_boards(tmp_path, kernel)
    for descriptor in kernel.opened:
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.fstat(descriptor)


def test_a_chip_that_gives_no_answer_does_not_hide_the_others(kernel: Kernel, tmp_path: Path) -> None:
    kernel.errors = {"gpiochip2": errno.ENODEV, "gpiochip0": errno.EACCES}
    denied, gone, fine = list_boards(tmp_path, kernel)
    assert "may not ask" in board_words(denied)
    assert "No such device" in board_words(gone)
    assert fine.lines == 54


def test_a_file_that_is_no_chip(tmp_path: Path) -> None:
    """The real ioctl, on an ordinary file."""
    (tmp_path / "gpiochip0").touch()
    assert "it gives no answer" in board_words(list_boards(tmp_path)[0])


def test_no_chips_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert list_boards(tmp_path) == []
    assert list_boards(tmp_path / "none") == []

    def broken(*_: object) -> object:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "glob", broken)
    assert list_boards(tmp_path) == []
