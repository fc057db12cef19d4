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
from controller.devices.sysfs import iio_milli


class IioProbe(KernelProbe):
    kind = "iio"

    def _milli(self, folder: Path) -> tuple[float, float]:
        channels = ("in_humidityrelative", "in_temp")
        rh_milli, temp_milli = (iio_milli(folder, channel, self._number) for channel in channels)
        return rh_milli, temp_milli
