"""Drivers that publish % and °C where the ABI asks for thousandths."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.records import Reading
from controller.devices.kernel_probe import factor_of
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.probe_iio import IioProbe
from controller.devices.settings import ProbeSettings

IIO = ProbeSettings(kind="iio", at="1-0040")
HWMON = ProbeSettings(kind="hwmon", at="1-0040")


def test_percent_and_degrees_are_multiplied_and_noted(tree: Any) -> None:
    # IIO hdc3020 before its fix: scale 100/65536 and 175/65536. HDC3020 data sheet (TI, SNAS778,
    # section 8.3): RH = 100 code/65535, T = 175 code/65535 - 45. Tolerance 0.01, for the driver's
    # 65536 and whole offset.
    tree.iio(
        "1-0040", 0, "hdc3020",
        in_humidityrelative_raw="36045", in_humidityrelative_scale="0.001525878",
        in_temp_raw="26102", in_temp_offset="-16852", in_temp_scale="0.002670288",
    )  # fmt: skip
    probe = IioProbe(IIO, root=tree.root)
    assert probe.scale_note == ""
    reading = probe.read()
    assert reading.rh_pct == pytest.approx(100 * 36045 / 65535, abs=0.01)
    assert reading.temp_c == pytest.approx(175 * 26102 / 65535 - 45, abs=0.01)
    assert "hdc3020 at 1-0040" in probe.scale_note
    assert "multiplied by 1000" in probe.scale_note


def test_hts221(tree: Any) -> None:
    # Offset -6000.0 and scale -0.005 as seen from Linux's hts221 driver: (raw + offset) * scale = 55 for
    # 55 %RH. The temperature's figures are made up, in °C as the driver's own formula has it.
    tree.iio(
        "1-0040", 0, "hts221",
        in_humidityrelative_raw="-5000", in_humidityrelative_offset="-6000.000000000",
        in_humidityrelative_scale="-0.005000000",
        in_temp_raw="976", in_temp_offset="1000.000000000", in_temp_scale="0.012500000",
    )  # fmt: skip
    reading = IioProbe(IIO, root=tree.root).read()
    assert reading.rh_pct == pytest.approx(55.0, abs=1e-9)
    assert reading.temp_c == pytest.approx(24.7, abs=1e-9)


@pytest.mark.parametrize(("rh", "temp"), [("55", "24700"), ("55000", "24.7")], ids=["RH in %", "T in °C"])
def test_mixed_units_are_neither_multiplied_nor_believed(tree: Any, rh: str, temp: str) -> None:
    tree.hwmon("1-0040", 0, "odd", humidity1_input=rh, temp1_input=temp)
    probe = HwmonProbe(HWMON, root=tree.root)
    reading = probe.read()
    assert (reading.rh_pct, reading.temp_c, probe.scale_note) == (None, None, "")
    assert "1000 times too small" in reading.failure


@pytest.mark.parametrize(
    ("rh", "temp"),
    [
        ("55000", "24700"),
        ("3000", "59000"),
        ("99900", "2500"),
        ("0", "0"),
        ("100000", "130000"),
        ("0", "-45000"),
    ],
)
def test_what_fits_the_abi_or_nothing_is_handed_on_as_it_is(tree: Any, rh: str, temp: str) -> None:
    tree.hwmon("1-0040", 0, "x", humidity1_input=rh, temp1_input=temp)
    probe = HwmonProbe(HWMON, root=tree.root)
    assert probe.read() == Reading(float(rh) / 1000, float(temp) / 1000)
    assert probe.scale_note == ""


def _set(folder: Any, rh: str, temp: str) -> None:
    (folder / "humidity1_input").write_text(rh)
    (folder / "temp1_input").write_text(temp)


def test_decided_once_for_thousandths(tree: Any) -> None:
    folder = tree.hwmon("1-0040", 0, "x", humidity1_input="55000", temp1_input="24700")
    probe = HwmonProbe(HWMON, root=tree.root)
    assert probe.read().rh_pct == 55.0
    _set(folder, "55", "24.7")
    assert probe.read().rh_pct is None
    assert probe.scale_note == ""
    _set(folder, "56000", "24700")
    assert probe.read().rh_pct == 56.0


def test_decided_once_for_whole_units(tree: Any) -> None:
    folder = tree.hwmon("1-0040", 0, "x", humidity1_input="55", temp1_input="24.7")
    probe = HwmonProbe(HWMON, root=tree.root)
    assert probe.read().rh_pct == pytest.approx(55.0)
    note = probe.scale_note
    _set(folder, "1.5", "0.5")  # no longer a likely room, still the same units
    later = probe.read()
    assert later.rh_pct == pytest.approx(1.5)
    assert later.temp_c == pytest.approx(0.5)
    assert probe.scale_note == note != ""


def test_a_start_that_shows_nothing_decides_nothing(tree: Any) -> None:
    # A BME280 with blank calibration gives 0 and 0 without an error.
    folder = tree.hwmon("1-0040", 0, "x", humidity1_input="0", temp1_input="0")
    probe = HwmonProbe(HWMON, root=tree.root)
    assert probe.read() == Reading(0.0, 0.0)
    _set(folder, "55", "24.7")
    assert probe.read().rh_pct == pytest.approx(55.0)


@given(rh=st.floats(2.0, 100.0), temp=st.floats(2.0, 60.0))
def test_every_room_is_told_apart_in_both_units(rh: float, temp: float) -> None:
    assert factor_of(rh, temp) == 1.0
    if 2.001 < rh < 99.999 and 2.001 < temp < 59.999:  # the ends are blurred by the division
        assert factor_of(rh / 1000, temp / 1000) == 1000.0
        assert factor_of(rh / 1000, temp) is None
        assert factor_of(rh, temp / 1000) is None
