"""Figures as people write them.

Check values: NIST Special Publication 811, appendix B.8: US gallon 3.785412 L, foot 0.3048 m, square foot
0.09290304 m², cubic foot 0.02831685 m³, and 77 °F = 25 °C, 32 °F = 0 °C by (t - 32)/1.8. Shown to 0.01.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.first_setup import measures
from controller.first_setup.person import Nonsense


def rh(text: str) -> float:
    return measures.rh_pct(text, 20, 90)


def hours(text: str) -> float:
    return measures.hours(text, 0.5, 24)


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (measures.litres, "4", 4.0),
        (measures.litres, "3.8 l", 3.8),
        (measures.litres, "3,8 Litres", 3.8),
        (measures.litres, "1 gal", 3.79),
        (measures.litres, "1.5 gallons", 5.68),
        (measures.litres, "750ml", 0.75),
        (measures.litres, ".5", 0.5),
        (measures.metres, "2.5", 2.5),
        (measures.metres, "250 cm", 2.5),
        (measures.metres, "8 ft", 2.44),
        (measures.metres, "8'", 2.44),
        (measures.floor_or_volume, "12", (12.0, False)),
        (measures.floor_or_volume, "12 m²", (12.0, False)),
        (measures.floor_or_volume, "3 x 4 m", (12.0, False)),
        (measures.floor_or_volume, "3m x 4m", (12.0, False)),
        (measures.floor_or_volume, "3,5x4", (14.0, False)),
        (measures.floor_or_volume, "10 x 12 ft", (11.15, False)),
        (measures.floor_or_volume, "130 Sq  Ft", (12.08, False)),
        (measures.floor_or_volume, "30 m3", (30.0, True)),
        (measures.floor_or_volume, "1000 cu ft", (28.32, True)),
        (measures.celsius, "25", 25.0),
        (measures.celsius, "25.5 °C", 25.5),
        (measures.celsius, "77 F", 25.0),
        (measures.celsius, "77°f", 25.0),
        (rh, "65", 65.0),
        (rh, "65 %", 65.0),
        (rh, "65,5%RH", 65.5),
        (hours, "10", 10.0),
        (hours, "10 hours", 10.0),
        (hours, "45 min", 0.75),
        (measures.output_l_per_h, "300 ml/h", 0.3),
        (measures.output_l_per_h, "0.3 l / hour", 0.3),
        (measures.output_l_per_h, "0.1 gal per hour", 0.379),
        (measures.output_l_per_h, "10 h", None),
        (measures.time_of_day, "7", time(7)),
        (measures.time_of_day, "07:30", time(7, 30)),
        (measures.time_of_day, "7.30", time(7, 30)),
        (measures.time_of_day, "9 pm", time(21)),
        (measures.time_of_day, "9:15 P.M.", time(21, 15)),
        (measures.time_of_day, "12 am", time(0)),
        (measures.time_of_day, "12 pm", time(12)),
        (measures.time_of_day, "0:00", time(0)),
        (measures.times_of_day, "19:00, 8:00", (time(8), time(19))),
        (measures.times_of_day, "8 am and 7 pm", (time(8), time(19))),
        (measures.times_of_day, "8 8", (time(8),)),
    ],
)
def test_understood(read: Callable[[str], Any], text: str, value: Any) -> None:
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (measures.litres, "big", '"big" is not understood. Write it like 4, 3.8 l or 1 gal.'),
        (measures.litres, "4 buckets", '"4 buckets" is not understood'),
        (measures.litres, "1,200", '"1,200" could be two figures'),
        (measures.litres, "0", "0 L is not between 0.1 and 500."),
        (measures.litres, "-4", "-4 L is not between"),
        (measures.litres, "9e9", "not understood"),
        (measures.litres, "9" * 400, "is not between"),
        (measures.litres, "nan", "not understood"),
        (measures.metres, "8", None),
        (measures.metres, "25", "25 m of height is not between 1.5 and 10."),
        (measures.floor_or_volume, "0 x 4", "0 m² of floor is not between"),
        (measures.floor_or_volume, "3 x", "not understood"),
        (measures.floor_or_volume, "9999 m3", "9999 m³ is not between"),
        (measures.celsius, "77", "If Fahrenheit is meant, write 77 F."),
        (measures.celsius, "500", "500 °C is not between 5 and 45."),
        (measures.celsius, "25 K", "not understood"),
        (measures.celsius, "warm", "not understood"),
        (rh, "0.65", "Write 65, if that is meant."),
        (rh, "95", "95 % is not between 20 and 90."),
        (hours, "25", "25 hours is not between"),
        (measures.output_l_per_h, "300/h", "not understood"),
        (measures.output_l_per_h, "900 l/h", "900 L/h is not between"),
        (measures.time_of_day, "25:00", '"25:00" is no time of day. Write it like 07:30 or 9 pm.'),
        (measures.time_of_day, "7:75", "no time of day"),
        (measures.time_of_day, "13 pm", "no time of day"),
        (measures.time_of_day, "noon", "no time of day"),
        (measures.times_of_day, "1 2 3 4 5 6 7", "one to six"),
        (measures.times_of_day, ",", "one to six"),
    ],
)
def test_not_understood(read: Callable[[str], Any], text: str, words: str | None) -> None:
    if words is None:
        assert read(text) == 8.0
        return
    with pytest.raises(Nonsense) as nonsense:
        read(text)
    assert words in str(nonsense.value)


@given(st.text(max_size=30))
def test_anything_typed_is_understood_or_refused(text: str) -> None:
    for read in (
        measures.litres, measures.metres, measures.floor_or_volume, measures.celsius, rh, hours,
        measures.output_l_per_h, measures.time_of_day, measures.times_of_day,
    ):  # fmt: skip
        with suppress(Nonsense):  # and nothing else
            read(text.strip())
