"""Sizing against worked loads, ISO 13788's design points, real years, and cases short enough for a pencil."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import psychrolib
import pvlib
import pytest

from controller.core.rules import Rules
from controller.simulator.climate import make_weather
from controller.simulator.room import Drive, Room
from controller.simulator.settings import BenchHumidifier, BenchRoom, BenchSettings
from controller.simulator.sizing import Guesses, Sizing, hours_of, load_l_per_h, not_held, size
from controller.simulator.sizing_wall import (
    frsi_needed,
    highest_room_rh_pct,
    judge_wall,
    least_surface_c,
)
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.weather_files import load_weather

STANDARD_PA = 101325.0
psychrolib.SetUnitSystem(psychrolib.SI)

NEW_YEAR = datetime(2026, 1, 1)  # noqa: DTZ001


def outdoors(temp_c: float, rh_pct: float, pressure_pa: float = STANDARD_PA) -> Outdoor:
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
    return Outdoor(temp_c, float(ratio), pressure_pa)


COLD = outdoors(0.0, 80.0)


def weather_of(*points: Outdoor, start: datetime | None = NEW_YEAR) -> Weather:
    return Weather.from_hourly(points, name="made up", start=start)


def rules(
    target_rh_pct: float = 60.0, output_l_per_h: float = 0.3, cap_h: float = 24.0, **more: Any
) -> Rules:
    groups: dict[str, Any] = {
        "target": {"day_rh_pct": target_rh_pct, "night_rh_pct": target_rh_pct, "band_low_rh_pct": 40},
        "tank": {"tank_l": 4, "output_l_per_h": output_l_per_h},
        "runtime": {"cap_hours_in_any_24": cap_h},
    }
    return Rules(**(groups | more))


def bench(warm_temp_c: float = 24.0, cool_temp_c: float = 24.0, **more: Any) -> BenchSettings:
    room = {"volume_m3": 30, "air_changes_per_h": 0.5, "warm_temp_c": warm_temp_c, "cool_temp_c": cool_temp_c}
    return BenchSettings(room=BenchRoom(**(room | more)))


# --- the load of one hour


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "outdoor", "expected"),
    [
        (24, 60, COLD, 0.1431),
        (24, 70, COLD, 0.1759),
        (24, 80, COLD, 0.2087),
        (24, 60, outdoors(-10, 80), 0.1735),
        (22, 60, outdoors(5, 85), 0.0938),
    ],
)
def test_the_load_of_worked_cases(temp_c: float, rh_pct: float, outdoor: Outdoor, expected: float) -> None:
    """30 m³, 0.5 air changes an hour: H = m R (Wi - Wo), ASHRAE HVAC Systems and Equipment, chapter
    Humidifiers, eq.1. Worked apart from this repository, with the dry air at the room's specific volume;
    tolerance 0.5 %.
    """
    assert load_l_per_h(30.0, 0.5, temp_c, rh_pct, outdoor) == pytest.approx(expected, rel=0.005)


def test_the_load_is_never_negative() -> None:
    assert load_l_per_h(30.0, 0.5, 24.0, 60.0, outdoors(24.0, 61.0)) == 0.0
    assert load_l_per_h(30.0, 0.5, 24.0, 60.0, outdoors(24.0, 59.0)) > 0.0


def test_altitude_hardly_matters() -> None:
    """By the gas law the water needed is a difference of vapour per m³, whatever the air weighs; within 1 %
    from sea level to 2200 m (77 500 Pa, standard atmosphere).
    """
    high = load_l_per_h(30.0, 0.5, 24.0, 60.0, outdoors(0.0, 80.0, 77500.0))
    assert high == pytest.approx(0.1431, rel=0.01)


def test_the_simulated_room_settles_at_the_target_when_given_the_load() -> None:
    """Two routes to one balance: the room's own differential equation, let run for 60 time constants."""
    load = load_l_per_h(30.0, 0.5, 24.0, 60.0, COLD)
    settings = BenchRoom(
        warm_temp_c=24, cool_temp_c=24, store_times_air=0, mist_cools=False, heater_w=50000, start_rh_pct=30
    )
    room = Room(BenchSettings(room=settings, humidifier=BenchHumidifier(mist_delay_s=0)), load, 1e6)
    for _ in range(120):
        room.advance(3600.0, True, COLD, Drive(24.0))
    assert room.rh_pct == pytest.approx(60.0, abs=0.01)


# --- the coldest surface


def test_the_design_point_of_din_4108_2() -> None:
    """20 °C, 50 %, -5 °C outdoors: 12.6 °C and fRsi 0.70 (DIN 4108-2); tolerances 0.05 K, 0.005."""
    assert least_surface_c(20.0, 50.0, 80.0) == pytest.approx(12.6, abs=0.05)
    assert frsi_needed(20.0, -5.0, 50.0, 80.0) == pytest.approx(0.705, abs=0.005)


@pytest.mark.parametrize(
    ("rh_pct", "least_c"), [(50, 16.40), (60, 19.29), (65, 20.59), (70, 21.79), (75, 22.93), (80, 24.00)]
)
def test_the_coldest_a_surface_may_be_at_24_degrees(rh_pct: float, least_c: float) -> None:
    """ISO 13788's 80 % criterion with its own vapour pressure formula, which differs from ours: 0.05 K."""
    assert least_surface_c(24.0, rh_pct, 80.0) == pytest.approx(least_c, abs=0.05)


@pytest.mark.parametrize(
    ("rh_pct", "needed"), [(60, (0.862, 0.804, 0.664)), (70, (0.935, 0.908, 0.842)), (80, (1.0, 1.0, 1.0))]
)
def test_the_factor_needed_at_24_degrees(rh_pct: float, needed: Sequence[float]) -> None:
    """At -10, 0 and 10 °C; ISO 13788, computed as above: 0.003."""
    for outdoor_c, factor in zip((-10.0, 0.0, 10.0), needed, strict=True):
        assert frsi_needed(24.0, outdoor_c, rh_pct, 80.0) == pytest.approx(factor, abs=0.003)


@pytest.mark.parametrize(
    ("frsi", "mould_pct", "wet_pct"),
    [(0.5, 37.6, 47.0), (0.7, 51.3, 64.1), (0.8, 59.7, 74.6), (0.9, 69.2, 86.5), (0.95, 74.4, 93.0)],
)
def test_the_highest_humidity_of_the_room(frsi: float, mould_pct: float, wet_pct: float) -> None:
    """24 °C in, 0 °C out: 80 % at the surface, and condensation; ISO 13788 as above: 0.3 %RH."""
    wall = judge_wall(24.0, 0.0, mould_pct + 1.0, frsi, 80.0)
    assert wall.highest_rh_pct == pytest.approx(mould_pct, abs=0.3)
    assert wall.condensing_rh_pct == pytest.approx(wet_pct, abs=0.3)
    assert wall.surface_c == pytest.approx(24.0 * frsi)
    assert wall.says_no
    assert not judge_wall(24.0, 0.0, mould_pct - 1.0, frsi, 80.0).says_no


def test_no_surface_bears_more_than_its_own_limit() -> None:
    assert frsi_needed(24.0, 0.0, 80.5, 80.0) is None
    assert frsi_needed(24.0, 30.0, 60.0, 80.0) == 0.0  # warmer outdoors: no surface is colder
    assert highest_room_rh_pct(24.0, 30.0, 0.5, 100.0) == 100.0


# --- a day, worked with a pencil


def test_a_steady_day() -> None:
    """0.1431 of 0.3 kg/h: 11.45 h and 3.43 kg a day, 0.859 of a 4 L tank; 0.3 kg/h of cold mist takes
    204 W (latent heat 2444 kJ/kg, IAPWS-95), so 2.33 kWh a day. Tolerance 0.5 %.
    """
    found = size(rules(), bench(), weather_of(*[COLD] * 24))
    load = found.as_set
    assert load.mean_l_per_h == pytest.approx(0.1431, rel=0.005)
    for day in (load.design_day, load.worst_day, load.mean_day):
        assert day.litres == pytest.approx(3.43, rel=0.005)
        assert day.run_h == pytest.approx(11.45, rel=0.005)
        assert day.tank_fills == pytest.approx(0.859, rel=0.005)
        assert day.mist_kwh == pytest.approx(3.43 * 2444.0 / 3600.0, rel=0.005)
    assert found.mist_w == pytest.approx(204.0, rel=0.005)
    assert (found.days, load.not_held_h, load.verdict) == (1, 0, "holds")


def test_the_guesses_scale_the_load() -> None:
    """H is proportional to the air change (eq.1)."""
    found = size(rules(), bench(), weather_of(*[COLD] * 24), Guesses(0.2, 0.5, 2.0))
    assert found.tight.total_l == pytest.approx(0.4 * found.as_set.total_l)
    assert found.leaky.total_l == pytest.approx(4.0 * found.as_set.total_l)
    usual = size(rules(), bench(), weather_of(*[COLD] * 24))
    assert (usual.tight.air_changes_per_h, usual.leaky.air_changes_per_h) == (0.25, 1.0)  # half and double


def test_a_humidifier_that_heats_its_water_takes_none_from_the_room() -> None:
    found = size(rules(), bench(mist_cools=False), weather_of(*[COLD] * 24))
    assert (found.mist_w, found.leaky.worst_day.mist_kwh) == (0.0, 0.0)


def test_the_true_output_rules_where_it_is_given() -> None:
    settings = bench().model_copy(update={"humidifier": BenchHumidifier(output_l_per_h=0.6)})
    found = size(rules(output_l_per_h=0.3), settings, weather_of(*[COLD] * 24))
    assert found.output_l_per_h == 0.6


def test_target_and_temperature_follow_the_clock() -> None:
    day = {"day_rh_pct": 60, "night_rh_pct": 70, "day_starts": "08:00", "night_starts": "20:00"}
    made = rules(target=day | {"ramp_minutes": 0})
    hours = hours_of(made, bench(24.0, 22.0), weather_of(*[COLD] * 24))
    assert [hour.target_rh_pct for hour in hours] == [70.0] * 8 + [60.0] * 12 + [70.0] * 4
    assert [hour.room_c for hour in hours] == [22.0] * 7 + [24.0] * 14 + [22.0] * 3  # warm 07 to 21 h


def test_in_summer_the_room_is_as_warm_as_outdoors_unless_cooled() -> None:
    hot = weather_of(*[outdoors(30.0, 50.0)] * 24)
    free, cooled = (size(rules(), bench(), hot, cooled=how) for how in (False, True))
    # at 30 °C the air stays at 50 %: dry; at 24 °C it is 50 * 4246 / 2985 = 71 % (HoF ch.1 eq.6): enough
    assert free.as_set.mean_l_per_h == pytest.approx(load_l_per_h(30, 0.5, 30.0, 60.0, outdoors(30, 50)))
    assert free.unaided_above_target_h == 0
    assert (cooled.as_set.total_l, cooled.unaided_above_target_h) == (0.0, 24)
    assert cooled.unaided_above_ceiling_h == 0


def test_hours_without_any_humidifier() -> None:
    """Outdoors 24 °C like the room: its RH is the room's."""
    points = [outdoors(24.0, rh) for rh in [50.0] * 10 + [70.0] * 8 + [90.0] * 6]
    found = size(rules(), bench(), weather_of(*points))
    assert (found.unaided_above_target_h, found.unaided_above_ceiling_h) == (14, 6)


# --- what is not held


@pytest.mark.parametrize(
    ("loads", "cap_h", "expected"),
    [
        ([0.3] * 48, 24.0, (0, 0, 0)),
        ([0.5] * 48, 24.0, (0, 0, 0)),  # just enough
        ([0.51] * 48, 24.0, (48, 0, 48)),
        ([0.3] * 48, 12.0, (0, 8, 8)),  # 0.6 h an hour: 20 hours use up 12 h, then 4 of rest, twice
        ([0.5] * 48, 12.0, (0, 24, 24)),  # 12 on, 12 off
        ([0.0] * 24, 12.0, (0, 0, 0)),
        ([0.6] * 13 + [0.0] * 11, 12.0, (13, 1, 13)),
    ],
)
def test_hours_not_held(loads: list[float], cap_h: float, expected: tuple[int, int, int]) -> None:
    """Output 0.5 L/h; counted by hand."""
    assert not_held(loads, 0.5, cap_h) == expected


def days_of(*points: Outdoor) -> Weather:
    return weather_of(*(point for point in points for _ in range(24)))


MILD = outdoors(24.0, 60.0)  # asks for nothing at 60 %
FROST = outdoors(-10.0, 80.0)  # asks for 0.1735 L/h


@pytest.mark.parametrize(
    ("output_l_per_h", "cap_h", "frosts", "verdict"),
    [
        (0.18, 24.0, 50, "holds"),
        (0.17, 24.0, 1, "holds_except"),  # one day in a hundred is 1 % of the hours
        (0.17, 24.0, 2, "too_small"),
        (0.36, 11.0, 1, "holds_except"),  # 11.6 h a day
        (0.36, 11.0, 50, "too_small"),
        (0.36, 12.0, 50, "holds"),
    ],
)
def test_the_verdict(output_l_per_h: float, cap_h: float, frosts: int, verdict: str) -> None:
    weather = days_of(*[FROST] * frosts, *[MILD] * (100 - frosts))
    load = size(rules(output_l_per_h=output_l_per_h, cap_h=cap_h), bench(), weather).as_set
    assert load.verdict == verdict
    assert load.days_over_cap == (frosts if 24 * 0.1735 / output_l_per_h > cap_h else 0)
    assert load.worst_l_per_h == pytest.approx(0.1735, rel=0.005)
    assert load.mean_day.litres == pytest.approx(24 * 0.1735 * frosts / 100, rel=0.005)
    if frosts == 1:  # the 99th of a hundred is mild
        assert load.design_day.litres == 0.0
    else:
        assert load.design_l_per_h == load.worst_l_per_h
        wanted = max(0.1735 / output_l_per_h, 24 * 0.1735 / output_l_per_h / cap_h)
        assert load.short_by == pytest.approx(wanted, rel=0.005)


@pytest.mark.parametrize(("days", "place"), [(1, 1), (50, 50), (99, 99), (100, 99), (101, 100), (200, 198)])
def test_the_design_day_is_the_one_that_99_of_100_do_not_exceed(days: int, place: int) -> None:
    """Nearest rank: of rising days, the first that at least 99 % of them do not exceed."""
    weather = days_of(*(outdoors(20.0 - 0.1 * day, 60.0) for day in range(days)))
    load = size(rules(), bench(), weather).as_set
    worst = load_l_per_h(30.0, 0.5, 24.0, 60.0, outdoors(20.0 - 0.1 * (place - 1), 60.0))
    assert load.design_day.litres == pytest.approx(24.0 * worst)
    assert load.design_l_per_h == pytest.approx(worst)


def test_some_hours_a_day_can_be_what_is_too_small() -> None:
    """6 h of frost a day at 0.1735 L/h against 0.1: an hour needs 1.735 times the output, a day less."""
    load = size(rules(output_l_per_h=0.1), bench(), weather_of(*([FROST] * 6 + [MILD] * 18) * 10)).as_set
    assert load.short_by == pytest.approx(1.735, rel=0.005)
    assert (load.too_weak_h, load.capped_h, load.verdict) == (60, 0, "too_small")


def test_the_target_is_kept_below_the_ceiling_as_the_controller_does() -> None:
    """80 less the probe's 2 trips at 78 and clears at 76: 77 is asked for, 76 sought."""
    made = rules(77.0, target={"day_rh_pct": 77, "night_rh_pct": 77})
    hours = hours_of(made, bench(), weather_of(*[COLD] * 24))
    assert {hour.target_rh_pct for hour in hours} == {76.0}


def test_a_day_begins_at_midnight_and_a_part_at_the_end_belongs_to_the_first() -> None:
    afternoon = NEW_YEAR + timedelta(hours=13)
    points = [FROST] * 11 + [MILD] * 24 + [FROST] * 13
    load = size(rules(), bench(), weather_of(*points, start=afternoon)).as_set
    assert load.worst_day.litres == pytest.approx(24 * 0.1735, rel=0.005)
    assert load.mean_day.litres == pytest.approx(12 * 0.1735, rel=0.005)


def test_weather_shorter_than_a_day_repeats() -> None:
    found = size(rules(), bench(), weather_of(*[COLD] * 5))
    assert (found.days, found.as_set.total_l) == (1, pytest.approx(24 * 0.1431, rel=0.005))


def test_months_and_the_coldest_day() -> None:
    points = [COLD] * 31 + [outdoors(10.0, 80.0)] * 27 + [FROST]
    found = size(rules(surface={"frsi": 0.8}), bench(), days_of(*points))
    january, february = found.months
    assert (january.month, february.month) == (1, 2)
    assert january.outdoor_c == pytest.approx(0.0)
    assert february.outdoor_c == pytest.approx((27 * 10.0 - 10.0) / 28)
    assert january.litres_per_day == pytest.approx(24 * 0.1431, rel=0.005)
    # ISO 13788 as above: 59.7 % at 0 °C outdoors with fRsi 0.8; 0.3 %RH
    assert january.wall.highest_rh_pct == pytest.approx(59.7, abs=0.3)
    assert (january.wall.says_no, february.wall.says_no) == (True, False)
    assert found.coldest_day_c == pytest.approx(-10.0)
    # pws(-10 + 0.8 * 34 = 17.2 °C) / pws(24 °C) = 1962 / 2985 Pa (HoF ch.1 eq.6): 65.7 %; 0.3 %RH
    assert found.coldest_day_condensing_rh_pct == pytest.approx(65.7, abs=0.3)
    assert (found.frsi, found.frsi_assumed) == (0.8, False)


def test_an_unset_factor_is_assumed_and_said_so() -> None:
    """0.70: DIN 4108-2."""
    found = size(rules(), bench(), weather_of(*[COLD] * 24, start=None))
    assert (found.frsi, found.frsi_assumed) == (0.7, True)
    assert [month.month for month in found.months] == [None]
    assert found.months[0].wall.highest_rh_pct == pytest.approx(51.3, abs=0.3)


@pytest.mark.parametrize("climate", ["continental-winter", "hot-humid"])
def test_the_parts_of_a_year_add_up(climate: str) -> None:
    found: Sizing = size(rules(), bench(), make_weather(climate, 1, NEW_YEAR, 8760))
    assert found.days == 365
    assert [month.month for month in found.months] == list(range(1, 13))
    lengths = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
    by_month = sum(days * month.litres_per_day for days, month in zip(lengths, found.months, strict=True))
    assert by_month == pytest.approx(found.as_set.total_l)
    for load in (found.tight, found.as_set, found.leaky):
        assert max(load.mean_l_per_h, load.design_l_per_h) <= load.worst_l_per_h
        assert load.design_day.litres <= load.worst_day.litres <= 24 * load.worst_l_per_h
        assert load.total_l == pytest.approx(365 * load.mean_day.litres)


# --- real years

PVLIB = Path(pvlib.__file__).parent / "data"


def miami() -> Weather:
    """TMY2: tenths of a degree, mbar; hour 1 ends at 01:00 (NREL, User's Manual for TMY2s)."""
    frame, _ = pvlib.iotools.read_tmy2(PVLIB / "12839.tm2")
    points = []
    for temp, dew, mbar in zip(frame["DryBulb"], frame["DewPoint"], frame["Pressure"], strict=True):
        vapour_pa = psychrolib.GetSatVapPres(min(dew, temp) / 10.0)
        ratio = 0.621945 * vapour_pa / (100.0 * mbar - vapour_pa)
        points.append(Outdoor(temp / 10.0, ratio, 100.0 * mbar))
    return weather_of(*points, start=NEW_YEAR + timedelta(hours=1))


YEARS: dict[str, tuple[Callable[[], Weather], float, float]] = {
    "Greensboro": (lambda: load_weather(PVLIB / "723170TYA.CSV"), 568.0, 0.195),
    "Sand Point": (lambda: load_weather(PVLIB / "703165TY.csv"), 1015.0, 0.185),
    "Miami": (miami, 71.0, 0.154),
}


@pytest.mark.parametrize("place", YEARS)
def test_the_litres_of_a_real_year(place: str) -> None:
    """60 % in 30 m³ at 0.5 air changes an hour, 24 °C from 07 to 19 h local standard time, 22 °C else:
    kg a year and the worst hour, computed apart from this repository; tolerance 2 %.

    Those figures stand on 35.7 kg of dry air (1.19 kg/m³) at any pressure: all six agree with that within
    their rounding. Ours is the air that the gas law has in the room at the station's pressure, up to 4 %
    less, so the need is compared hour by hour on the other's basis, and as it is within 5 %.
    """
    make, kg, kg_per_h = YEARS[place]
    weather, settings = make(), bench(24.0, 22.0, warm_from="07:00", cool_from="19:00")
    hours = hours_of(rules(), settings, weather, cooled=True)
    needs = []
    for index, hour in enumerate(hours):
        vapour_pa = 0.6 * psychrolib.GetSatVapPres(hour.room_c)
        pressure_pa = weather.points[index].pressure_pa
        dry_air_kg = 30.0 * (pressure_pa - vapour_pa) / (287.042 * (hour.room_c + 273.15))  # HoF ch.1 eq.1
        needs.append(0.5 * hour.per_change_l * 35.7 / dry_air_kg)
    assert len(needs) == 8760
    assert sum(needs) == pytest.approx(kg, rel=0.02)
    assert max(needs) == pytest.approx(kg_per_h, rel=0.02)
    load = size(rules(), settings, weather, cooled=True).as_set
    assert load.total_l == pytest.approx(0.5 * sum(hour.per_change_l for hour in hours))
    assert load.total_l == pytest.approx(kg, rel=0.05)
    assert load.worst_l_per_h == pytest.approx(kg_per_h, rel=0.05)
