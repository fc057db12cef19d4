"""What a keeper may write about the shelf."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from controller.devices.settings_shelf import ShelfSettings
from controller.errors import SettingsError
from controller.settings import Settings
from tests.shelf.helpers import ALL


def load(tmp_path: Path, text: str, **environ: str) -> Settings:
    path = tmp_path / "room.toml"
    path.write_text("settings_version = 1\n" + text)
    return Settings.load(path, environ)


def test_nothing_is_fitted_unless_it_is_written() -> None:
    assert ShelfSettings().pins == {}
    assert ShelfSettings().lamps == {}


def test_all_of_it() -> None:
    assert ALL.pins == {
        "button_pin": 23,
        "hand_pin": 27,
        "lamp_running_pin": 24,
        "lamp_refill_pin": 25,
        "lamp_alarm_pin": 22,
    }
    assert ALL.lamps == {"running": 24, "refill": 25, "alarm": 22}


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"button_pin": 5, "hand_pin": 5}, "button_pin and hand_pin are both pin 5"),
        ({"lamp_running_pin": 5, "lamp_alarm_pin": 5}, "lamp_running_pin and lamp_alarm_pin are both pin 5"),
        ({"button_pin": -1}, "greater than or equal to 0"),
        ({"button_pin": 512}, "less than or equal to 511"),
        ({"button_pin": True}, "true and false are not values here"),
        ({"button_pull": "none"}, "'up' or 'down'"),
        ({"long_press_s": 0.1}, "greater than or equal to 0.5"),
        ({"long_press_s": 31}, "less than or equal to 10"),
        ({"buton_pin": 5}, "Extra inputs"),
    ],
)
def test_what_cannot_be_is_refused(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        ShelfSettings(**wrong)


@pytest.mark.parametrize("kind", ["gpiozero", "libgpiod"])
def test_the_relays_own_line_is_refused_with_file_and_line(tmp_path: Path, kind: str) -> None:
    text = f'[relay]\nkind = "{kind}"\npin = 23\n[shelf]\nbutton_pin = 23\n'
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    assert "pin 23 is the relay's line: shelf.button_pin needs a pin of its own" in str(caught.value)
    assert "line 6" in str(caught.value)


def test_a_pin_that_is_not_on_the_header(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"knows pin 0 to 27, not 40 \(shelf.hand_pin\)"):
        load(tmp_path, '[relay]\nkind = "gpiozero"\n[shelf]\nhand_pin = 40\n')
    assert load(tmp_path, '[relay]\nkind = "libgpiod"\n[shelf]\nhand_pin = 40\n').shelf.hand_pin == 40


def test_beside_a_simulated_relay_any_pin_may_be_written(tmp_path: Path) -> None:
    assert load(tmp_path, "[shelf]\nbutton_pin = 17\n").shelf.button_pin == 17


def test_from_the_environment(tmp_path: Path) -> None:
    assert load(tmp_path, "", HYGROHOLD_SHELF__BUTTON_PIN="23").shelf.button_pin == 23


def test_every_key_is_described() -> None:
    assert all(field.description for field in ShelfSettings.model_fields.values())


def test_the_commented_pins_of_the_documented_file_fit_together() -> None:
    """Whoever takes the hash signs away must get settings that load, beside the relay of that file."""
    text = (Path(__file__).parents[2] / "config" / "room.toml").read_text(encoding="utf-8")
    section = text.split("\n[shelf]\n")[1].split("\n[")[0]
    pins = [line.removeprefix("# ") for line in section.splitlines() if "_pin = " in line]
    assert len(pins) == 5
    import tomllib

    shelf = ShelfSettings(**tomllib.loads("\n".join(pins)))
    assert Settings(relay={"kind": "gpiozero"}, shelf=shelf.model_dump()).shelf == shelf
