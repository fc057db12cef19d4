"""The room's moisture by itself: exact at any tick, delay, dry tank, saturation."""

from __future__ import annotations

from math import cosh, exp, inf, sinh, sqrt
from typing import Any

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor

psychrolib.SetUnitSystem(psychrolib.SI)
PRESSURE_PA = 101325.0
HOUR_S = 3600.0
DRY = Outdoor(0.0, 0.003, PRESSURE_PA)
PLAIN: dict[str, Any] = {
    "volume_m3": 30,
    "air_changes_per_h": 0.5,
    "store_times_air": 0,
    "warm_temp_c": 24,
    "cool_temp_c": 24,
    "heater_w": 50000,
    "mist_cools": False,
}


def make(rate_l_per_h: float = 0.3, tank_l: float = inf, delay_s: float = 0.0, **room: Any) -> Room:
    bench = BenchSettings(room={**PLAIN, **room}, humidifier={"mist_delay_s": delay_s})
    return Room(bench, rate_l_per_h, tank_l)


def run(room: Room, seconds: float, on: bool, tick_s: float = 60.0) -> None:
    for _ in range(round(seconds / tick_s)):
        room.advance(tick_s, on, DRY, Drive(24.0))


def test_the_mass_of_dry_air_is_the_gas_law_s() -> None:
    # 30 m3 at 24 °C, 60 %: worked out by hand, 35.008 kg; tolerance 1e-4
    assert make().dry_air_kg == pytest.approx(35.008, rel=1e-4)
    # at 2200 m (77546 Pa, standard atmosphere) it is thinner: (p - pv) V / (R T); tolerance 1e-4
    vapour_pa = 0.6 * psychrolib.GetSatVapPres(24.0)
    high = Room(BenchSettings(room=PLAIN), 0.3, 4.0, 77546.0)
    assert high.dry_air_kg == pytest.approx((77546.0 - vapour_pa) * 30 / (287.042 * 297.15), rel=1e-4)


def test_it_begins_as_set() -> None:
    room = make(start_rh_pct=62, warm_temp_c=26, cool_temp_c=21)
    assert (room.rh_pct, room.temp_c, room.tank_l) == (62.0, 21.0, inf)
    # psychrolib, ASHRAE HoF 2017 ch.1; tolerance 1e-9
    assert room.ratio == pytest.approx(psychrolib.GetHumRatioFromRelHum(21.0, 0.62, PRESSURE_PA), rel=1e-9)
    assert room.store_ratio == room.ratio


def test_rh_is_what_psychrolib_makes_of_the_humidity_ratio() -> None:
    room = make(start_rh_pct=20)
    for _ in range(40):
        run(room, 600, True)
        # tolerance 1e-9
        expected = 100 * psychrolib.GetRelHumFromHumRatio(room.temp_c, room.ratio, PRESSURE_PA)
        assert room.rh_pct == pytest.approx(expected, rel=1e-9)


@given(st.lists(st.floats(0.01, 200.0), min_size=1, max_size=30), st.booleans())
def test_any_ticks_end_where_one_formula_ends(ticks_s: list[float], on: bool) -> None:
    room = make()
    start, n = room.ratio, 0.5 / HOUR_S
    settled = DRY.humidity_ratio + (0.3 / HOUR_S / (room.dry_air_kg * n) if on else 0.0)
    for tick_s in ticks_s:
        room.advance(tick_s, on, DRY, Drive(24.0))
    # exact first-order answer; tolerance 1e-9
    assert room.ratio == pytest.approx(settled + (start - settled) * exp(-n * sum(ticks_s)), rel=1e-9)
    assert room.used_l == pytest.approx(0.3 / HOUR_S * sum(ticks_s) if on else 0.0, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("hours", [0.05, 1.0, 30.0, 100.0])
def test_the_store_follows_the_closed_form_of_two_nodes(hours: float) -> None:
    """exp(A t) of a 2 x 2 matrix by its invariants (Moler and Van Loan 2003, method 14). Tolerance 1e-9."""
    room = make(store_times_air=3, store_hours=hours, start_rh_pct=80)
    n, back = 0.5 / HOUR_S, 1 / (hours * HOUR_S)
    a, b, c, d = -n - 3 * back, 3 * back, back, -back
    mean, seconds = 0.5 * (a + d), 5 * HOUR_S
    root = sqrt(mean * mean - (a * d - b * c))
    even, odd = cosh(root * seconds), sinh(root * seconds) / root
    off = room.ratio - DRY.humidity_ratio
    scale = exp(mean * seconds) * off
    air = scale * (even + odd * (a - mean) + odd * b)
    store = scale * (even + odd * (d - mean) + odd * c)
    run(room, seconds, False, 10.0)
    assert room.ratio - DRY.humidity_ratio == pytest.approx(air, rel=1e-9)
    assert room.store_ratio - DRY.humidity_ratio == pytest.approx(store, rel=1e-9)


def test_a_store_answers_to_rh_so_a_cooler_room_stays_nearly_as_damp() -> None:
    """Closed up at 25 °C 50 %, then at 20 °C: air alone would go to 67.8 %RH (3169.2 / 2338.8 Pa), a store
    of 40 times the air's keeps its water: W (1 + M), M by saturation; about 50.3 %; tolerance 0.1."""
    room = make(
        store_times_air=40, store_hours=0.5, air_changes_per_h=0.01, warm_temp_c=25, cool_temp_c=25,
        start_rh_pct=50, heat_loss_w_per_k=500,
    )  # fmt: skip
    ratio, water_kg = room.ratio, room.water_kg
    for _ in range(12 * 60):
        room.advance(60.0, False, Outdoor(0.0, room.ratio, PRESSURE_PA), Drive(20.0))
    assert room.temp_c == pytest.approx(20.0, abs=1e-6)
    assert room.water_kg == pytest.approx(water_kg, rel=1e-4)
    cold_times = 40 * psychrolib.GetSatVapPres(25.0) / psychrolib.GetSatVapPres(20.0)
    settled = ratio * 41 / (1 + cold_times)
    assert room.rh_pct == pytest.approx(
        100 * psychrolib.GetRelHumFromHumRatio(20.0, settled, PRESSURE_PA), abs=0.1
    )
    assert 50.0 < room.rh_pct < 51.0


def test_a_huge_and_quick_store_holds_the_air_still() -> None:
    """2000 m2 of the best class in 1 m3: M 23 000 at 3 min. Exact in the limit: exp(-n t / (1 + M)); 1e-6."""
    bench = BenchSettings(
        room={**PLAIN, "volume_m3": 1, "start_rh_pct": 80, "store_hours": 0.05},
        store={"nordtest_class": "excellent", "area_m2": 2000},
    )
    room = Room(bench, 0.0, 0.0)
    start = room.ratio - DRY.humidity_ratio
    run(room, 10 * HOUR_S, False)
    share = (room.ratio - DRY.humidity_ratio) / start
    assert share == pytest.approx(exp(-0.5 * 10 / 22970), abs=3e-6)


def test_a_quick_store_is_a_bigger_room() -> None:
    """A store in step with the air multiplies its capacity: falls with n / (1 + M), at leading order."""
    room = make(store_times_air=9, store_hours=0.05, start_rh_pct=80)
    start = room.ratio - DRY.humidity_ratio
    run(room, 10 * HOUR_S, False)
    # exact in the limit; tolerance 3 %: the store lags by 3 minutes
    assert (room.ratio - DRY.humidity_ratio) / start == pytest.approx(exp(-0.5 * 10 / 10), rel=0.03)


HISTORY = [(7200, True), (1800, False), (30, True), (30, False), (5400, True), (3600, False), (9000, True)]
ON_S = sum(seconds for seconds, on in HISTORY if on)


def trace(tick_s: int, tank_l: float, holds_c: tuple[float, float], **room: Any) -> list[tuple[float, ...]]:
    """Every 30 s, with the same relay history at any tick; the delay is a multiple of none."""
    made = make(0.3, tank_l, delay_s=47.0, **room)
    rows: list[tuple[float, ...]] = []
    t_s = 0
    for seconds, on in HISTORY:
        for _ in range(seconds // tick_s):
            made.advance(tick_s, on, DRY, Drive(holds_c[t_s >= 9900]))
            t_s += tick_s
            if t_s % 30 == 0:
                rows.append((made.ratio, made.store_ratio, made.temp_c, made.rh_pct, made.used_l))
    return rows


COURSES: dict[str, tuple[tuple[float, float], dict[str, Any]]] = {
    "a store at steady warmth": ((24.0, 24.0), {"store_times_air": 3}),
    "a heater at its limit": ((23.0, 25.0), {"store_times_air": 0, "heater_w": 1250}),
}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("tank_l", [inf, 0.9])
@pytest.mark.parametrize("tick_s", [5, 10, 30])
def test_the_same_relay_history_gives_the_same_trace_at_any_tick(
    tick_s: int, tank_l: float, course: str
) -> None:
    """Also where the tank runs dry within a step. Tolerance 1e-9."""
    holds_c, room = COURSES[course]
    fine, coarse = (trace(tick, tank_l, holds_c, **room) for tick in (1, tick_s))
    assert len(fine) == len(coarse) == sum(seconds for seconds, _ in HISTORY) / 30
    for one, other in zip(fine, coarse, strict=True):
        assert other == pytest.approx(one, rel=1e-9)
    assert fine[-1][4] == pytest.approx(min(tank_l, 0.3 * ON_S / HOUR_S), rel=1e-9)


@pytest.mark.parametrize("tick_s", [5, 10, 30])
def test_a_store_in_changing_temperature_hardly_knows_the_tick(tick_s: int) -> None:
    """Its M follows the temperature once a step: 6 % per K, 1.4 mK/s at 1250 W in 900 kJ/K.

    Tolerance 0.15 % of the store's balance for half of 30 s of lag, less for shorter ones; 0.005 %RH.
    """
    course = {"store_times_air": 3, "heater_w": 1250}
    fine, coarse = (trace(tick, inf, (23.0, 25.0), **course) for tick in (1, tick_s))
    for one, other in zip(fine, coarse, strict=True):
        assert other[1] == pytest.approx(one[1], rel=0.0015 * tick_s / 30)
        assert other[3] == pytest.approx(one[3], abs=0.005)
        assert (other[2], other[4]) == pytest.approx((one[2], one[4]), rel=1e-9)


@pytest.mark.parametrize("tick_s", [0.7, 60.0, 200.0])
def test_mist_arrives_after_its_delay_and_not_before(tick_s: float) -> None:
    room = make(delay_s=350.0, start_rh_pct=40)
    start, n = room.ratio, 0.5 / HOUR_S
    t_s = 0.0
    while t_s < 345.0 - tick_s:
        room.advance(tick_s, True, DRY, Drive(24.0))
        t_s += tick_s
        dry = DRY.humidity_ratio + (start - DRY.humidity_ratio) * exp(-n * t_s)
        assert room.ratio == pytest.approx(dry, rel=1e-9)
    room.advance(1400.0 - t_s, True, DRY, Drive(24.0))
    at_350 = DRY.humidity_ratio + (start - DRY.humidity_ratio) * exp(-n * 350)
    settled = DRY.humidity_ratio + 0.3 / HOUR_S / (room.dry_air_kg * n)
    # exact first-order answer from 350 s on; tolerance 1e-9
    assert room.ratio == pytest.approx(settled + (at_350 - settled) * exp(-n * 1050), rel=1e-9)
    assert room.used_l == pytest.approx(0.3 * 1400 / HOUR_S, rel=1e-9)  # what is under way has left the tank


def test_a_tank_gives_what_it_holds_and_then_nothing() -> None:
    room = make(0.3, 0.1, delay_s=600.0)
    room.advance(1130.0, True, DRY, Drive(24.0))
    assert room.tank_l == pytest.approx(0.1 - 0.3 * 1130 / HOUR_S, rel=1e-9)
    run(room, 6000, True)
    assert room.tank_l == 0.0
    assert room.used_l == pytest.approx(0.1, rel=1e-12)
    before = room.ratio
    run(room, HOUR_S, True)
    # exact decay at 0.5 an hour once the last mist has come; tolerance 1e-9
    decayed = DRY.humidity_ratio + (before - DRY.humidity_ratio) * exp(-0.5)
    assert room.ratio == pytest.approx(decayed, rel=1e-9)
    room.fill(0.2)
    run(room, HOUR_S, True)
    assert room.used_l == pytest.approx(0.3, rel=1e-12)
    assert room.ratio > decayed


def test_saturated_air_sheds_the_excess() -> None:
    room = make(2.0, store_times_air=2)
    for _ in range(400):
        before = room.ratio, room.store_ratio, room.condensed_kg
        room.advance(10.0, True, DRY, Drive(24.0))
        assert 0.0 <= room.rh_pct <= 100.0
        assert room.condensed_kg >= before[2]
    assert room.rh_pct == 100.0
    assert room.ratio == pytest.approx(psychrolib.GetSatHumRatio(24.0, PRESSURE_PA), rel=1e-9)
    assert room.condensed_kg > 0.1
    run(room, 20 * HOUR_S, False)
    assert room.rh_pct < 40.0


def test_a_shorter_day_of_odd_steps_is_as_good_as_even_ones() -> None:
    """Two hundred different step lengths: nothing depends on which were met before."""
    odd, even = make(store_times_air=3), make(store_times_air=3)
    lengths = [1.0 + 0.31 * k for k in range(200)]
    for length in lengths:
        odd.advance(length, True, DRY, Drive(24.0))
    even.advance(sum(lengths), True, DRY, Drive(24.0))
    assert (odd.ratio, odd.store_ratio) == pytest.approx((even.ratio, even.store_ratio), rel=1e-9)


@given(
    st.lists(st.tuples(st.floats(0.5, 400.0), st.booleans()), min_size=1, max_size=40),
    st.floats(0.0, 0.03),
    st.floats(-30.0, 45.0),
    st.booleans(),
)
def test_no_figure_ever_leaves_the_possible(
    steps: list[tuple[float, bool]], outdoor_ratio: float, outdoor_c: float, cools: bool
) -> None:
    room = make(5.0, 1.0, delay_s=90.0, store_times_air=8, mist_cools=cools, heater_w=1500)
    outdoor = Outdoor(outdoor_c, outdoor_ratio, PRESSURE_PA)
    for seconds, on in steps:
        water = room.used_l + room.tank_l
        room.advance(seconds, on, outdoor, Drive(24.0))
        assert 0.0 <= room.rh_pct <= 100.0
        assert 0.0 <= room.tank_l <= 1.0
        assert room.used_l + room.tank_l == pytest.approx(water, rel=1e-12)
        assert room.ratio >= 0.0
        assert min(outdoor_c, 24.0) - 40.0 < room.temp_c < max(outdoor_c, 24.0) + 1e-9
