"""Enclosures: a second volume of air behind the room's, slower, and damper by its dish."""

from __future__ import annotations

from math import exp
from typing import Any

import numpy as np
import psychrolib
import pytest
from scipy.linalg import expm  # type: ignore[import-untyped]

from controller.simulator.enclosure import BenchEnclosure, Enclosure
from controller.simulator.room import Drive
from tests.simulator.rooms import HOUR_S, PRESSURE_PA, air_of, make, ratio_of, run

DAMP = ratio_of(24.0, 70.0)


def alone(**settings: Any) -> Enclosure:
    return Enclosure(BenchEnclosure(volume_m3=0.5, **settings), 24.0, ratio_of(24.0, 40.0), PRESSURE_PA)


def test_its_air_is_warmer_and_so_drier_for_the_same_water() -> None:
    it = alone(warmer_by_k=3)
    assert it.temp_c == 27.0
    # psychrolib; tolerance 1e-9
    expected = 100 * psychrolib.GetRelHumFromHumRatio(27.0, it.ratio, PRESSURE_PA)
    assert it.rh_pct == pytest.approx(expected, rel=1e-9)
    # the gas law at 27 °C, 0.5 m3: (p - pv) V / (R T); tolerance 1e-4
    vapour_pa = 0.40 * psychrolib.GetSatVapPres(24.0)
    assert it.dry_air_kg == pytest.approx((PRESSURE_PA - vapour_pa) * 0.5 / (287.042 * 300.15), rel=1e-4)


@pytest.mark.parametrize("tick_s", [5.0, 60.0])
def test_it_follows_a_damper_room_by_its_vents_and_substrate(tick_s: float) -> None:
    it = alone(vents_per_h=2, substrate_times_air=10, substrate_hours=4)
    n, back = 2 / HOUR_S, 1 / (4 * HOUR_S)
    matrix = np.array([[-n - 10 * back, 10 * back], [back, -back]])
    off = np.array([it.ratio - DAMP, it.store_ratio - DAMP])
    for count in range(1, round(12 * HOUR_S / tick_s) + 1):
        it.run(tick_s, 24.0, DAMP)
        if count % round(HOUR_S / tick_s) == 0:
            # scipy.linalg.expm; tolerance 1e-9
            exact = expm(matrix * count * tick_s) @ off
            assert (it.ratio - DAMP, it.store_ratio - DAMP) == pytest.approx(tuple(exact), rel=1e-9)
    bare = alone(vents_per_h=2, substrate_times_air=0)
    run_s = round(HOUR_S / tick_s)
    for _ in range(run_s):
        bare.run(tick_s, 24.0, DAMP)
    # without substrate: exp(-n t); exact
    assert bare.ratio - DAMP == pytest.approx((ratio_of(24.0, 40.0) - DAMP) * exp(-2.0), rel=1e-9)


def test_a_dish_inside_keeps_it_damper_than_the_room() -> None:
    it = alone(vents_per_h=1, substrate_times_air=5, dish_m2=0.02, warmer_by_k=2)
    room_ratio = ratio_of(24.0, 40.0)
    for _ in range(200 * 60):
        it.run(60.0, 24.0, room_ratio)
    # steady: n m (W - Wroom) = 4e-5 x 0.5 A (pws(24) - pv), kPa (ASHRAE HVAC Applications, natatoriums, from
    # memory), solved by bisection here; tolerance 1e-3
    low, high = room_ratio, psychrolib.GetSatHumRatio(24.0, PRESSURE_PA)
    for _ in range(60):
        ratio = 0.5 * (low + high)
        vapour_pa = PRESSURE_PA * ratio / (0.621945 + ratio)
        dish = 2e-5 * 0.02 * 1e-3 * (psychrolib.GetSatVapPres(24.0) - vapour_pa)
        low, high = (ratio, high) if dish > it.dry_air_kg / HOUR_S * (ratio - room_ratio) else (low, ratio)
    assert ratio > room_ratio * 1.2
    assert it.ratio == pytest.approx(ratio, rel=1e-3)
    assert it.rh_pct > 100 * psychrolib.GetRelHumFromHumRatio(26.0, room_ratio, PRESSURE_PA) + 5


def test_it_swings_less_and_later_than_the_room() -> None:
    """Mist for 2 h of 6 h: the enclosure's peak comes later, and its swing is less than half."""
    room = make(rate_l_per_h=0.25, enclosure={"volume_m3": 0.5, "vents_per_h": 2, "warmer_by_k": 0})
    enclosure = room.enclosure
    assert enclosure is not None
    inside: list[float] = []
    outside: list[float] = []

    def look() -> None:
        inside.append(enclosure.rh_pct)
        outside.append(room.rh_pct)

    outdoor = air_of(5.0, 80.0)
    for _ in range(12):
        run(room, 2.0, outdoor, on=True, look=look)
        run(room, 4.0, outdoor, look=look)
    last_in, last_out = inside[-360:], outside[-360:]
    assert max(last_out) < 100.0
    assert max(last_out) - min(last_out) > 2 * (max(last_in) - min(last_in))
    assert last_in.index(max(last_in)) > last_out.index(max(last_out)) + 5
    # no dish, no warmth: in the long run both have the same water; tolerance 3 % of the swing's mean
    assert sum(last_in) == pytest.approx(sum(last_out), rel=0.03)


def test_room_and_enclosure_make_and_lose_no_water() -> None:
    """Hardly ventilated (0.01 /h, outdoors as the room): what the dish gave is in the two airs."""
    room = make(
        {"air_changes_per_h": 0.01, "start_rh_pct": 50, "store_times_air": 2},
        enclosure={"volume_m3": 2, "dish_m2": 0.01, "vents_per_h": 5},
    )
    assert room.enclosure is not None
    before_kg = room.water_kg
    run(room, 30.0, air_of(24.0, 50.0))
    given_kg = room.enclosure.from_dish_kg
    assert given_kg > 0.01
    found_kg = room.water_kg - before_kg + room.vented_kg
    assert found_kg == pytest.approx(given_kg, rel=1e-9)
    # vented by hand: n m times the mean excess; only a small share goes
    assert 0.0 < room.vented_kg < 0.2 * given_kg


def test_a_room_with_enclosures_is_slower_too() -> None:
    """Its water comes from the room: 10 m3 behind wide vents add their air to the room's 30 m3."""
    plain = make({"air_changes_per_h": 0.5, "start_rh_pct": 80})
    both = make(
        {"air_changes_per_h": 0.5, "start_rh_pct": 80},
        enclosure={"volume_m3": 10, "vents_per_h": 60, "substrate_times_air": 0, "warmer_by_k": 0},
    )
    outdoor = air_of(0.0, 80.0)
    for room in (plain, both):
        run(room, 4.0, outdoor, drive=Drive(24.0), tick_s=10.0)
    excess, bare = both.ratio - outdoor.humidity_ratio, plain.ratio - outdoor.humidity_ratio
    # in the limit of wide vents exp(n t (1 - 30/40)) = exp(0.5); tolerance 3 %: the vents lag by a minute
    assert excess / bare == pytest.approx(exp(0.5), rel=0.03)
