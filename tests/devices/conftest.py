"""A tree of real files laid out as the kernel lays out sysfs, that can change under a probe."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest


class SysTree:
    """Device folders under devices/, and the links by bus and by class that point at them."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def hwmon(self, address: str, number: int, name: str, **files: str) -> Path:
        """hwmon: <device>/hwmon/hwmonN with a ``device`` link, /sys/class/hwmon/hwmonN points at it."""
        device = self._device(address)
        folder = device / "hwmon" / f"hwmon{number}"
        self._fill(folder, name, files)
        (folder / "device").symlink_to(Path("../../../") / address)
        self._link(self.root / "class/hwmon" / folder.name, folder)
        return folder

    def sht4x(self, address: str = "1-0044", number: int = 0, rh: str = "55000", temp: str = "24000") -> Path:
        return self.hwmon(address, number, "sht4x", humidity1_input=rh, temp1_input=temp)

    def iio(self, address: str, number: int, name: str, **files: str) -> Path:
        """IIO: <device>/iio:deviceN, /sys/bus/iio/devices/iio:deviceN points at it."""
        folder = self._device(address) / f"iio:device{number}"
        self._fill(folder, name, files)
        self._link(self.root / "bus/iio/devices" / folder.name, folder)
        return folder

    def unbind(self, folder: Path) -> None:
        shutil.rmtree(folder)
        for place in ("class/hwmon", "bus/iio/devices"):
            (self.root / place / folder.name).unlink(missing_ok=True)

    def _device(self, address: str) -> Path:
        device = self.root / "devices/i2c-1" / address
        device.mkdir(parents=True, exist_ok=True)
        self._link(self.root / "bus/i2c/devices" / address, device)
        return device

    def _fill(self, folder: Path, name: str, files: dict[str, str]) -> None:
        folder.mkdir(parents=True)
        for file, text in {"name": name, **files}.items():
            (folder / file).write_text(text + "\n")

    def _link(self, link: Path, to: Path) -> None:
        link.parent.mkdir(parents=True, exist_ok=True)
        if not link.is_symlink():
            link.symlink_to(to)


@pytest.fixture
def tree(tmp_path: Path) -> SysTree:
    return SysTree(tmp_path / "sys")


class Opener:
    """Reads files, unless told to fail: ``trouble`` is raised, or returned as text, for figures."""

    def __init__(self) -> None:
        self.trouble: Callable[[Path], str] | None = None

    def __call__(self, path: Path) -> str:
        if self.trouble and path.name != "name":
            return self.trouble(path)
        return path.read_text()

    def fail_with(self, error: Exception) -> None:
        def raising(path: Path) -> str:
            raise error

        self.trouble = raising

    def say(self, text: str) -> None:
        self.trouble = lambda path: text


@pytest.fixture
def opener() -> Opener:
    return Opener()
