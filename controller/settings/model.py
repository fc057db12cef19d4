"""SETTINGS: one TOML file, overridable by the environment, put together from each part's own limits.

In:    a file (``config/room.toml`` is the documented one), variables named ``HYGROHOLD_...``.
Out:   one frozen ``Settings``; a mistake is a SettingsError that says file, line and what is allowed.
Never: declares a limit of its own that belongs to a stage, or silently ignores a key.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Self
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, SettingsConfigDict

from controller.core.ceiling import SurfaceLimits
from controller.core.limits import Limits, contradiction
from controller.core.rules import Rules
from controller.core.trust import CorrectionLimits
from controller.core.units import UnitSystem
from controller.devices.settings import ProbeSettings, RelaySettings
from controller.devices.settings_shelf import ShelfSettings, clash
from controller.devices.thermometer import OutdoorSettings, ThermometerSettings
from controller.notifier.settings import NotifySettings
from controller.settings.file import load_settings
from controller.simulator.settings import BenchSettings

SETTINGS_VERSION = 1
PREFIX = "HYGROHOLD_"
LEAST_DAYS = 30


class RoomSettings(Limits):
    """The room, and where its clock and files are."""

    name: str = Field(
        "room", pattern=r"^[a-z0-9][a-z0-9-]{0,39}$", description="small letters, digits and hyphens"
    )
    timezone: str = Field("", description="like Europe/Oslo; empty = the machine's own")
    units: UnitSystem = Field("si", description="of what people are told; us: °F, gallons, fluid ounces")
    state_dir: str = Field("", description="folder for kept state and record; empty = the usual place")

    @field_validator("timezone")
    @classmethod
    def _exists(cls, value: str) -> str:
        if value:
            try:
                ZoneInfo(value)
            except (KeyError, ValueError, OSError):
                raise PydanticCustomError(
                    "timezone", "no such time zone; names look like Europe/Oslo or America/Denver"
                ) from None
        return value


class RoomProbe(ProbeSettings, CorrectionLimits):
    """One probe in the room: where it is, and what a comparison found."""


class SurfaceSettings(SurfaceLimits):
    """The coldest wall or window, and what measures it or the weather outside."""

    probe: ThermometerSettings = Field(ThermometerSettings(), description="a thermometer on it")
    outdoor: OutdoorSettings = Field(OutdoorSettings(), description="the outdoor temperature")

    @model_validator(mode="after")
    def _only_a_measured_wall_holds(self) -> Self:
        if self.policy == "hold" and self.probe.kind == "none":
            raise contradiction(
                'policy = "hold" needs a thermometer on the wall ([surface.probe]): an estimate only warns',
                "surface.policy", "surface.probe",
            )  # fmt: skip
        return self


class LoopSettings(Limits):
    """How often the room is looked at."""

    tick_s: float = Field(10.0, ge=1, le=300, description="seconds between two looks")


class HistorySettings(Limits):
    """What is kept of the record."""

    keep_minutes_days: int = Field(
        400,
        ge=0,
        le=36600,
        description="minutes stay for so many days of running, then only each day's totals; 0 = for ever",
    )

    @field_validator("keep_minutes_days")
    @classmethod
    def _no_slip_of_the_pen(cls, value: int) -> int:
        if 0 < value < LEAST_DAYS:
            raise PydanticCustomError(
                "keep_minutes_days",
                "minutes that are thinned out do not come back: 0 (for ever), or at least {least} days",
                {"least": LEAST_DAYS},
            )
        return value


class Settings(Rules, BaseSettings):
    """Everything hygrohold can be told. Every field has a default; ``Settings()`` is the embedded one."""

    model_config = SettingsConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True, env_prefix="_unused_"
    )

    settings_version: int = Field(SETTINGS_VERSION, ge=1, le=SETTINGS_VERSION, description="of this file")
    room: RoomSettings = Field(RoomSettings(), description="the room's name, clock and files")
    probe: tuple[RoomProbe, ...] = Field(
        (RoomProbe(),), min_length=1, max_length=2, description="one or two room probes"
    )
    surface: SurfaceSettings = Field(SurfaceSettings(), description="the coldest wall or window")
    relay: RelaySettings = Field(RelaySettings(), description="the line that switches the outlet")
    shelf: ShelfSettings = Field(ShelfSettings(), description="button, lamps and hand contact at the shelf")
    notify: NotifySettings = Field(NotifySettings(), description="who is told outside the board, and how")
    loop: LoopSettings = Field(LoopSettings(), description="how often the room is looked at")
    history: HistorySettings = Field(HistorySettings(), description="what is kept of the record")
    bench: BenchSettings = Field(BenchSettings(), description="the simulated room of a rehearsal")

    @classmethod
    def load(cls, path: str | Path | None = None, environ: Mapping[str, str] = os.environ) -> Self:
        """Reads a file (None: the embedded default) and the environment; raises SettingsError."""
        return load_settings(cls, Path(path) if path is not None else None, environ, PREFIX)

    @model_validator(mode="after")
    def _edges_agree(self) -> Self:
        if self.loop.tick_s > self.trust.bridge_s and self.loop.tick_s > self.trust.oldest_s:
            raise contradiction(
                f"a tick of {self.loop.tick_s:g} s is longer than a sample may be old "
                f"({self.trust.oldest_s:g} s) and longer than it is bridged ({self.trust.bridge_s:g} s): "
                "the probe would never be trusted for long",
                "loop.tick_s", "trust.oldest_s", "trust.bridge_s",
            )  # fmt: skip
        return self

    @model_validator(mode="after")
    def _the_shelf_leaves_the_relay_alone(self) -> Self:
        words, key = clash(self.shelf, self.relay)
        if words:
            raise contradiction(words, f"shelf.{key}", "relay.pin")
        return self

    @model_validator(mode="after")
    def _bench_fits(self) -> Self:
        """Two [[probe]] tables need no bench.second_probe: a rehearsal makes the second like the first."""
        bench = self.bench
        if bench.second_probe is not None and len(self.probe) < 2:
            raise contradiction(
                "the rehearsal has two probes, but there is only one [[probe]]: add a second [[probe]] "
                "table, or take bench.second_probe out",
                "bench.second_probe",
            )  # fmt: skip
        for fault in bench.fault:
            if fault.probe > len(self.probe) and fault.kind.startswith("probe-"):
                raise contradiction(
                    f"{fault.kind} is to befall the second probe, but there is only one [[probe]]",
                    "bench.fault",
                )
        if bench.humidifier.reserve_l >= self.tank.tank_l:
            raise contradiction(
                f"a full tank of {self.tank.tank_l:g} L holds no more than the "
                f"{bench.humidifier.reserve_l:g} L that the humidifier cannot draw: it would never run",
                "bench.humidifier.reserve_l", "tank.tank_l",
            )  # fmt: skip
        return self
