"""A small settings class with one of everything, and short ways to load a text with it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import time
from pathlib import Path
from typing import Literal, Self

import pytest
from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, SettingsConfigDict

from controller.core.limits import Limits, Rh
from controller.errors import SettingsError
from controller.settings.file import load_settings


class Target(Limits):
    day_rh_pct: Rh = Field(60.0, description="held by day")
    night_rh_pct: Rh = Field(70.0, description="Held by night.")
    day_from: time = Field(time(7, 30), description="when the day begins")
    night_from: time = time(20, 0)
    run_s_max: int = Field(600, ge=10, le=3600)
    ceiling_rh_pct: Rh | Literal["none"] = "none"
    lag_s: float | None = Field(None, gt=0, lt=60)

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if self.day_rh_pct > self.night_rh_pct:
            raise PydanticCustomError(
                "contradiction",
                "the day is damper than the night",
                {"keys": ["target.day_rh_pct", "night_rh_pct"]},
            )
        if self.day_from >= self.night_from:
            raise ValueError("the day begins after the night")
        return self


class Probe(Limits):
    kind: Literal["hwmon", "iio", "replay"] = "hwmon"
    bus: str = Field("", max_length=8, description="bus address of the chip")


class Keys(Limits):
    pin: int = Field(..., ge=0, le=27, description="GPIO number")
    label: str = "x"

    @field_validator("label")
    @classmethod
    def _plain(cls, value: str) -> str:
        if not value.isalpha():
            raise AssertionError("letters only")  # an assert would get more words from pytest
        return value


class Pace(Limits):
    save_s: float = Field(300.0, ge=1, le=900)
    sync_s: float = Field(60.0, ge=1, le=900)


class Loop(Limits):
    tick_s: float = Field(10.0, ge=1, le=300)
    pace: Pace = Pace()


class Toy(BaseSettings):
    model_config = SettingsConfigDict(frozen=True, extra="forbid", validate_default=True)

    active: bool = Field(True, description="false holds the relay off")
    target: Target = Target()
    probe: tuple[Probe, ...] = Field((Probe(),), min_length=1, max_length=2)
    keys: Keys = Keys(pin=17)
    loop: Loop = Loop()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.loop.tick_s > self.target.run_s_max:
            words = "a tick is longer than the longest run"
            raise PydanticCustomError(
                "contradiction", "{words}", {"words": words, "keys": ["loop.tick_s", "target.run_s_max"]}
            )
        return self


Load = Callable[..., Toy]
Refused = Callable[..., list[str]]


@pytest.fixture(scope="session")
def toy() -> type[Toy]:
    return Toy


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """Loads a text as a file of version 1 (the version is line 1) with the variables given."""

    def loading(text: str, **environ: str) -> Toy:
        path = tmp_path / "room.toml"
        path.write_text("settings_version = 1\n" + text, encoding="utf-8")
        return load_settings(Toy, path, environ)

    return loading


@pytest.fixture
def refused(load: Load, tmp_path: Path) -> Refused:
    """The paragraphs of the refusal, each without the folder of the file."""

    def refusing(text: str, **environ: str) -> list[str]:
        with pytest.raises(SettingsError) as caught:
            load(text, **environ)
        return str(caught.value).replace(f"{tmp_path}/", "").split("\n")

    return refusing
