"""hwmon probes on a tree of files that changes under them.

Units: Documentation/ABI/testing/sysfs-class-hwmon of the Linux kernel: humidity1_input in
milli-percent, temp1_input in millidegree Celsius.
"""

from __future__ import annotations

import errno
import os
from math import isfinite
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.core.records import Reading
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.settings import ProbeSettings
from controller.devices.sysfs import read_text

AT = ProbeSettings(kind="hwmon", at="1-0044")


def failed(reading: Reading) -> bool:
    return bool(reading.failure) and reading.rh_pct is None and reading.temp_c is None


def test_units_of_the_abi(tree: Any) -> None:
    # What Linux 7.3.4's sht21 driver shows for the codes 31872 and 26680. SHT21 data sheet (Sensirion,
    # version 4, section 6): RH = -6 + 125 S/2^16 = 54.791 %, T = -46.85 + 175.72 S/2^16 = 24.687 °C.
    # Tolerance: one unit of the files, as the driver cuts off rather than rounds.
    tree.hwmon("1-0040", 0, "sht21", humidity1_input="54791", temp1_input="24686")
    reading = HwmonProbe(ProbeSettings(kind="hwmon", at="1-0040"), root=tree.root).read()
    assert reading.rh_pct == pytest.approx(-6 + 125 * 31872 / 2**16, abs=0.001)
    assert reading.temp_c == pytest.approx(-46.85 + 175.72 * 26680 / 2**16, abs=0.001)
    assert reading.failure == ""
    assert reading.age_s == 0.0


def test_thousandths_may_have_a_fraction(tree: Any) -> None:
    tree.sht4x(rh="56203.125000000", temp="-1250.5")
    assert HwmonProbe(AT, root=tree.root).read() == Reading(56.203125, -1.2505)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.EIO, "checksum"),
        (errno.EREMOTEIO, "does not answer"),
        (errno.ETIMEDOUT, "in time"),
        (errno.ENODEV, "unplugged"),
        (errno.ENOENT, "unplugged"),
        (errno.EAGAIN, "busy"),
        (errno.EACCES, "may not read"),
        (errno.ENOTSUP, os.strerror(errno.ENOTSUP)),
    ],
)
def test_errors_of_the_bus_are_said_in_words_and_pass(tree: Any, opener: Any, code: int, words: str) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root, read_text=opener)
    opener.fail_with(OSError(code, os.strerror(code)))
    reading = probe.read()
    assert failed(reading)
    assert words in reading.failure
    opener.trouble = None
    assert probe.read() == Reading(55.0, 24.0)


def test_a_bus_error_is_not_tried_again_in_the_same_reading(tree: Any, opener: Any) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root, read_text=opener)
    asked: list[Path] = []

    def busy(path: Path) -> str:
        asked.append(path)
        raise OSError(errno.EIO, "EIO")

    opener.trouble = busy
    probe.read()
    assert len(asked) == 1


def test_an_error_without_a_number(tree: Any, opener: Any) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root, read_text=opener)
    opener.fail_with(OSError("odd"))
    assert "could not be read: odd" in probe.read().failure


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        "nan",
        "inf",
        "-inf",
        "55,0",
        "0x20",
        "1_000",
        "5e4",
        "٥٥",
        "busy",
        "1 2",
        "\0",
        "9" * 500,
        "--1",
    ],
)
def test_nonsense_is_no_reading(tree: Any, opener: Any, text: str) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root, read_text=opener)
    opener.say(text)
    reading = probe.read()
    assert failed(reading)
    assert "humidity1_input" in reading.failure
    assert len(reading.failure) < 200


def test_a_huge_or_binary_file_is_no_reading(tree: Any) -> None:
    folder = tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root)
    (folder / "humidity1_input").write_bytes(b"5" * 1_000_000)
    assert "too long" in probe.read().failure
    assert len(read_text(folder / "humidity1_input")) <= 4096  # a page, the most that sysfs gives
    (folder / "humidity1_input").write_bytes(b"\xff\xfe\x00")
    assert "not a number" in probe.read().failure


def test_an_opener_that_cannot_decode(tree: Any, opener: Any) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root, read_text=opener)
    opener.fail_with(UnicodeDecodeError("ascii", b"\xff", 0, 1, "no"))
    assert "no text" in probe.read().failure


def test_without_temperature_no_reading_and_the_file_is_named(tree: Any) -> None:
    folder = tree.sht4x()
    (folder / "temp1_input").unlink()
    reading = HwmonProbe(AT, root=tree.root).read()
    assert failed(reading)
    assert "offers no temp1_input" in reading.failure


@given(text=st.text(max_size=80) | st.from_regex(r"-?\d{1,8}(\.\d{1,9})?", fullmatch=True))
@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_a_reading_never_raises_and_is_never_half(tmp_path_factory: Any, text: str) -> None:
    root = tmp_path_factory.getbasetemp() / "never_raises"
    folder = root / "class/hwmon/hwmon0"
    if not folder.exists():
        folder.mkdir(parents=True)
        (folder / "device").symlink_to("../1-0044")
        (folder / "humidity1_input").write_text("55000")
    reading = HwmonProbe(AT, root=root, read_text=lambda path: text).read()
    if not reading.failure:
        assert reading.rh_pct is not None
        assert reading.temp_c is not None
        assert isfinite(reading.rh_pct)
        assert isfinite(reading.temp_c)
    else:
        assert failed(reading)


def test_keeps_no_file_open(tree: Any) -> None:
    tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        probe.read()
    assert len(list(Path("/proc/self/fd").iterdir())) == before
