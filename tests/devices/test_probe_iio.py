"""IIO probes: both ways of giving a figure, by Documentation/ABI/testing/sysfs-bus-iio.

in_humidityrelative_input and in_temp_input are in milli-percent and milli degrees Celsius; else
(raw + offset) * scale gives the same units, an absent offset being 0.
"""

from __future__ import annotations

import errno
from typing import Any

import pytest

from controller.core.records import Reading
from controller.devices.probe_iio import IioProbe
from controller.devices.settings import ProbeSettings

AT = ProbeSettings(kind="iio", at="1-0040")


def test_finished_figures(tree: Any) -> None:
    # in_humidityrelative_input as Linux 7.3.4's bmp280 driver writes it for a BME280.
    tree.iio("1-0040", 0, "bme280", in_humidityrelative_input="56203.125000000", in_temp_input="23420")
    assert IioProbe(AT, root=tree.root).read() == Reading(56.203125, 23.42)


def test_raw_offset_and_scale(tree: Any) -> None:
    # Linux's si7020 driver: offset and scale as it publishes them. Si7020-A20 data sheet (Silicon Labs,
    # section 5.1): %RH = 125 code/65536 - 6, T = 175.72 code/65536 - 46.85; the driver's raw is
    # code/4. Tolerance 0.01: its offsets are rounded to whole counts (7.6 m%, 10.7 m°C each).
    tree.iio(
        "1-0040", 0, "1-0040",
        in_humidityrelative_raw="7968", in_humidityrelative_offset="-786",
        in_humidityrelative_scale="7.629394531",
        in_temp_raw="6670", in_temp_offset="-4368", in_temp_scale="10.725097656",
    )  # fmt: skip
    reading = IioProbe(AT, root=tree.root).read()
    assert reading.rh_pct == pytest.approx(125 * 7968 * 4 / 65536 - 6, abs=0.01)
    assert reading.temp_c == pytest.approx(175.72 * 6670 * 4 / 65536 - 46.85, abs=0.01)
    # The ABI's own formula, to the last digit: (7968 - 786) * 7.629394531 = 54794.311521642
    assert reading.rh_pct == pytest.approx(54.794311521642, rel=1e-12)


def test_offset_may_be_absent(tree: Any) -> None:
    # am2315 publishes tenths with scale 100 and no offset: 552 * 100 m%.
    tree.iio(
        "1-0040", 0, "am2315",
        in_humidityrelative_raw="552", in_humidityrelative_scale="100",
        in_temp_raw="-15", in_temp_scale="100",
    )  # fmt: skip
    assert IioProbe(AT, root=tree.root).read() == Reading(55.2, -1.5)


def test_finished_figure_goes_before_raw(tree: Any) -> None:
    tree.iio(
        "1-0040", 0, "bme280",
        in_humidityrelative_input="56000", in_humidityrelative_raw="1", in_humidityrelative_scale="1",
        in_temp_input="20000",
    )  # fmt: skip
    assert IioProbe(AT, root=tree.root).read() == Reading(56.0, 20.0)


def test_missing_scale_is_no_reading(tree: Any) -> None:
    tree.iio("1-0040", 0, "x", in_humidityrelative_raw="552", in_temp_input="20000")
    assert "offers no in_humidityrelative_scale" in IioProbe(AT, root=tree.root).read().failure


def test_nonsense_scale_is_no_reading(tree: Any) -> None:
    tree.iio(
        "1-0040", 0, "x",
        in_humidityrelative_raw="552", in_humidityrelative_scale="nan", in_temp_input="20000",
    )  # fmt: skip
    reading = IioProbe(AT, root=tree.root).read()
    assert reading.rh_pct is None
    assert "in_humidityrelative_scale says 'nan'" in reading.failure


def test_name_may_be_the_bus_address(tree: Any) -> None:
    tree.iio("1-0040", 0, "1-0040", in_humidityrelative_input="50000", in_temp_input="20000")
    assert IioProbe(ProbeSettings(kind="iio", chip="1-0040"), root=tree.root).read().rh_pct == 50.0


def test_device_that_is_on_no_i2c_bus(tree: Any) -> None:
    # dht11 hangs on a pin: a platform device, found over /sys/bus/iio/devices.
    folder = tree.root / "devices/platform/dht11@4/iio:device0"
    folder.mkdir(parents=True)
    for name, text in {
        "name": "dht11@4",
        "in_humidityrelative_input": "61000",
        "in_temp_input": "25000",
    }.items():
        (folder / name).write_text(text)
    (tree.root / "bus/iio/devices").mkdir(parents=True)
    (tree.root / "bus/iio/devices/iio:device0").symlink_to(folder)
    assert IioProbe(ProbeSettings(kind="iio", at="dht11@4"), root=tree.root).read() == Reading(61.0, 25.0)


def test_renumbered_device_is_found_again(tree: Any) -> None:
    folder = tree.iio("1-0040", 0, "htu21", in_humidityrelative_input="50000", in_temp_input="20000")
    probe = IioProbe(AT, root=tree.root)
    assert probe.read().rh_pct == 50.0
    tree.unbind(folder)
    tree.iio("1-0076", 0, "bme280", in_humidityrelative_input="10000", in_temp_input="10000")
    tree.iio("1-0040", 1, "htu21", in_humidityrelative_input="51000", in_temp_input="20000")
    assert probe.read().rh_pct == 51.0


def test_checksum_error_of_a_dht11_passes(tree: Any, opener: Any) -> None:
    tree.iio("1-0040", 0, "dht11", in_humidityrelative_input="50000", in_temp_input="20000")
    probe = IioProbe(AT, root=tree.root, read_text=opener)
    opener.fail_with(OSError(errno.EIO, "EIO"))
    assert "EIO" in probe.read().failure
    opener.trouble = None
    assert probe.read() == Reading(50.0, 20.0)
