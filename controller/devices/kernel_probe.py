"""A probe with a kernel driver: found once, read afresh each time, its units looked at once.

In:    the probe's settings and the tree of sysfs.
Out:   a Reading in % and °C, or why there is none.
Never: raises at a reading, reads another device than the one found at the start, or multiplies
       one figure and not the other.

**Which device.** By bus address where one is given, then by the driver's name, which also
tells apart several at one address. Once found, the address stays: should a second probe of
the same name turn up later, it is not taken for this one.

**Units.** The kernel's ABI asks for thousandths of a % and of a °C. Some drivers published %
and °C (IIO hdc3020 before Linux 6.18; hts221, whose scale yields 55 for 55 %). Figures are
multiplied by 1000 only if humidity *and* temperature look like a room after it and *neither*
does before. The first reading that shows it either way decides for the life of the object;
one that shows neither (0 and 0, all ones) decides nothing.

**The mixed case**, one figure 1000 times too small and the other right: nothing is multiplied,
because a right temperature beside 0.05 %RH is as well a broken humidity cell, and 0.05 times
1000 would then be an invented room. Nor is it handed on: believed, 0.05 %RH would keep the
humidifier running. It is a failed reading that names both figures.
"""

from __future__ import annotations

import errno
from pathlib import Path
from typing import ClassVar

from controller.core.records import Reading
from controller.devices.settings import ProbeSettings
from controller.devices.sysfs import (
    FoundProbe,
    ReadText,
    address_of,
    in_words,
    list_probes,
    number,
    read_text,
)
from controller.errors import ProbeError

# What a room can be, to judge units by (own choice). The ends are less than 1000 apart, so that
# no figure fits both before and after.
_ROOM_RH_PCT = (2.0, 100.0)
_ROOM_TEMP_C = (2.0, 60.0)


def choose(found: list[FoundProbe], kind: str, at: str, chip: str) -> list[FoundProbe]:
    """Those that fit the settings; exactly one is wanted."""
    fitting = [probe for probe in found if probe.kind == kind]
    if at:
        fitting = [probe for probe in fitting if probe.address.casefold() == at.casefold()]
    if chip and (not at or len(fitting) > 1):
        fitting = [probe for probe in fitting if probe.name.casefold() == chip.casefold()]
    return fitting


def factor_of(rh_pct: float, temp_c: float) -> float | None:
    """1 or 1000 where the two figures show which it must be, else None."""
    before = (_within(rh_pct, _ROOM_RH_PCT), _within(temp_c, _ROOM_TEMP_C))
    after = (_within(rh_pct * 1000, _ROOM_RH_PCT), _within(temp_c * 1000, _ROOM_TEMP_C))
    if all(before):
        return 1.0
    if all(after) and not any(before):
        return 1000.0
    return None


def _too_small(rh_pct: float, temp_c: float) -> bool:
    """Looks at each figure alone: does it fit a room only when multiplied by 1000?"""
    return _within(rh_pct * 1000, _ROOM_RH_PCT) or _within(temp_c * 1000, _ROOM_TEMP_C)


def _within(value: float, ends: tuple[float, float]) -> bool:
    return ends[0] <= value <= ends[1]


class KernelProbe:
    """What hwmon and IIO probes share. ``scale_note`` says in words if figures are multiplied."""

    kind: ClassVar[str]

    def __init__(
        self,
        settings: ProbeSettings,
        *,
        root: Path = Path("/sys"),
        read_text: ReadText = read_text,
        name: str = "",
    ) -> None:
        self._root = root
        self._read_text = read_text
        self._factor: float | None = None
        self.scale_note = ""
        found = _look(root, read_text)
        fitting = choose(found, self.kind, settings.at, settings.chip)
        if len(fitting) != 1:
            raise ProbeError(_not_one(settings, len(fitting), found, root))
        _, self.address, self.chip, self._folder = fitting[0]
        self.name = name or f"{self.chip or self.kind} at {self.address}"

    def read(self) -> Reading:
        try:
            rh_milli, temp_milli = self._read_where_it_is()
        except OSError as error:
            return Reading(failure=in_words(error))
        except UnicodeError:
            return Reading(failure="the probe's file holds no text")
        except ValueError as error:
            return Reading(failure=str(error))
        return self._in_units(rh_milli / 1000.0, temp_milli / 1000.0)

    def _milli(self, folder: Path) -> tuple[float, float]:
        """Humidity and temperature in the ABI's thousandths. Raises OSError or ValueError."""
        raise NotImplementedError

    def _number(self, path: Path) -> float:
        try:
            return number(self._read_text(path), path.name)
        except FileNotFoundError:
            if path.parent.exists() and not path.exists():  # present, but gives no such figure
                raise ValueError(f"the probe's driver offers no {path.name}") from None
            raise

    def _read_where_it_is(self) -> tuple[float, float]:
        before = self._folder
        if address_of(before) == self.address:
            try:
                return self._milli(before)
            except OSError:
                self._folder = self._found_again()
                if self._folder == before:
                    raise
        else:
            self._folder = self._found_again()
        return self._milli(self._folder)

    def _found_again(self) -> Path:
        fitting = choose(list_probes(self._root, self._read_text), self.kind, self.address, self.chip)
        if not fitting:
            raise OSError(errno.ENODEV, "gone")
        if len(fitting) > 1:
            raise ValueError(f"{len(fitting)} probes now answer to {self.address}: which one is not known")
        return fitting[0].path

    def _in_units(self, rh_pct: float, temp_c: float) -> Reading:
        if self._factor is None:
            self._factor = factor_of(rh_pct, temp_c)
            if self._factor == 1000.0:
                self.scale_note = (
                    f"the driver of {self.name} gave {rh_pct:g} % and {temp_c:g} °C, 1000 times too small "
                    "for the kernel's units; its figures are multiplied by 1000"
                )
        if self._factor == 1000.0:
            return Reading(rh_pct * 1000.0, temp_c * 1000.0)
        if _too_small(rh_pct, temp_c):
            return Reading(
                failure=f"humidity {rh_pct:g} % and temperature {temp_c:g} °C: a figure looks 1000 times "
                "too small, so neither is used (a broken probe, or a driver with mixed units)"
            )
        return Reading(rh_pct, temp_c)


def _look(root: Path, read: ReadText) -> list[FoundProbe]:
    try:
        return list_probes(root, read)
    except OSError as error:
        raise ProbeError(f"{root}: the list of probes cannot be read: {error.strerror or error}") from error


def _not_one(settings: ProbeSettings, fitting: int, found: list[FoundProbe], root: Path) -> str:
    asked = [f'{key} = "{value}"' for key, value in settings if value and key in ("kind", "at", "chip")]
    how_many = "no probe fits" if not fitting else f"{fitting} probes fit"
    text = f"{how_many} {', '.join(asked)} under {root}."
    if not found:
        return (
            f"{text} The kernel offers no humidity probe at all: look at the wiring, and that the sensor's "
            'driver is loaded (on a Raspberry Pi a line such as "dtoverlay=i2c-sensor,sht4x" in config.txt).'
        )
    lines = "".join(f'\n  kind = "{p.kind}", at = "{p.address}"  (chip = "{p.name}")' for p in found)
    return (
        f"{text} Found:{lines}\nWrite kind and at of the wanted one into the probe's settings "
        "(and chip, where two share an address)."
    )
