"""Units: NIST Special Publication 811 (2008), appendix B.8 and B.9, and what the inch defines exactly."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from controller import Settings
from controller.core import units
from controller.core.units import said


@pytest.mark.parametrize(
    ("text", "into", "value"),
    [
        ("1 gal", units.litres, 3.785412),  # SP 811 B.8: gallon (US), 3.785412 E-03 m3
        ("1 fl oz", units.litres, 0.02957353),  # SP 811 B.8: ounce (US fluid), 2.957353 E-05 m3
        ("128 Fluid Ounces", units.litres, 3.785412),
        ("250 ml", units.litres, 0.25),
        ("1 gal/h", units.litres_an_hour, 3.785412),
        ("300 ml per hour", units.litres_an_hour, 0.3),
        ("32 °F", units.celsius, 0.0),  # SP 811 B.8: t/°C = (t/°F - 32)/1.8
        ("212F", units.celsius, 100.0),
        ("-40 °F", units.celsius, -40.0),
        ("16 °C", units.celsius, 16.0),
        ("1.8 °F", units.kelvin, 1.0),  # SP 811 B.8: a difference, T/K = (T/°F)/1.8
        ("2 K", units.kelvin, 2.0),
    ],
)
def test_a_figure_with_its_unit(text: str, into: units.Into, value: float) -> None:
    assert units.read(text, into) == pytest.approx(value, rel=2e-7, abs=1e-9)


@pytest.mark.parametrize(
    "text", ["", "gal", "1", "2.5", ".5", "1 bucket", "1 gal gal", "one gal", "1,5 gal", "nan gal", "1 gal/h"]
)
def test_what_is_no_amount_of_water_is_not_guessed(text: str) -> None:
    assert units.read(text, units.litres) is None


def test_settings_take_a_unit_where_the_name_has_another() -> None:
    settings = Settings(
        tank={"tank_l": "1 gal", "full_tank_lasts_h": 10},
        guards={"lowest_temp_c": "50 °F"},
        trust={"jump_temp_c": "9 °F"},
    )
    assert settings.tank.tank_l == pytest.approx(3.785412, abs=1e-6)
    assert settings.guards.lowest_temp_c == 10.0
    assert settings.trust.jump_temp_c == 5.0  # a difference: no 32 in it


@pytest.mark.parametrize("tank", ["1 bucket", "1 °F", "0 gal", "1e9 gal", "1000 gal"])
def test_a_wrong_unit_or_a_figure_out_of_bounds_is_refused(tank: str) -> None:
    with pytest.raises(ValidationError):
        Settings(tank={"tank_l": tank})


@pytest.mark.parametrize(
    ("si", "us"),
    [
        (
            "the room is at 10.0 °C and gets no mist below 15 °C",
            "the room is at 50.0 °F and gets no mist below 59 °F",
        ),
        ("held at 20 to 25 °C", "held at 68 to 77 °F"),
        ("outdoors -40 °C", "outdoors -40 °F"),
        ("-0.01 °C and -17.8 °C", "31.98 °F and 0.0 °F"),  # no minus before nothing
        ("0.5 K above the dew point", "0.9 °F above the dew point"),
        ("about 3.8 L left, empty at about 16:40", "about 1.00 gal left, empty at about 16:40"),
        ("0.3 L an hour, 0.4 L/h, 7.6 L a day", "10 fl oz an hour, 14 fl oz/h, 2.01 gal a day"),
        ("0.1 L", "3.4 fl oz"),
        ("65.2 %RH, a tank, 12 h, 10 km, 3 Levels, v1.5 L-shaped, 45 W/K", None),
    ],
)
def test_sentences_in_us_units(si: str, us: str | None) -> None:
    assert said(si, "us") == (si if us is None else us)
    assert said(si, "si") == si
