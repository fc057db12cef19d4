"""The air conditioner: holds its temperature within its power; dries if its coil is below the dew point."""

from __future__ import annotations

from math import exp
from typing import Any

import psychrolib
import pytest

from controller.simulator.room import Drive, Room
from controller.simulator.weather import Outdoor
from tests.simulator.rooms import HOUR_S, PRESSURE_PA, make, ratio_of, run

VENTILATION_KW_PER_K = 0.5 / HOUR_S * 35.008 * 1.006  # 30 m3, 0.5 /h, 24 °C 60 %; cp of ASHRAE HoF 2017 ch.1
LOSS_KW_PER_K = 0.045 + VENTILATION_KW_PER_K
HOT = Outdoor(34.0, 0.015, PRESSURE_PA)


def cooled(cooling: dict[str, Any], **room: Any) -> Room:
    return make(room, cooling={"cooler_w": 3000, "cool_above_c": 26, "coil_c": 10, **cooling})


def test_it_holds_its_temperature_and_takes_what_comes_in() -> None:
    room = cooled({})
    for _ in range(12 * 60):
        room.advance(60.0, False, HOT, Drive(24.0))
        assert room.temp_c <= 26.0 + 1e-9
    assert room.temp_c == pytest.approx(26.0, abs=1e-9)
    before_kwh = room.cooling_kwh
    run(room, 5.0, HOT)
    # steady state: (UA + n m cp) dT; tolerance 1e-4
    assert room.cooling_kwh - before_kwh == pytest.approx(5 * LOSS_KW_PER_K * 8.0, rel=1e-4)
    assert room.heat_kwh == 0.0


def test_one_that_is_too_weak_approaches_its_own_balance() -> None:
    room = cooled({"cooler_w": 200})
    room.temp_c = 34.0
    settled_c = 34.0 - 0.2 / LOSS_KW_PER_K
    assert settled_c > 26.0
    for minute in range(1, 10 * 60 + 1):
        room.advance(60.0, False, HOT, Drive(24.0))
        # exact first-order answer; tolerance 1e-3 K
        exact = settled_c + (34.0 - settled_c) * exp(-LOSS_KW_PER_K * 60 * minute / 900)
        assert room.temp_c == pytest.approx(exact, abs=1e-3)


def test_it_rests_below_its_temperature() -> None:
    room = cooled({})
    run(room, 10.0, Outdoor(5.0, 0.004, PRESSURE_PA))
    assert (room.cooling_kwh, room.dried_kg) == (0.0, 0.0)
    assert room.temp_c == pytest.approx(24.0, abs=1e-9)


def test_it_dries_to_the_balance_of_its_coil() -> None:
    room = cooled({})
    run(room, 60.0, HOT)
    # steady: n m (Wo - W) = Q / (cp (T - Tcoil)) (W - Wcoil), solved for W by hand; tolerance 1e-3
    flow = LOSS_KW_PER_K * 8.0 / (1.006 * (26.0 - 10.0))
    vent = 0.5 / HOUR_S * 35.008
    coil = psychrolib.GetSatHumRatio(10.0, PRESSURE_PA)
    settled = (vent * HOT.humidity_ratio + flow * coil) / (vent + flow)
    assert coil + 0.0005 < settled < HOT.humidity_ratio - 0.002
    assert room.ratio == pytest.approx(settled, rel=1e-3)
    before_kg = room.dried_kg
    run(room, 4.0, HOT)
    assert room.dried_kg - before_kg == pytest.approx(
        4 * HOUR_S * vent * (HOT.humidity_ratio - settled), rel=3e-3
    )


@pytest.mark.parametrize(("coil_c", "dries"), [(10.0, False), (9.0, True)])
def test_water_is_taken_only_below_the_dew_point(coil_c: float, dries: bool) -> None:
    """20 °C 50 % has its dew point at 9.27 °C (psychrolib); so has its water at 26 °C."""
    damp = ratio_of(20.0, 50.0)
    room = cooled({"coil_c": coil_c})
    room.ratio = room.store_ratio = damp
    run(room, 6.0, Outdoor(34.0, damp, PRESSURE_PA))
    assert room.cooling_kwh > 1.0
    assert (room.dried_kg > 0.0) == dries


def test_heat_is_kept_account_of() -> None:
    room = cooled({"cooler_w": 400}, heater_w=1500)
    start_c = room.temp_c
    for hour in range(60):
        outdoor = Outdoor(36.0 if hour % 24 > 12 else 2.0, 0.006, PRESSURE_PA)
        run(room, 1.0, outdoor)
    stored_kwh = 900 * (room.temp_c - start_c) / 3600
    assert min(room.heat_kwh, room.cooling_kwh) > 1.0
    # closed to 1e-9 of what was moved
    left_kwh = room.heat_kwh - room.taken_kwh - room.cooling_kwh - room.lost_kwh
    assert left_kwh == pytest.approx(stored_kwh, abs=1e-9 * (room.heat_kwh + room.cooling_kwh))


def test_no_cooler_however_big_takes_more_water_than_is_there() -> None:
    room = cooled({"cooler_w": 50000, "cool_above_c": 20, "coil_c": 2}, volume_m3=2, warm_temp_c=20)
    room.temp_c = 45.0
    coil = psychrolib.GetSatHumRatio(2.0, PRESSURE_PA)
    for _ in range(100):
        room.advance(60.0, False, Outdoor(45.0, 0.006, PRESSURE_PA), Drive(20.0))
        assert room.ratio >= coil - 1e-9
