"""A room probe with an IIO driver (BME280, Si7021, HTU21, HDC100x, HTS221, DHT22, ...).

In:    per figure either ``_input``, or ``_raw``, ``_scale`` and perhaps ``_offset``:
       (raw + offset) * scale, the offset added before scaling (sysfs-bus-iio).
Out:   a Reading (see ``kernel_probe``).
Never: raises at a reading.

``_input`` wins where a driver offers both: it is the figure the driver itself finished. The
``name`` of some drivers is the bus address (``1-0040``) and not the chip; ``at`` finds those.
"""

from __future__ import annotations

from pathlib import Path

from controller.devices.kernel_probe import KernelProbe


class IioProbe(KernelProbe):
    kind = "iio"

    def _milli(self, folder: Path) -> tuple[float, float]:
        return self._channel(folder, "in_humidityrelative"), self._channel(folder, "in_temp")

    def _channel(self, folder: Path, channel: str) -> float:
        finished = folder / f"{channel}_input"
        if finished.exists():
            return self._number(finished)
        offset = folder / f"{channel}_offset"
        raw = self._number(folder / f"{channel}_raw")
        scale = self._number(folder / f"{channel}_scale")
        return (raw + (self._number(offset) if offset.exists() else 0.0)) * scale
