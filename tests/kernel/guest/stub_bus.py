"""STUB BUS: an I2C bus of the kernel's own (i2c-stub) with the registers of two published humidity sensors.

In:    the figures that a sensor's registers are to hold.
Out:   kernel drivers bound to them, to be unbound, bound again, deleted; and what they should read.
Never: takes an expected figure from a driver: the data sheets' formulas give it.

Sources: Documentation/i2c/i2c-stub.rst, Documentation/i2c/instantiating-devices.rst and
include/uapi/linux/i2c-dev.h of the Linux kernel. Sensirion, SHT21 data sheet, section 6 (signal conversion).
Bosch, BST-BME280-DS001, table 16 (trimming parameters), table 18 (registers), appendix 8.1 (compensation in
floating point). Temperature trimming and its worked example: Bosch, BST-BMP280-DS001, section 3.12.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import struct
from pathlib import Path
from typing import NamedTuple

from tests.kernel.guest.simulated_board import run, wait_until

ADDRESSES = (0x40, 0x41, 0x76)
DEVICES = Path("/sys/bus/i2c/devices")
_SLAVE_FORCE, _SMBUS, _WRITE, _BYTE, _WORD = 0x0706, 0x0720, 0, 2, 3


class Figures(NamedTuple):
    rh_pct: float
    temp_c: float


class StubBus:
    """The bus, made once; sensors by their address."""

    def __init__(self) -> None:
        run("modprobe", "i2c-dev")
        run("modprobe", "i2c-stub", "chip_addr=" + ",".join(f"{address:#x}" for address in ADDRESSES))
        for driver in ("sht21", "bmp280-i2c"):
            run("modprobe", driver)
        (self._folder,) = [
            path.parent for path in DEVICES.glob("i2c-*/name") if path.read_text().startswith("SMBus stub")
        ]
        self.number = int(self._folder.name.removeprefix("i2c-"))

    def at(self, address: int) -> str:
        """The bus address as the settings have it."""
        return f"{self.number}-{address:04x}"

    def write_bytes(self, address: int, registers: dict[int, int]) -> None:
        for register, value in registers.items():
            self._transfer(address, register, _BYTE, value)

    def write_word(self, address: int, register: int, word: int) -> None:
        """The chip sends the high byte first; an SMBus word, and so the stub, has the low one first."""
        self._transfer(address, register, _WORD, (word & 0xFF) << 8 | word >> 8)

    def _transfer(self, address: int, register: int, size: int, value: int) -> None:
        data = ctypes.create_string_buffer(struct.pack("=H", value & 0xFFFF), 34)
        descriptor = os.open(f"/dev/i2c-{self.number}", os.O_RDWR)
        try:
            fcntl.ioctl(descriptor, _SLAVE_FORCE, address)
            call = struct.pack("@BBIP", _WRITE, register, size, ctypes.addressof(data))
            fcntl.ioctl(descriptor, _SMBUS, call)
        finally:
            os.close(descriptor)

    def create(self, driver: str, address: int) -> None:
        (self._folder / "new_device").write_text(f"{driver} {address:#x}")
        wait_until((DEVICES / self.at(address) / "driver").exists, f"{driver} to be bound")

    def delete(self, address: int) -> None:
        (self._folder / "delete_device").write_text(f"{address:#x}")

    def unbind(self, address: int) -> Path:
        """Takes the driver away; its folder, to ``bind`` again."""
        driver = (DEVICES / self.at(address) / "driver").resolve()
        (driver / "unbind").write_text(self.at(address))
        return driver

    def bind(self, address: int, driver: Path) -> None:
        (driver / "bind").write_text(self.at(address))

    def hwmon_number(self, address: int) -> str:
        (folder,) = (DEVICES / self.at(address) / "hwmon").iterdir()
        return folder.name


class Sht21:
    """What the registers of an SHT21 hold for two 16-bit signals."""

    HUMIDITY, TEMPERATURE = 0xE5, 0xE3  # the "hold master" commands
    STATUS_BITS = 0x0003
    """The lowest two bits of a signal carry status and count as 0 in the formulas."""

    @classmethod
    def set(cls, bus: StubBus, address: int, humidity: int, temperature: int) -> Figures:
        """Sets the signals; what the data sheet's formulas make of them."""
        bus.write_word(address, cls.HUMIDITY, humidity)
        bus.write_word(address, cls.TEMPERATURE, temperature)
        humidity, temperature = humidity & ~cls.STATUS_BITS, temperature & ~cls.STATUS_BITS
        return Figures(-6.0 + 125.0 * humidity / 2**16, -46.85 + 175.72 * temperature / 2**16)

    @classmethod
    def show(cls, bus: StubBus, address: int, rh_pct: float, temp_c: float) -> Figures:
        """The signals nearest to these figures."""
        humidity = round((rh_pct + 6.0) * 2**16 / 125.0)
        temperature = round((temp_c + 46.85) * 2**16 / 175.72)
        return cls.set(bus, address, humidity & ~cls.STATUS_BITS, temperature & ~cls.STATUS_BITS)


class Bme280:
    """A BME280 with one set of trimming parameters (temperature: the published example; others invented)."""

    T1, T2, T3 = 27504, 26435, -1000
    P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)  # the same example; not read here
    H1, H2, H3, H4, H5, H6 = 75, 370, 0, 313, 50, 30
    NOT_MEASURED = 0x8000
    """What the humidity register holds when no humidity was measured."""

    @classmethod
    def fit(cls, bus: StubBus, address: int) -> None:
        """Id and trimming parameters, which its driver reads once."""
        registers = {0xD0: 0x60, 0xA1: cls.H1, 0xE3: cls.H3, 0xE7: cls.H6}
        words = {0x88: cls.T1, 0x8A: cls.T2, 0x8C: cls.T3, 0xE1: cls.H2}
        words |= {0x8E + 2 * place: value for place, value in enumerate(cls.P)}
        for register, value in words.items():
            registers |= {register: value & 0xFF, register + 1: value >> 8 & 0xFF}
        registers |= {0xE4: cls.H4 >> 4, 0xE5: (cls.H4 & 0x0F) | (cls.H5 & 0x0F) << 4, 0xE6: cls.H5 >> 4}
        bus.write_bytes(address, registers)

    @classmethod
    def set(cls, bus: StubBus, address: int, humidity: int, temperature: int) -> Figures:
        """Sets the 16-bit humidity and the 20-bit temperature signal; what appendix 8.1 makes of them."""
        bus.write_bytes(address, {0xFA: temperature >> 12, 0xFB: temperature >> 4 & 0xFF})
        bus.write_bytes(address, {0xFC: (temperature & 0x0F) << 4})
        bus.write_bytes(address, {0xF7: 0x65, 0xF8: 0x5A, 0xF9: 0xC0})  # the pressure of the same example
        bus.write_bytes(address, {0xFD: humidity >> 8, 0xFE: humidity & 0xFF})
        return cls.compensated(humidity, temperature)

    @classmethod
    def compensated(cls, humidity: int, temperature: int) -> Figures:
        first = (temperature / 16384.0 - cls.T1 / 1024.0) * cls.T2
        second = (temperature / 131072.0 - cls.T1 / 8192.0) ** 2 * cls.T3
        fine = first + second
        h = fine - 76800.0
        h = (humidity - (cls.H4 * 64.0 + cls.H5 / 16384.0 * h)) * (
            cls.H2 / 65536.0 * (1.0 + cls.H6 / 67108864.0 * h * (1.0 + cls.H3 / 67108864.0 * h))
        )
        h *= 1.0 - cls.H1 * h / 524288.0
        return Figures(min(max(h, 0.0), 100.0), fine / 5120.0)
