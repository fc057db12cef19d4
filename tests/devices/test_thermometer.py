"""Thermometers on the wall and outdoors: the kernel's units (thousandths of a °C: Documentation/ABI/testing/
sysfs-bus-iio and Documentation/hwmon/sysfs-interface of the Linux kernel), and files of another program."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller.devices.thermometer import (
    LOOK_S,
    FileThermometer,
    KernelThermometer,
    OutdoorSettings,
    Surroundings,
    ThermometerSettings,
    make_thermometer,
)
from controller.errors import ProbeError


def sensor(root: Path, kind: str, address: str, number: int = 0, **files: str) -> Path:
    place = f"class/hwmon/hwmon{number}" if kind == "hwmon" else f"bus/iio/devices/iio:device{number}"
    folder = root / place
    device = root / "devices" / address
    device.mkdir(parents=True, exist_ok=True)
    folder.mkdir(parents=True)
    (folder / "device").symlink_to(device)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


def test_a_hwmon_sensor_without_humidity(tmp_path: Path) -> None:
    folder = sensor(tmp_path, "hwmon", "1-0049", name="lm75\n", temp1_input="17562\n")
    sensor(tmp_path, "hwmon", "1-0044", 1, name="sht4x", temp1_input="24000", humidity1_input="50000")
    by_address = KernelThermometer("hwmon", "1-0049", "", tmp_path)
    assert by_address.read_c() == pytest.approx(17.562)
    assert KernelThermometer("hwmon", "", "LM75", tmp_path).read_c() == pytest.approx(17.562)
    (folder / "temp1_input").write_text("-3500\n")
    assert by_address.read_c() == -3.5


def test_an_iio_sensor_by_its_three_files_and_by_one(tmp_path: Path) -> None:
    """(raw + offset) * scale, in thousandths."""
    sensor(
        tmp_path, "iio", "1-0040", name="tmp", in_temp_raw="6000", in_temp_offset="-100", in_temp_scale="2.5"
    )
    assert KernelThermometer("iio", "1-0040", "", tmp_path).read_c() == pytest.approx(14.75)
    sensor(tmp_path, "iio", "1-0041", 1, name="tmp", in_temp_input="9000")
    assert KernelThermometer("iio", "1-0041", "", tmp_path).read_c() == 9.0


def test_what_is_not_there_or_not_one_is_said(tmp_path: Path) -> None:
    one = KernelThermometer("hwmon", "1-0049", "", tmp_path)
    assert one.read_c() is None
    assert "no sensors" in one.failure
    sensor(tmp_path, "hwmon", "1-0049", name="lm75", temp1_input="rubbish")
    assert one.read_c() is None
    assert "not a number" in one.failure
    sensor(tmp_path, "hwmon", "1-0050", 1, name="lm75", temp1_input="20000")
    two = KernelThermometer("hwmon", "", "lm75", tmp_path)
    assert two.read_c() is None
    assert "2 sensors" in two.failure


@pytest.mark.parametrize(
    ("text", "temp_c"), [("4.5\n", 4.5), (" -3 ", -3.0), ("40 °F", 40 / 1.8 - 32 / 1.8), ("7 C", 7.0)]
)
def test_a_file_with_or_without_its_unit(tmp_path: Path, text: str, temp_c: float) -> None:
    path = tmp_path / "outdoor.txt"
    path.write_text(text, encoding="utf-8")
    assert FileThermometer(path, 3600.0).read_c() == pytest.approx(temp_c)


@pytest.mark.parametrize(
    "text",
    ["", "warm", "nan", "inf", "1e9", "999", "-80", "4.5\n5.5\n", "4,5", "5 gal", "x" * 10_000, "\x00\x01"],
)
def test_a_file_that_says_nothing_usable(tmp_path: Path, text: str) -> None:
    path = tmp_path / "outdoor.txt"
    path.write_text(text)
    made = FileThermometer(path, 3600.0)
    assert made.read_c() is None
    assert made.failure


@pytest.mark.parametrize("age_s", [3700.0, -120.0])
def test_a_file_that_is_old_or_from_the_future_is_not_believed(tmp_path: Path, age_s: float) -> None:
    path = tmp_path / "outdoor.txt"
    path.write_text("4.5")
    made = FileThermometer(path, 3600.0, now_s=lambda: path.stat().st_mtime + age_s)
    assert made.read_c() is None
    assert "min old" in made.failure


def test_a_pipe_or_nothing_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "nothing", "."):
        made = FileThermometer(tmp_path / name, 3600.0)
        assert made.read_c() is None
        assert made.failure


def test_settings_make_them(tmp_path: Path) -> None:
    assert make_thermometer(ThermometerSettings()) is None
    assert make_thermometer(OutdoorSettings()) is None
    assert isinstance(make_thermometer(ThermometerSettings(kind="iio", at="1-0040")), KernelThermometer)
    assert isinstance(make_thermometer(OutdoorSettings(kind="file", file="x")), FileThermometer)
    with pytest.raises(ProbeError, match="folder"):
        make_thermometer(OutdoorSettings(kind="file", file=str(tmp_path)))


def test_both_are_read_once_a_minute_and_their_trouble_is_told(tmp_path: Path) -> None:
    now = [0.0]
    path = tmp_path / "outdoor.txt"
    path.write_text("4.5")
    around = Surroundings(
        KernelThermometer("hwmon", "1-0049", "", tmp_path), FileThermometer(path, 1e9), lambda: now[0]
    )
    assert (around.surface_c(), around.outdoor_c()) == (None, 4.5)
    path.write_text("5.5")
    assert around.outdoor_c() == 4.5
    now[0] = LOOK_S
    assert around.outdoor_c() == 5.5
    ((code, words),) = around.troubles()
    assert code == "wall_lost"
    assert "1-0049" in words
    assert Surroundings(None, None).surface_c() is Surroundings(None, None).outdoor_c() is None
