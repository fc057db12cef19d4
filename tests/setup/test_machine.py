"""What a machine has, from a made-up tree of the kernel's files."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.devices.boards import Board
from controller.first_setup.machine import Machine, look, timezone_of
from tests.setup.conftest import PI


def hwmon(root: Path, number: int, address: str, name: str, **files: str) -> Path:
    folder = root / f"sys/bus/i2c/devices/{address}/hwmon/hwmon{number}"
    folder.mkdir(parents=True)
    for file, text in {"name": name, **files}.items():
        (folder / file).write_text(f"{text}\n")
    return folder


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("TZ", raising=False)
    for folder in ("etc", "dev", "proc/device-tree"):
        (tmp_path / folder).mkdir(parents=True)
    return tmp_path


def test_an_empty_machine_has_nothing(root: Path) -> None:
    found = look(root, lambda dev: [])
    assert found[:4] == Machine()[:4]
    assert found.header_chip == 0


def test_a_pi_with_a_probe(root: Path) -> None:
    hwmon(root, 3, "1-0044", "sht4x", humidity1_input="58312", temp1_input="23140")
    (root / "etc/localtime").symlink_to("../usr/share/zoneinfo/Europe/Vienna")
    (root / "proc/device-tree/model").write_bytes(b"Raspberry Pi 5 Model B Rev 1.0\0")
    found = look(root, lambda dev: list(PI.chips))
    assert found[:4] == PI[:4]
    assert found.header_chip == 0


def test_a_probe_that_does_not_answer_says_why(root: Path) -> None:
    folder = hwmon(root, 0, "1-0044", "sht4x", humidity1_input="58312", temp1_input="23140")
    (folder / "temp1_input").unlink()
    (seen,) = look(root, lambda dev: []).probes
    assert seen[:3] == ("hwmon", "1-0044", "sht4x")
    assert seen.words == "the probe's driver offers no temp1_input"


def test_two_that_cannot_be_told_apart_say_so(root: Path) -> None:
    for number in (0, 1):
        hwmon(root, number, "1-0044", "a b", humidity1_input="58312", temp1_input="23140")
    found = look(root, lambda dev: []).probes
    assert [seen.name for seen in found] == ["", ""]
    assert "1-0044" in found[0].words


def test_an_iio_probe(root: Path) -> None:
    folder = root / "sys/bus/iio/devices/iio:device0"
    folder.mkdir(parents=True)
    for name, text in (
        ("name", "hdc3020"),
        ("in_humidityrelative_input", "57900"),
        ("in_temp_input", "23000"),
    ):
        (folder / name).write_text(text)
    (seen,) = look(root, lambda dev: []).probes
    assert (seen.kind, seen.name, seen.words) == ("iio", "hdc3020", "57.9 %RH, 23.0 °C")


def test_the_time_zone(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert timezone_of(root) == ""
    (root / "etc/localtime").symlink_to("/usr/share/zoneinfo/Mars/Olympus")
    assert timezone_of(root) == ""
    (root / "etc/localtime").unlink()
    (root / "etc/localtime").symlink_to("/usr/share/zoneinfo/Europe/Oslo")
    assert timezone_of(root) == "Europe/Oslo"
    monkeypatch.setenv("TZ", ":America/Denver")
    assert timezone_of(root) == "America/Denver"


def test_the_chip_of_the_header_is_told_by_its_label() -> None:
    chips = (
        Board("/dev/gpiochip0", "a", "raspberrypi-exp-gpio", 8),
        Board("/dev/gpiochip4", "b", "pinctrl-rp1"),
    )
    assert Machine(chips=chips).header_chip == 4
