"""The settings of a rehearsal: the room, its heating, humidifier, probe and keeper, and the weather.

Every default is a plausible heated room of ours; none is measured. ``[bench.*]`` says what is true
in the rehearsal, the other tables what the controller believes: the two may differ on purpose.
"""

from __future__ import annotations

from datetime import datetime, time
from functools import cached_property
from typing import Self

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from controller.core.limits import Limits, Litres, Rh, TempC, contradiction, seconds_of_day
from controller.simulator.climate import CLIMATES
from controller.simulator.cooling import BenchCooling
from controller.simulator.enclosure import BenchEnclosure
from controller.simulator.envelope import BenchLeak, BenchStore, BenchWall
from controller.simulator.faults import BenchFault
from controller.simulator.humidifier import BenchHumidifier as BenchHumidifier
from controller.simulator.sensor import BenchProbe as BenchProbe
from controller.simulator.sources import BenchSources


class BenchRoom(Limits):
    """The room's air, its moisture store and its heat."""

    volume_m3: float = Field(30.0, ge=1, le=2000, description="volume of the room")
    air_changes_per_h: float = Field(
        0.5, ge=0.01, le=20, description="how often its air is exchanged an hour"
    )
    store_times_air: float = Field(
        3.0, ge=0, le=50, description="moisture the walls and substrate take up, in multiples of the air's"
    )
    store_hours: float = Field(1.0, ge=0.05, le=100, description="how slowly they take it up")
    start_rh_pct: Rh = Field(40.0, description="humidity at the beginning")
    warm_temp_c: TempC = Field(25.0, description="temperature held while the day's heating is on")
    cool_temp_c: TempC = Field(23.0, description="temperature held at night")
    warm_from: time = Field(time(7, 0), description="when the day's heating begins")
    cool_from: time = Field(time(21, 0), description="when the night's begins")
    heater_w: float = Field(2000.0, ge=0, le=50000, description="the most the heating can give")
    heat_loss_w_per_k: float = Field(45.0, ge=1, le=2000, description="loss through walls, for each K")
    heat_store_kj_per_k: float = Field(900.0, ge=10, le=100000, description="heat held by room and contents")
    mist_cools: bool = Field(True, description="cold mist takes its heat of evaporation from the room")

    @cached_property
    def warm_s(self) -> tuple[int, int]:
        """Begin of the warm hours, and their length, in seconds."""
        begin = seconds_of_day(self.warm_from)
        return begin, (seconds_of_day(self.cool_from) - begin) % 86400


class BenchKeeper(Limits):
    """When the simulated keeper looks in and fills the tank."""

    looks_in: tuple[time, ...] = Field((time(8, 0), time(19, 0)), max_length=24, description="every day at")
    fills_below_l: Litres = Field(2.5, ge=0, le=500, description="fills to the top if less is left")
    tells: bool = Field(True, description="notes every filling")


class BenchOpening(Limits):
    """A door or window that stands open every day for a while, to air like that outdoors."""

    at: time = Field(time(18, 0), description="every day at")
    minutes: float = Field(10.0, ge=0, le=1440, description="for so long")
    air_changes_per_h: float = Field(6.0, ge=0, le=60, description="air exchanged while open, an hour")


class BenchSettings(Limits):
    """A rehearsal."""

    days: float = Field(14.0, ge=0.01, le=3700, description="length")
    seed: int = Field(1, ge=0, le=2**31 - 1, description="the same seed gives the same rows")
    starts: datetime = Field(datetime(2026, 1, 12), description="local date and time of the first tick")  # noqa: DTZ001
    climate: str = Field("continental-winter", max_length=60, description="a built-in, invented climate")
    weather_file: str = Field("", max_length=4096, description="a weather file instead: EPW, TMY3 or CSV")
    room: BenchRoom = BenchRoom()
    humidifier: BenchHumidifier = BenchHumidifier()
    probe: BenchProbe = BenchProbe()
    second_probe: BenchProbe | None = None
    keeper: BenchKeeper = BenchKeeper()
    leak: BenchLeak = BenchLeak()
    wall: BenchWall = BenchWall()
    store: BenchStore = BenchStore()
    sources: BenchSources = BenchSources()
    opening: tuple[BenchOpening, ...] = Field((), max_length=24, description="doors and windows")
    cooling: BenchCooling = BenchCooling()
    enclosure: BenchEnclosure = BenchEnclosure()
    fault: tuple[BenchFault, ...] = Field((), max_length=50, description="what goes wrong, and when")

    @field_validator("climate")
    @classmethod
    def _is_one(cls, value: str) -> str:
        if value not in CLIMATES:
            raise PydanticCustomError(
                "climate", "there is no such climate; choose one of {names}", {"names": ", ".join(CLIMATES)}
            )
        return value

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.cooling.cooler_w > 0.0 and self.cooling.cool_above_c < self.room.warm_temp_c:
            raise contradiction(
                f"the cooler begins at {self.cooling.cool_above_c:g} °C, below the "
                f"{self.room.warm_temp_c:g} °C that the heating holds",
                "bench.cooling.cool_above_c", "bench.room.warm_temp_c",
            )  # fmt: skip
        if self.store.nordtest_class and not self.store.area_m2:
            raise contradiction(
                "a Nordtest class needs the area of such surface",
                "bench.store.nordtest_class", "bench.store.area_m2",
            )  # fmt: skip
        for number, fault in enumerate(self.fault, 1):
            if fault.starts_h > self.days * 24.0:
                raise contradiction(
                    f"fault {number}, {fault.kind}, begins after {fault.starts_h:g} h, and the "
                    f"rehearsal ends after {self.days * 24.0:g}",
                    "bench.fault", "bench.days",
                )  # fmt: skip
        if self.starts.tzinfo is not None:
            raise contradiction("starts is local time: leave the offset out", "bench.starts")
        return self
