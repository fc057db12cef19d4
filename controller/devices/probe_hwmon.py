"""A room probe with a hwmon driver (SHT2x, SHT3x, SHT4x, SHTC3, HIH6130, ...).

In:    ``humidity1_input`` in thousandths of a %, ``temp1_input`` in thousandths of a °C.
Out:   a Reading (see ``kernel_probe``).
Never: raises at a reading.

Drivers may answer from a memory of their own for up to some seconds and give no sign of it.
"""

from __future__ import annotations

from pathlib import Path

from controller.devices.kernel_probe import KernelProbe


class HwmonProbe(KernelProbe):
    kind = "hwmon"

    def _milli(self, folder: Path) -> tuple[float, float]:
        return self._number(folder / "humidity1_input"), self._number(folder / "temp1_input")
