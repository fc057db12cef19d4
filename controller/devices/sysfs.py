"""The kernel's files of humidity probes: what there is, what a file says, and why it says nothing.

In:    the root of sysfs (a tree of files), and a function that reads one file.
Out:   the probes found, numbers, and plain words for an error number.
Never: keeps a file open (a descriptor held over an unbind answers ENODEV for ever), or goes by
       the numbers in ``hwmon0`` and ``iio:device0``, which depend on who came first.

Sources: Documentation/ABI/testing/sysfs-class-hwmon and sysfs-bus-iio of the Linux kernel.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

ReadText = Callable[[Path], str]

TEXT_MAX = 64  # the longest honest figure is some 20 characters
_NAME_MAX = 256
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d*)?", re.ASCII)

PLACES = {
    "hwmon": ("class/hwmon/hwmon*", "bus/i2c/devices/*/hwmon/hwmon*"),
    "iio": ("bus/iio/devices/iio:device*", "bus/i2c/devices/*/iio:device*"),
}
_HUMIDITY_FILES = {
    "hwmon": ("humidity1_input",),
    "iio": ("in_humidityrelative_input", "in_humidityrelative_raw"),
}

_WORDS = {
    errno.EIO: "the probe answered with an error or a wrong checksum (EIO): look at wiring and cable length",
    errno.EREMOTEIO: "the probe does not answer on its bus (EREMOTEIO): look at wiring and supply",
    errno.ENXIO: "the probe does not answer on its bus (ENXIO): look at wiring and supply",
    errno.ETIMEDOUT: "the probe did not answer in time (ETIMEDOUT)",
    errno.EAGAIN: "the bus was busy (EAGAIN)",
    errno.EBUSY: "the bus was busy (EBUSY)",
    errno.ENODEV: "the probe is gone (ENODEV): it was unplugged, or its driver unloaded",
    errno.ENOENT: "the probe is gone (ENOENT): it was unplugged, or its driver unloaded",
    errno.ENOTDIR: "the probe is gone (ENOTDIR): it was unplugged, or its driver unloaded",
    errno.EACCES: "this user may not read the probe's file (EACCES)",
    errno.EPERM: "this user may not read the probe's file (EPERM)",
}


class FoundProbe(NamedTuple):
    """One humidity probe that the kernel offers. ``path`` is its folder, links resolved."""

    kind: str
    address: str
    name: str
    path: Path


def read_text(path: Path) -> str:
    """Opens, reads, closes. Reads no more than shows that a text is too long."""
    with path.open("rb") as file:
        return file.read(4096).decode("ascii", errors="replace")


def number(text: str, what: str) -> float:
    """The figure in a file. Raises ValueError in plain words; what passes is always finite."""
    text = text.strip()
    if not text:
        raise ValueError(f"{what} is empty")
    if len(text) > TEXT_MAX:
        raise ValueError(f"{what} is too long for a number (it begins with {text[:20]!r})")
    if not _PLAIN_NUMBER.fullmatch(text):
        raise ValueError(f"{what} says {text!r}, which is not a number")
    return float(text)


def iio_milli(folder: Path, channel: str, read: Callable[[Path], float]) -> float:
    """A channel in the ABI's thousandths: finished by the driver, else (raw + offset) * scale."""
    finished = folder / f"{channel}_input"
    if finished.exists():
        return read(finished)
    offset = folder / f"{channel}_offset"
    raw = read(folder / f"{channel}_raw")
    scale = read(folder / f"{channel}_scale")
    return (raw + (read(offset) if offset.exists() else 0.0)) * scale


def in_words(error: OSError) -> str:
    """Why a file could not be read."""
    if error.errno is None:
        return f"the probe's file could not be read: {error or type(error).__name__}"
    known = _WORDS.get(error.errno)
    if known:
        return known
    code = errno.errorcode.get(error.errno, str(error.errno))
    return f"the probe's file could not be read: {os.strerror(error.errno)} ({code})"


def address_of(folder: Path) -> str:
    """The address on its bus (such as ``1-0044``) of the device that a hwmon or IIO folder belongs to."""
    device = folder / "device"
    if device.is_symlink():
        return device.readlink().name
    parent = folder.resolve().parent
    return parent.parent.name if parent.name == "hwmon" else parent.name


def list_probes(root: Path = Path("/sys"), read: ReadText = read_text) -> list[FoundProbe]:
    """Every humidity probe under ``root``, in the order of kind and address. Raises OSError at most."""
    found = {probe.path: probe for kind in PLACES for probe in _of_kind(root, kind, read)}
    return sorted(found.values())


def _of_kind(root: Path, kind: str, read: ReadText) -> Iterator[FoundProbe]:
    for place in PLACES[kind]:
        for folder in root.glob(place):
            if any((folder / name).exists() for name in _HUMIDITY_FILES[kind]):
                yield FoundProbe(kind, address_of(folder), _name(folder, read), folder.resolve())


def _name(folder: Path, read: ReadText) -> str:
    try:
        return read(folder / "name").strip()[:_NAME_MAX]
    except (OSError, ValueError):
        return ""
