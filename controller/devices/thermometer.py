"""THERMOMETERS beside the room's probe: one on the coldest wall, one outdoors.

In:    a kernel sensor's temperature (hwmon ``temp1_input``, IIO ``in_temp``), or a file of another program.
Out:   a temperature in °C, or None and why there is none.
Never: raises at a reading; takes an old file, or a figure that is no weather's, for the truth.

A sensor's own file is found by bus address or driver name, as a room probe's is (``sysfs.py``); it need not
have humidity. A figure of the file may carry its unit ("41 °F"); without one it is °C.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from controller.core import units
from controller.core.ceiling import is_temperature
from controller.core.limits import Limits
from controller.devices.settings import ONE_WORD
from controller.devices.sysfs import (
    PLACES,
    TEXT_MAX,
    ReadText,
    address_of,
    iio_milli,
    in_words,
    number,
    read_text,
)
from controller.errors import ProbeError
from controller.files import read_small

LARGEST_BYTES = 4 * TEXT_MAX
LOOK_S = 60.0
"""A wall is slow, and so is the weather: what was read last stands in for a minute."""
SLACK_S = 60.0
"""So far ahead of this clock a file may be dated."""


class _Named(Limits):
    """How a sensor with a kernel driver is named."""

    kind: str = Field("none", description="each of them has its own kinds")
    at: str = Field("", max_length=64, pattern=ONE_WORD, description='its bus address, such as "1-0049"')
    chip: str = Field(
        "", max_length=64, pattern=ONE_WORD, description='or its driver\'s name, such as "lm75"'
    )

    @model_validator(mode="after")
    def _can_be_found(self) -> Self:
        if self.kind in ("hwmon", "iio") and not (self.at or self.chip):
            raise PydanticCustomError(
                "thermometer_unnamed",
                'kind = "{kind}" needs at (a bus address such as "1-0049") or chip (the driver\'s name)',
                {"kind": self.kind},
            )
        return self


class ThermometerSettings(_Named):
    """A thermometer on the coldest wall."""

    kind: Literal["none", "hwmon", "iio", "simulated"] = Field(
        "none", description="hwmon or iio: a sensor with a kernel driver; simulated: the rehearsal's own"
    )


class OutdoorSettings(_Named):
    """Where the outdoor temperature comes from."""

    kind: Literal["none", "hwmon", "iio", "file"] = Field(
        "none",
        description="hwmon or iio: a sensor with a kernel driver; file: one that another program writes",
    )
    file: str = Field(
        "", max_length=4096, description="file: one line, the temperature in °C, or with its unit: 41 °F"
    )
    oldest_minutes: float = Field(120.0, ge=1, le=10080, description="file: an older one is not believed")

    @model_validator(mode="after")
    def _has_its_file(self) -> Self:
        if self.kind == "file" and not self.file.strip():
            raise PydanticCustomError("outdoor_without_file", 'kind = "file" needs file, its path')
        return self


class Thermometer:
    """What all of them share: the last failure in words, "" when the last reading was good."""

    name: str
    failure: str = ""
    _next_s: float = float("-inf")
    _last_c: float | None = None

    def now_c(self, mono_s: float) -> float | None:
        """What it says at this time of a clock that does not jump; read anew once a minute."""
        if mono_s >= self._next_s:
            self._next_s, self._last_c = mono_s + LOOK_S, self.read_c()
        return self._last_c

    def read_c(self) -> float | None:
        """Reads once. Never raises."""
        try:
            temp_c = self._temp_c()
        except OSError as error:
            self.failure = in_words(error)
        except (ValueError, ArithmeticError) as error:
            self.failure = str(error)
        else:
            if is_temperature(temp_c):
                self.failure = ""
                return temp_c
            self.failure = f"{temp_c:g} °C is no wall's and no weather's"
        return None

    def _temp_c(self) -> float:
        raise NotImplementedError


_FILES = {"hwmon": ("temp1_input",), "iio": ("in_temp_input", "in_temp_raw")}


class KernelThermometer(Thermometer):
    """Found afresh at each reading: a sensor that was unplugged may come back elsewhere."""

    def __init__(
        self, kind: str, at: str, chip: str, root: Path = Path("/sys"), read: ReadText = read_text
    ) -> None:
        self._kind, self._at, self._chip, self._root, self._read = kind, at, chip, root, read
        self.name = f"{kind} thermometer {at or chip}"

    def _temp_c(self) -> float:
        folders = {folder.resolve() for place in PLACES[self._kind] for folder in self._root.glob(place)}
        fitting = [folder for folder in sorted(folders) if self._fits(folder)]
        if len(fitting) != 1:
            raise ValueError(f"{len(fitting) or 'no'} sensors of the kernel fit {self._at or self._chip}")
        folder = fitting[0]
        if self._kind == "hwmon":
            return self._number(folder / "temp1_input") / 1000.0
        return iio_milli(folder, "in_temp", self._number) / 1000.0

    def _fits(self, folder: Path) -> bool:
        if not any((folder / name).exists() for name in _FILES[self._kind]):
            return False
        if self._at and address_of(folder).casefold() != self._at.casefold():
            return False
        return not self._chip or self._read(folder / "name").strip().casefold() == self._chip.casefold()

    def _number(self, path: Path) -> float:
        return number(self._read(path), path.name)


class FileThermometer(Thermometer):
    """A small text file that another program writes again and again."""

    def __init__(self, path: Path, oldest_s: float, now_s: Callable[[], float] = time.time) -> None:
        self._path, self._oldest_s, self._now_s = path, oldest_s, now_s
        self.name = f"file {path}"

    def _temp_c(self) -> float:
        text = read_small(self._path, LARGEST_BYTES).decode("utf-8", errors="replace").strip()
        written_s = self._path.stat().st_mtime
        age_s = self._now_s() - written_s
        if not -SLACK_S <= age_s <= self._oldest_s:
            raise ValueError(f"{self._path} is {age_s / 60.0:.0f} min old")
        if not text or len(text) > TEXT_MAX or "\n" in text:
            raise ValueError(f"{self._path} holds no single line with a temperature")
        found = units.read(text, units.celsius)
        return number(text, self._path.name) if found is None else found


def _is_folder(path: Path) -> bool:
    """False where that cannot be seen: the reading then says why."""
    try:
        return path.is_dir()
    except OSError:
        return False


def make_thermometer(settings: ThermometerSettings | OutdoorSettings) -> Thermometer | None:
    """None where none is named, or only the rehearsal has one. Raises ProbeError for a folder as a file."""
    if settings.kind in ("hwmon", "iio"):
        return KernelThermometer(settings.kind, settings.at, settings.chip)
    if isinstance(settings, OutdoorSettings) and settings.kind == "file":
        path = Path(settings.file)
        if _is_folder(path):
            raise ProbeError(f"surface.outdoor.file: {path} is a folder; name the file in it")
        return FileThermometer(path, settings.oldest_minutes * 60.0)
    return None


class Surroundings:
    """Both of them, as the loop asks for them, and what is wrong with them."""

    def __init__(
        self,
        wall: Thermometer | None,
        outdoor: Thermometer | None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.wall, self.outdoor, self._now_s = wall, outdoor, now_s

    def surface_c(self) -> float | None:
        return None if self.wall is None else self.wall.now_c(self._now_s())

    def outdoor_c(self) -> float | None:
        return None if self.outdoor is None else self.outdoor.now_c(self._now_s())

    def troubles(self) -> tuple[tuple[str, str], ...]:
        both = (("wall_lost", self.wall), ("outdoor_lost", self.outdoor))
        return tuple(
            (code, f"{one.name}: {one.failure}") for code, one in both if one is not None and one.failure
        )
