"""What a keeper may write about probes and the relay's line."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from controller.devices.settings import ProbeSettings, RelaySettings


def test_nothing_written_touches_nothing() -> None:
    assert ProbeSettings().kind == "simulated"
    assert RelaySettings().kind == "simulated"


@pytest.mark.parametrize(
    "written",
    [
        {"kind": "hwmon", "at": "1-0044"},
        {"kind": "iio", "chip": "bme280"},
        {"kind": "replay", "file": "room.csv"},
    ],
)
def test_enough_to_find_a_probe(written: dict[str, Any]) -> None:
    assert ProbeSettings(**written).kind == written["kind"]


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ({"kind": "hwmon"}, 'kind = "hwmon" needs at'),
        ({"kind": "iio", "file": "x"}, 'kind = "iio" needs at'),
        ({"kind": "replay", "at": "1-0044"}, 'kind = "replay" needs file'),
        ({"kind": "replay", "file": " "}, "needs file"),
        ({"kind": "usb"}, "hwmon"),
        ({"kind": "hwmon", "at": "../1-0044"}, "pattern"),
        ({"kind": "hwmon", "adress": "1-0044"}, "Extra inputs"),
    ],
)
def test_too_little_or_wrong_is_refused_in_words(written: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        ProbeSettings(**written)


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "gpiozero", "pin": 28},
        {"kind": "libgpiod", "pin": 512},
        {"kind": "pigpio"},
        {"pin": -1},
        {"pin": True},
        {"pin": 1.5},
        {"chip": -1},
        {"chip": True},
    ],
)
def test_a_line_that_cannot_be_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        RelaySettings(**wrong)


def test_a_line_of_another_board() -> None:
    relay = RelaySettings(kind="libgpiod", pin=411, chip=2, active_high=False)
    assert (relay.device, relay.off_level) == ("/dev/gpiochip2", 1)
    with pytest.raises(ValidationError, match='knows pin 0 to 27, not 28; other boards: kind = "libgpiod"'):
        RelaySettings(kind="gpiozero", pin=28)


@pytest.mark.parametrize("model", [ProbeSettings, RelaySettings])
def test_every_key_is_described(model: Any) -> None:
    assert all(field.description for field in model.model_fields.values())
