"""Two kernel drivers, one per kind of probe, on an I2C bus of the kernel's own: figures, loss, return."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from controller.core.records import Reading
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.probe_iio import IioProbe
from controller.devices.settings import ProbeSettings
from tests.kernel.guest.stub_bus import DEVICES, Bme280, Figures, Sht21, StubBus

FIRST, SECOND, OTHER = 0x40, 0x41, 0x76
CACHE_S = 0.6  # the driver of the SHT2x answers from memory for half a second


def hwmon(bus: StubBus, address: int) -> HwmonProbe:
    return HwmonProbe(ProbeSettings(kind="hwmon", at=bus.at(address)))


def iio(bus: StubBus) -> IioProbe:
    return IioProbe(ProbeSettings(kind="iio", at=bus.at(OTHER)))


def assert_reads(reading: Reading, figures: Figures, rh_pct: float, temp_c: float) -> None:
    """Tolerances: in % and °C."""
    assert reading.failure == ""
    assert reading.rh_pct == pytest.approx(figures.rh_pct, abs=rh_pct)
    assert reading.temp_c == pytest.approx(figures.temp_c, abs=temp_c)


@pytest.fixture(scope="module")
def sht21(bus: StubBus) -> Iterator[StubBus]:
    for address, rh_pct in ((FIRST, 40.0), (SECOND, 70.0)):
        Sht21.show(bus, address, rh_pct, 24.0)
        bus.create("sht21", address)
    yield bus
    for address in (FIRST, SECOND):
        bus.delete(address)


@pytest.fixture(scope="module")
def bme280(bus: StubBus) -> Iterator[StubBus]:
    Bme280.fit(bus, OTHER)
    Bme280.set(bus, OTHER, 30000, 519888)
    bus.create("bme280", OTHER)
    yield bus
    bus.delete(OTHER)


SIGNALS = [(0x4A48, 0x6238), (0x7C80, 0x683A), (0xB333, 0x5999), (0x2222, 0x7FFC), (0xFFFF, 0xFFFF)]


@pytest.mark.parametrize(("humidity", "temperature"), SIGNALS)
def test_hwmon_reads_as_the_data_sheet_converts(sht21: StubBus, humidity: int, temperature: int) -> None:
    """The driver rounds to thousandths. All ones, a dead bus, is 119 % and 128.9 °C: out of any room."""
    figures = Sht21.set(sht21, FIRST, humidity, temperature)
    time.sleep(CACHE_S)
    assert_reads(hwmon(sht21, FIRST).read(), figures, 0.002, 0.002)


def test_a_worked_example_of_the_data_sheet_s_formula() -> None:
    """BST-BMP280-DS001, section 3.12: 519888 is 25.08 °C with this trimming."""
    assert Bme280.compensated(30000, 519888).temp_c == pytest.approx(25.08, abs=0.005)


# Room-like figures only; the formula is the same beyond.
SIGNALS_BME = [(30000, 519888), (27000, 519888), (33000, 510000), (24000, 500000)]


@pytest.mark.parametrize(("humidity", "temperature"), SIGNALS_BME)
def test_iio_reads_as_the_data_sheet_converts(bme280: StubBus, humidity: int, temperature: int) -> None:
    """The driver computes in whole numbers: 0.01 °C, and 1/1024 % after steps that round (section 4.2.3)."""
    figures = Bme280.set(bme280, OTHER, humidity, temperature)
    assert 5.0 < figures.rh_pct < 95.0
    assert_reads(iio(bme280).read(), figures, 0.05, 0.02)


def test_a_figure_with_a_fraction(bme280: StubBus) -> None:
    """This driver writes thousandths with a fraction, which a whole-number parser would refuse."""
    figures = Bme280.set(bme280, OTHER, 30000, 519888)
    (file,) = (DEVICES / bme280.at(OTHER)).glob("iio:device*/in_humidityrelative_input")
    assert "." in file.read_text(), "this kernel's driver writes no fraction: the test shows nothing"
    assert_reads(iio(bme280).read(), figures, 0.05, 0.02)


def test_all_ones_of_the_iio_probe(bme280: StubBus) -> None:
    """Held at 100 % by the formula itself: no error, and no room above which mist would be wanted."""
    Bme280.set(bme280, OTHER, 0xFFFF, 519888)
    reading = iio(bme280).read()
    assert reading.failure == ""
    assert reading.rh_pct == 100.0


def test_no_humidity_measured_is_a_failure_in_words(bme280: StubBus) -> None:
    probe = iio(bme280)
    Bme280.set(bme280, OTHER, Bme280.NOT_MEASURED, 519888)
    reading = probe.read()
    assert "EIO" in reading.failure
    figures = Bme280.set(bme280, OTHER, 30000, 519888)
    assert_reads(probe.read(), figures, 0.05, 0.02)


def test_gone_and_back_by_its_driver(sht21: StubBus) -> None:
    figures = Sht21.show(sht21, FIRST, 41.0, 24.0)
    time.sleep(CACHE_S)
    probe = hwmon(sht21, FIRST)
    assert_reads(probe.read(), figures, 0.002, 0.002)
    driver = sht21.unbind(FIRST)
    for _ in range(3):
        assert "the probe is gone" in probe.read().failure
    sht21.bind(FIRST, driver)
    assert_reads(probe.read(), figures, 0.002, 0.002)


def test_gone_and_back_by_its_device(bme280: StubBus) -> None:
    figures = Bme280.set(bme280, OTHER, 27000, 519888)
    probe = iio(bme280)
    assert_reads(probe.read(), figures, 0.05, 0.02)
    bme280.delete(OTHER)
    assert "the probe is gone" in probe.read().failure
    bme280.create("bme280", OTHER)
    assert_reads(probe.read(), figures, 0.05, 0.02)


def test_numbers_that_swap_do_not_swap_the_probes(sht21: StubBus) -> None:
    first, second = Sht21.show(sht21, FIRST, 40.0, 24.0), Sht21.show(sht21, SECOND, 70.0, 26.0)
    time.sleep(CACHE_S)
    one, two = hwmon(sht21, FIRST), hwmon(sht21, SECOND)
    before = sht21.hwmon_number(FIRST), sht21.hwmon_number(SECOND)
    driver = sht21.unbind(FIRST)
    sht21.unbind(SECOND)
    for address in (SECOND, FIRST):
        sht21.bind(address, driver)
    assert (sht21.hwmon_number(SECOND), sht21.hwmon_number(FIRST)) == before, "they did not swap"
    for _ in range(2):
        assert_reads(one.read(), first, 0.002, 0.002)
        assert_reads(two.read(), second, 0.002, 0.002)
