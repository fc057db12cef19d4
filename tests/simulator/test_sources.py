"""Water from elsewhere than the humidifier: dishes, sleepers, hand misting, soaked substrate."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import exp
from zoneinfo import ZoneInfo

import CoolProp.CoolProp as CoolProp
import pytest

from controller.core.tank import TankLimits
from controller.simulator.day import Day
from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchSettings
from controller.simulator.sources import Pool
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.world import World
from tests.simulator.rooms import HOUR_S, PRESSURE_PA, air_of, make, ratio_of, run

STEADY_60 = air_of(24.0, 60.0)
"""Outdoors like the room: nothing but the source moves the air."""


def latent_kj(temp_c: float) -> float:
    """Heat of vaporisation, IAPWS-95."""
    at = ("T", temp_c + 273.15)
    vapour, water = (CoolProp.PropsSI("H", *at, "Q", quality, "Water") for quality in (1, 0))
    return float(vapour - water) / 1000


def test_a_dish_evaporates_by_the_open_water_formula() -> None:
    room = make({"start_rh_pct": 60}, sources={"dish_m2": 0.05})
    room.advance(10.0, False, STEADY_60, Drive(24.0))
    # kg/s = 4e-5 A (pw - pa) F with F 0.5, kPa, water at 22 °C: 3.1 g/h (ASHRAE HVAC Applications,
    # natatoriums, from memory; itself good to a factor of 2); tolerance 3 %
    assert 1000 * room.sources.from_dishes_kg / 10.0 * HOUR_S == pytest.approx(3.1, rel=0.03)
    assert room.gained_kg == pytest.approx(room.sources.from_dishes_kg, rel=1e-9)
    # IAPWS-95, 24 °C; tolerance 0.2 %: ASHRAE's linear enthalpies
    assert room.taken_kwh * 3600 == pytest.approx(room.gained_kg * latent_kj(24.0), rel=2e-3)


def test_a_dish_gives_nothing_to_air_that_is_damp_enough() -> None:
    """Water at 22 °C is in balance with 2644.75 of 2985.13 Pa: 88.6 %RH at 24 °C (Hyland-Wexler)."""
    for rh_pct, gives in ((88.0, True), (89.2, False)):
        room = make({"start_rh_pct": rh_pct}, sources={"dish_m2": 5})
        room.advance(1.0, False, STEADY_60, Drive(24.0))
        assert (room.sources.from_dishes_kg > 0.0) == gives


def night(sleepers: int) -> World:
    weather = Weather.from_hourly([STEADY_60], name="steady")
    groups = {"days": 1.5, "starts": datetime(2026, 1, 12, 12), "room": {"start_rh_pct": 60}}  # noqa: DTZ001
    return World(
        BenchSettings(**groups, sources={"sleepers": sleepers}), TankLimits(), weather, ZoneInfo("UTC"), 1
    )


@pytest.mark.parametrize("sleepers", [1, 3])
def test_sleepers_breathe_from_evening_to_morning(sleepers: int) -> None:
    world, nobody = night(sleepers), night(0)
    given_kg = {}
    for minute in range(24 * 60):
        for it in (world, nobody):
            assert it.wait_until(60.0 * (minute + 1))
        given_kg[world.wall()] = world.room.sources.given_kg
    asleep = [at for at, kg in given_kg.items() if kg > given_kg.get(at - timedelta(minutes=1), 0.0)]
    # 22:30 to 06:30, as set; a minute's grain
    assert f"{min(asleep):%H:%M} {max(asleep):%H:%M}" == "22:31 06:30"
    # 30 to 50 g an hour each (ASHRAE, from memory) for 8 h
    assert 8 * 0.030 * sleepers <= world.room.sources.given_kg <= 8 * 0.050 * sleepers
    assert world.room.gained_kg == pytest.approx(world.room.sources.given_kg, rel=1e-9)
    assert nobody.room.gained_kg == 0.0
    assert world.room.taken_kwh == 0.0  # breath is vapour: the sleeper paid for it
    assert max(given_kg.values()) == world.room.sources.given_kg


@pytest.mark.parametrize("tick_s", [1.0, 20.0, 60.0])
def test_droplets_go_with_the_dryness_of_the_air(tick_s: float) -> None:
    """Exact exponential: 20 min at 60 %RH, twice as fast at 20 %, never at 100 %. Tolerance 1e-9."""
    for rh_pct, speed in ((60.0, 1.0), (20.0, 2.0), (100.0, 0.0)):
        pool, gone = Pool(0.1, 1200.0), 0.0
        for _ in range(round(1800 / tick_s)):
            gone += pool.dry(tick_s, rh_pct)
        assert pool.kg == pytest.approx(0.1 * exp(-speed * 1800 / 1200), rel=1e-9)
        assert gone + pool.kg == pytest.approx(0.1, rel=1e-12)


def test_what_is_sprayed_by_hand_over_wets_at_first_and_all_ends_up_in_the_air() -> None:
    room, plain = make({"start_rh_pct": 60}, sources=SPRAY), make({"start_rh_pct": 60})
    room.sources.spray()
    seen = []
    for _ in range(12 * 60):
        for it in (room, plain):
            it.advance(60.0, False, STEADY_60, Drive(24.0))
        seen.append(room.rh_pct)
    # upper bound by the air's capacity: 100 g / 6.53 g per %RH = 15.3 above 60 %; ventilation takes its share
    assert 66.0 < max(seen) < 75.3
    assert seen.index(max(seen)) < 120
    assert seen[-1] == pytest.approx(60.0, abs=0.15)
    assert room.sources.sprayed.kg < 1e-4
    assert room.gained_kg + room.sources.sprayed.kg == pytest.approx(0.1, rel=1e-9)
    # IAPWS-95 at 24 °C; tolerance 0.2 %
    assert (room.heat_kwh - plain.heat_kwh) * 3600 == pytest.approx(
        room.gained_kg * latent_kj(24.0), rel=2e-3
    )


SPRAY = {"hand_mist_ml": 100, "hand_mist_at": ["09:00", "19:30"]}


def sprays(times: list[datetime]) -> int:
    bench = BenchSettings(sources=SPRAY)
    clock, room = Day(bench), Room(bench, 0.3, 4.0)
    for at in times:
        clock.drive(at, room)
    assert room.sources.sprayed.kg == pytest.approx(room.sources.given_kg, rel=1e-12)
    return round(room.sources.given_kg / 0.1)


def minutes(start: datetime, count: int, zone: str = "UTC") -> list[datetime]:
    began_s = start.replace(tzinfo=ZoneInfo(zone)).timestamp()
    return [datetime.fromtimestamp(began_s + 60.0 * k, ZoneInfo(zone)) for k in range(count)]


@pytest.mark.parametrize(
    ("starts", "count", "expected"),
    [
        ("2026-01-12T00:00", 540, 0),
        ("2026-01-12T00:00", 541, 1),
        ("2026-01-12T08:59", 3, 1),
        ("2026-01-12T09:01", 24 * 60, 2),
        ("2026-01-12T00:00", 3 * 24 * 60, 6),
    ],
)
def test_he_sprays_at_the_set_times_once_each(starts: str, count: int, expected: int) -> None:
    assert sprays(minutes(datetime.fromisoformat(starts), count)) == expected


@pytest.mark.parametrize("starts", ["2026-03-28T12:00", "2026-10-24T12:00"])
def test_the_change_of_the_clocks_adds_and_drops_no_spray(starts: str) -> None:
    """From noon over the change to noon of the day after: 19:30, 09:00, by the calendar."""
    assert sprays(minutes(datetime.fromisoformat(starts), 24 * 60, "Europe/Berlin")) == 2


def test_a_clock_that_was_put_back_sprays_nothing_over_again() -> None:
    noon = datetime(2026, 1, 12, 8, 30, tzinfo=UTC)
    ahead = [noon + timedelta(minutes=k) for k in range(60)]
    assert sprays([*ahead, ahead[-1] - timedelta(minutes=10), ahead[-1]]) == 1


def test_soaked_ground_over_wets_at_first_then_dries_and_gives_all_it_holds() -> None:
    outdoor = Outdoor(10.0, ratio_of(10.0, 60.0), PRESSURE_PA)
    room = make({"store_times_air": 3}, sources={"soaked_l": 3, "soaked_hours": 24})
    plain = make({"store_times_air": 3})
    course: list[float] = []
    dry: list[float] = []
    for _ in range(20 * 24):
        for it, rh in ((room, course), (plain, dry)):
            run(it, 1.0, outdoor, tick_s=60.0)
            rh.append(it.rh_pct)
    # 0.125 (100 - RH)/40 = 17.5 kg/h x 0.1855 g/kg per %RH x (RH - 24.6): 61.6 %RH by hand, if the ground
    # stayed as wet as at first and the store cost no time; against 25 % without
    assert dry[course.index(max(course))] + 20.0 < max(course) < 61.6
    assert course.index(max(course)) < 24
    assert course[-1] == pytest.approx(dry[-1], abs=0.01)
    assert room.sources.soaked.kg < 1e-6
    assert room.gained_kg == pytest.approx(3.0, rel=1e-6)
    assert (room.heat_kwh - plain.heat_kwh) * 3600 == pytest.approx(3.0 * latent_kj(24.0), rel=2e-3)


def test_the_first_drying_of_soaked_ground_is_its_rate() -> None:
    """3 L, 24 h at 60 %RH: 3 / 24 kg in the first hour, less what the ground has lost; air held at 60 %."""
    room = make({"start_rh_pct": 60, "air_changes_per_h": 20}, sources={"soaked_l": 3, "soaked_hours": 24})
    run(room, 0.1, STEADY_60, drive=Drive(24.0, 60.0 / HOUR_S), tick_s=1.0)
    # exact exponential; tolerance 0.8 %: the room stays within 0.3 of 60 %RH, of a lack of 40
    assert room.rh_pct == pytest.approx(60.0, abs=0.3)
    assert room.gained_kg == pytest.approx(3 * (1 - exp(-0.1 / 24)), rel=8e-3)
