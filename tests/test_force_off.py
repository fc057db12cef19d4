"""The off step that needs nothing but the kernel: its exact bytes, its words, the line file.

Offsets and numbers are those of include/uapi/linux/gpio.h (Linux 6.1). A C program that prints ``offsetof``
and ``sizeof`` of them gives: GPIO_V2_GET_LINE_IOCTL 0xc250b407, GPIO_V2_GET_LINEINFO_IOCTL 0xc100b405;
gpio_v2_line_request, 592 bytes: offsets 0, consumer 256, config.flags 288, config.num_attrs 296,
config.attrs 320 (id 320, padding 324, values 328, mask 336), num_lines 560, event_buffer_size 564, fd 588;
gpio_v2_line_info, 256 bytes: consumer 32, offset 64, flags 72.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import runpy
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller import force_off
from controller.force_off import hold, main, read_line_file, write_line_file

CHIP = "/dev/gpiochip3"
LINE_FD = 7001
SCRIPT = Path(force_off.__file__)


class FakeKernel:
    """Stands in for os.open of a chip, os.close and fcntl.ioctl; everything else is the real one's."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.requests: list[bytes] = []
        self.errors: list[int] = []  # raised by one claim after the other
        self.opening: OSError | None = None
        self.holder = b"lg"
        self.info_error: int | None = None
        self.open_fds: set[int] = set()
        self.slept_s = 0.0
        self._open, self._close = os.open, os.close
        monkeypatch.setattr(os, "open", self.open)
        monkeypatch.setattr(os, "close", self.close)
        monkeypatch.setattr(fcntl, "ioctl", self.ioctl)
        monkeypatch.setattr(time, "monotonic", lambda: 1000.0 + self.slept_s)
        monkeypatch.setattr(time, "sleep", self.sleep)

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds

    def open(self, path: str, flags: int, mode: int = 0o777) -> int:
        if not str(path).startswith("/dev/gpiochip"):
            return self._open(path, flags, mode)
        if self.opening is not None:
            raise self.opening
        assert path == CHIP
        assert flags == os.O_RDWR | os.O_CLOEXEC
        descriptor = max(self.open_fds, default=LINE_FD) + 1
        self.open_fds.add(descriptor)
        return descriptor

    def close(self, descriptor: int) -> None:
        if descriptor >= LINE_FD:
            self.open_fds.remove(descriptor)
        else:
            self._close(descriptor)

    def ioctl(self, descriptor: int, number: int, buffer: bytearray) -> int:
        assert descriptor in self.open_fds
        if number == 0xC100B405:
            assert len(buffer) == 256
            if self.info_error is not None:
                raise OSError(self.info_error, os.strerror(self.info_error))
            assert struct.unpack_from("=I", buffer, 64) == (17,)
            buffer[32 : 32 + len(self.holder)] = self.holder
            struct.pack_into("=Q", buffer, 72, 0b1001 if self.holder else 0b100)
            return 0
        assert number == 0xC250B407
        self.requests.append(bytes(buffer))
        if self.errors:
            number = self.errors.pop(0)
            raise OSError(number, os.strerror(number))
        struct.pack_into("=i", buffer, 588, LINE_FD)
        self.open_fds.add(LINE_FD)
        return 0


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> FakeKernel:
    return FakeKernel(monkeypatch)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_line_file(tmp_path, CHIP, 17, 1)
    return tmp_path


@pytest.mark.parametrize("level", [0, 1])
def test_the_request_is_the_kernels_struct_byte_for_byte(level: int) -> None:
    expected = bytearray(592)
    expected[0:4] = (17).to_bytes(4, sys.byteorder)  # offsets[0]
    expected[256:265] = b"hygrohold"  # consumer, ended by zeros
    expected[288:296] = (1 << 3).to_bytes(8, sys.byteorder)  # config.flags: GPIO_V2_LINE_FLAG_OUTPUT
    expected[296:300] = (1).to_bytes(4, sys.byteorder)  # config.num_attrs
    expected[320:324] = (2).to_bytes(4, sys.byteorder)  # attrs[0].attr.id: ..._ATTR_ID_OUTPUT_VALUES
    expected[328:336] = level.to_bytes(8, sys.byteorder)  # attrs[0].attr.values
    expected[336:344] = (1).to_bytes(8, sys.byteorder)  # attrs[0].mask: the first line asked for
    expected[560:564] = (1).to_bytes(4, sys.byteorder)  # num_lines
    assert force_off.request_bytes(17, level, "hygrohold") == expected


@pytest.mark.skipif(not Path("/usr/include/linux/gpio.h").exists(), reason="no kernel headers here")
def test_numbers_are_the_headers() -> None:
    """The header's own text, for what a table of offsets copied once could have wrong."""
    text = Path("/usr/include/linux/gpio.h").read_text()
    for name, value in (
        ("GPIO_MAX_NAME_SIZE", force_off.NAME_BYTES),
        ("GPIO_V2_LINES_MAX", force_off.CONSUMER_AT // 4),
        ("GPIO_V2_LINE_NUM_ATTRS_MAX", (force_off.NUM_LINES_AT - force_off.CONFIG_AT - 32) // 24),
    ):
        assert re.search(rf"#define {name}\s+{value}\b", text)
    assert re.search(r"GPIO_V2_LINE_FLAG_USED\s+= _BITULL\(0\)", text)
    assert re.search(r"GPIO_V2_LINE_FLAG_OUTPUT\s+= _BITULL\(3\)", text)
    assert re.search(r"GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES\s+= 2\b", text)
    assert "GPIO_V2_GET_LINEINFO_IOCTL _IOWR(0xB4, 0x05, struct gpio_v2_line_info)" in text
    assert "GPIO_V2_GET_LINE_IOCTL _IOWR(0xB4, 0x07, struct gpio_v2_line_request)" in text


def test_off_in_one_line(kernel: FakeKernel, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(folder)]) == 0
    assert capsys.readouterr().out == f"hygrohold: relay driven off: line 17 of {CHIP} is high\n"
    (request,) = kernel.requests
    assert request == bytes(force_off.request_bytes(17, 1, "hygrohold-off"))
    assert kernel.open_fds == set()


def test_a_busy_line_is_waited_for(kernel: FakeKernel, folder: Path) -> None:
    kernel.errors = [errno.EBUSY] * 5
    assert main([str(folder)]) == 0
    assert len(kernel.requests) == 6
    assert 0 < kernel.slept_s < 2


@pytest.mark.parametrize(
    ("holder", "info_error", "words"),
    [
        (b"lg", None, 'held by "lg" and was not let go in 2 s'),
        (b"", None, "held by a program that gives no name"),
        (b"\xff", None, 'held by "\ufffd"'),
        (b"lg", errno.ENODEV, "held by a program that gives no name"),
    ],
)
def test_a_line_that_stays_busy(
    kernel: FakeKernel,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    holder: bytes,
    info_error: int | None,
    words: str,
) -> None:
    kernel.errors = [errno.EBUSY] * 500
    kernel.holder, kernel.info_error = holder, info_error
    assert main([str(folder)]) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"hygrohold: relay NOT driven off: line 17 of {CHIP} is {words}")
    assert said.endswith("If it is on, unplug the humidifier\n")
    assert said.count("\n") == 1
    assert 2.0 <= kernel.slept_s < 2.2
    assert kernel.open_fds == set()


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EINVAL, f"{CHIP} has no line 17"),
        (errno.ENODEV, f"{CHIP} has gone away"),
        (errno.ENOTTY, "no GPIO chip, or the kernel is older than 5.10"),
        (errno.EIO, "cannot be driven: Input/output error"),
    ],
)
def test_other_refusals_are_not_waited_for(kernel: FakeKernel, folder: Path, number: int, words: str) -> None:
    kernel.errors = [number]
    done, said = force_off.force_off([str(folder)])
    assert not done
    assert words in said
    assert kernel.slept_s == 0
    assert kernel.open_fds == set()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (FileNotFoundError(errno.ENOENT, "No such file"), f"there is no {CHIP}"),
        (PermissionError(errno.EACCES, "Permission denied"), f"this user, or a sandbox, may not use {CHIP}"),
        (PermissionError(errno.EPERM, "Operation not permitted"), "or a sandbox"),
        (OSError(errno.ENXIO, "No such device or address"), "cannot be opened: No such device"),
    ],
)
def test_a_chip_that_cannot_be_opened(kernel: FakeKernel, folder: Path, error: OSError, words: str) -> None:
    kernel.opening = error
    assert words in force_off.force_off([str(folder)])[1]


def test_line_info_tells_use_and_holder(kernel: FakeKernel) -> None:
    assert force_off.line_info(CHIP, 17) == (True, "lg")
    kernel.holder = b""
    assert force_off.line_info(CHIP, 17) == (False, "")
    assert kernel.open_fds == set()


def test_the_first_folder_with_a_good_file_is_used(
    kernel: FakeKernel, folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    empty, torn = tmp_path_factory.mktemp("empty"), tmp_path_factory.mktemp("torn")
    (torn / force_off.FILE).write_text("{")
    assert main([str(empty), str(torn), str(folder)]) == 0
    assert len(kernel.requests) == 1


def test_nothing_to_do_is_well(
    kernel: FakeKernel, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    assert main([str(tmp_path), str(tmp_path / "none"), str(tmp_path / "file")]) == 0
    assert capsys.readouterr().out.startswith(f"hygrohold: nothing to do: no line file in {tmp_path}, ")
    assert force_off.force_off([]) == (True, "nothing to do: no line file in any folder (none was named)")


def test_an_unusable_file_is_a_failure(kernel: FakeKernel, tmp_path: Path) -> None:
    (tmp_path / force_off.FILE).mkdir()
    done, words = force_off.force_off([str(tmp_path)])
    assert not done
    assert f"the line file in {tmp_path} cannot be used" in words


def test_without_arguments_the_services_folders(
    kernel: FakeKernel, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setenv("STATE_DIRECTORY", f"/nowhere:{folder}")
    assert main([]) == 0
    assert len(kernel.requests) == 1
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/attic")
    assert force_off.service_folders() == ["/run/attic", "/nowhere", str(folder)]


def test_the_line_file_is_json_and_comes_back(tmp_path: Path) -> None:
    import json

    write_line_file(tmp_path, "/dev/gpiochip0", 411, 0)
    text = (tmp_path / force_off.FILE).read_text()
    assert json.loads(text) == {"chip": "/dev/gpiochip0", "line": 411, "off_level": 0}
    assert read_line_file(tmp_path) == ("/dev/gpiochip0", 411, 0)
    (tmp_path / force_off.FILE).write_text(json.dumps(json.loads(text), indent=2))  # edited by a person
    assert read_line_file(tmp_path) == ("/dev/gpiochip0", 411, 0)
    force_off.remove_line_file(tmp_path)
    force_off.remove_line_file(tmp_path)
    assert read_line_file(tmp_path) is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        '{"chip": "/dev/watchdog", "line": 17, "off_level": 0}',
        '{"chip": "/dev/gpiochip0/../watchdog", "line": 17, "off_level": 0}',
        '{"chip": "/dev/gpiochip", "line": 17, "off_level": 0}',
        '{"chip": "/dev/gpiochip²", "line": 17, "off_level": 0}',
        '{"chip": "/dev/gpiochip0", "line": -1, "off_level": 0}',
        '{"chip": "/dev/gpiochip0", "off_level": 0}',
        '{"chip": "/dev/gpiochip0", "line": 17}',
        '{"chip": "/dev/gpiochip0", "line": 17, "off_level": 2}',
        '{"chip": "/dev/gpiochip0", "line": 17, "off_lev',
    ],
)
def test_anything_else_is_refused(tmp_path: Path, text: str) -> None:
    """The script may run as root on a file of a lesser user's: it opens nothing but a GPIO chip."""
    (tmp_path / force_off.FILE).write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=r"relay-line\.json does not"):
        read_line_file(tmp_path)


def test_a_link_in_the_files_place_is_not_followed(tmp_path: Path) -> None:
    """Whoever reads may be root, and opening what a link names can be an act by itself."""
    (tmp_path / "elsewhere").mkdir()
    force_off.write_line_file(tmp_path / "elsewhere", "/dev/gpiochip4095", 17, 0)
    (tmp_path / force_off.FILE).symlink_to(tmp_path / "elsewhere" / force_off.FILE)
    found, wrong = force_off.find_line([str(tmp_path)])
    assert found is None
    assert "cannot be used" in wrong


def test_a_pipe_in_the_files_place_holds_nobody_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / force_off.FILE)
    with pytest.raises(ValueError, match="does not name"):
        read_line_file(tmp_path)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / force_off.FILE).write_bytes(b"\xff\xfe")
    with pytest.raises(ValueError, match="decode"):
        read_line_file(tmp_path)


def test_a_held_line_stays_off_until_it_is_let_go_of(kernel: FakeKernel, folder: Path) -> None:
    held = hold(folder)
    assert (held.line, held.trouble, held.holding) == ((CHIP, 17, 1), "", True)
    assert kernel.open_fds == {LINE_FD}
    assert kernel.requests == [bytes(force_off.request_bytes(17, 1, "hygrohold"))]
    assert held.is_on(CHIP, 17)
    assert not held.is_on(CHIP, 18)
    held.release()
    held.release()
    assert kernel.open_fds == set()
    assert not held.is_on(CHIP, 17)


def test_holding_never_waits_and_never_raises(kernel: FakeKernel, folder: Path, tmp_path: Path) -> None:
    kernel.errors = [errno.EBUSY]
    held = hold(str(folder))
    assert not held.holding
    assert held.trouble == f'line 17 of {CHIP} is held by "lg"'
    assert kernel.slept_s == 0
    held.release()
    assert hold(tmp_path / "none").trouble == ""
    (folder / force_off.FILE).write_text("")
    assert "cannot be used" in hold(folder).trouble


@pytest.mark.process
def test_as_a_script_without_site_packages(tmp_path: Path) -> None:
    """To the failing open: on the machine of a test there is no such chip."""
    write_line_file(tmp_path, "/dev/gpiochip4095", 17, 0)
    for arguments, environment in (([str(tmp_path)], {}), ([], {"RUNTIME_DIRECTORY": str(tmp_path)})):
        done = subprocess.run(
            [sys.executable, "-I", "-S", str(SCRIPT), *arguments],
            env=environment, capture_output=True, text=True, check=False, cwd="/", timeout=60,
        )  # fmt: skip
        assert done.returncode == 1
        assert done.stderr == (
            "hygrohold: relay NOT driven off: there is no /dev/gpiochip4095. "
            "If it is on, unplug the humidifier\n"
        )


def test_the_script_imports_little(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", [str(SCRIPT), str(tmp_path)])
    with pytest.raises(SystemExit) as end:
        runpy.run_path(str(SCRIPT), run_name="__main__")
    assert end.value.code == 0
    imported = set(re.findall(r"^import (\w+)$", SCRIPT.read_text(), re.MULTILINE))
    assert imported == {"errno", "fcntl", "os", "struct", "sys", "time"}
