"""What answers and figures mean: the physics against outside values, the thresholds on many rooms."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI

from controller.commissioning import judge, mist
from controller.commissioning.judge import (
    DRYING,
    FINE,
    NO_FIGURES,
    NO_MIST,
    PLUME,
    TOO_SHORT,
    Finding,
    Room,
    Sample,
)
from controller.commissioning.rehearsed import RehearsedSite
from controller.commissioning.scene import Notebook, Scene
from controller.core import air
from tests.commission.helpers import Keeper, bench, settings_of


def test_how_fast_mixed_mist_raises_humidity_at_most() -> None:
    """Against the density of saturated vapour (CoolProp, IAPWS-95); the ideal gas is 0.2 % off at 25 °C."""
    saturated_kg_per_m3 = PropsSI("D", "T", 298.15, "Q", 1, "Water")
    expected = 100.0 * (0.4 / 60.0) / (30.0 * saturated_kg_per_m3)
    assert Room(0.4, 30.0, True).most_rh_pct_per_min(25.0) == pytest.approx(expected, rel=4e-3)


def test_the_same_by_hand_from_the_handbook() -> None:
    """pws(25 °C) = 3169.7 Pa: ASHRAE HoF 2017 ch.1 Table 3; 461.5 J/(kg K)."""
    expected = 100.0 * 0.5 / 60.0 * 461.5 * 298.15 / (20.0 * 3169.7)
    assert Room(0.5, 20.0, True).most_rh_pct_per_min(25.0) == pytest.approx(expected, rel=1e-3)


def test_three_times_covers_the_chill_of_mist_in_an_unheated_room() -> None:
    """Constant enthalpy of the moist air (ASHRAE HoF 2017 ch.1 eq.30), the mist as cold as the room."""
    ratio, added = air.humidity_ratio(24.0, 60.0), 1e-6
    still_warm = air.rh_pct_from_humidity_ratio(24.0, ratio + added) - 60.0
    enthalpy = air.enthalpy_kj(24.0, ratio) + added * air.WATER_HEAT_CAPACITY_KJ * 24.0
    cooled_c = air.temp_c_from_enthalpy(enthalpy, ratio + added)
    chilled = air.rh_pct_from_humidity_ratio(cooled_c, ratio + added) - 60.0
    assert chilled / still_warm == pytest.approx(2.6, abs=0.05)
    assert chilled / still_warm < judge.JUMP_TIMES


ANSWERS = {
    (True, True): judge.FINE,
    (False, True): judge.NEVER_ON,
    (True, False): judge.STAYS_ON,
    (False, False): judge.CONFUSED,
}


@pytest.mark.parametrize("answers", list(product([True, False], repeat=2)))
def test_each_way_to_answer_has_one_meaning(answers: tuple[bool, bool]) -> None:
    finding = judge.outlet(*answers)
    assert finding.code == ANSWERS[answers]
    assert finding.fine == all(answers)


@pytest.mark.parametrize(
    ("active_high", "line"), [(True, "active_high = false"), (False, "active_high = true")]
)
def test_the_line_to_change(active_high: bool, line: str) -> None:
    words = judge.lit_at_off(active_high).words
    assert line in words
    assert "Unplug it now" in words
    assert "HAND" in words
    assert "welded" in words
    assert ("low line" in words) == active_high


def tried(**more: Any) -> tuple[Finding, RehearsedSite]:
    """Ten minutes of mist in a simulated room, by the real loop; the finding, however the step ends."""
    settings = settings_of(**more)
    site = RehearsedSite(settings)
    asking = mist.Asking("ann")
    watch = mist.Watch(Scene(settings, site, Keeper(site), Notebook(), "ann"), asking)
    site.hold(asking, watch, lambda: watch.over)
    names = [f"probe {number}" for number in range(len(watch.samples))]
    return judge.mist(mist.room_of(settings), watch.samples, names, watch.why_off), site


SIZES = [8, 15, 30, 60, 120]


@pytest.mark.parametrize("volume", SIZES)
@pytest.mark.parametrize("store", [0, 3, 20])
def test_an_ordinary_room_is_fine(volume: float, store: float) -> None:
    """Left alone for some hours: at about the humidity that air exchange alone gives."""
    finding, _ = tried(bench={"room": {"volume_m3": volume, "store_times_air": store, "start_rh_pct": 20}})
    if (volume, store) == (120, 20):  # 2.6 %RH at the very most, and substrate that takes nearly all of it
        assert finding.code == NO_MIST
        assert "too small to be seen" in finding.words
    else:
        assert finding.code == FINE, finding.words


@pytest.mark.parametrize("dead", [False, True])
def test_a_big_room_that_is_being_aired_hides_the_mist_and_is_said_to(dead: bool) -> None:
    """120 m³ lose more by half an air change an hour to dry winter air than 0.4 L an hour give."""
    room = {"volume_m3": 120, "start_rh_pct": 55}
    finding, _ = tried(bench=bench(*(["humidifier-dead"] if dead else []), room=room))
    assert finding.code == DRYING, finding.words
    assert "drying by itself" in finding.words


def test_single_wild_readings_are_no_plume() -> None:
    finding, _ = tried(bench=bench("probe-jumps", room={"start_rh_pct": 20}))
    assert finding.code == FINE, finding.words


@pytest.mark.parametrize("volume", SIZES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_dry_humidifier_never_passes(volume: float, seed: int) -> None:
    finding, _ = tried(
        bench=bench("humidifier-dead", seed=seed, room={"volume_m3": volume, "start_rh_pct": 20})
    )
    assert finding.code == NO_MIST, finding.words


@pytest.mark.parametrize("kind", ["cold-mist", "evaporative", "warm-mist"])
def test_every_kind_of_humidifier_passes(kind: str) -> None:
    finding, _ = tried(bench={"humidifier": {"kind": kind}, "room": {"start_rh_pct": 50}})
    assert finding.code == FINE, finding.words


@pytest.mark.parametrize(
    ("volume", "plume"), [(15, 15), (30, 6), (30, 15), (30, 50), (60, 5), (120, 5), (120, 30)]
)
def test_a_probe_in_the_plume_is_seen(volume: float, plume: float) -> None:
    finding, site = tried(bench={"room": {"volume_m3": volume}, "probe": {"plume_rh_pct": plume}})
    assert finding.code == PLUME, finding.words
    assert site.world.on_s < 120


@pytest.mark.parametrize("volume", [15, 30, 120])
def test_a_dry_humidifier_has_no_plume(volume: float) -> None:
    """Nothing blows, so nothing jumps: it is called by its name."""
    faults = bench(
        "humidifier-dead", room={"volume_m3": volume, "start_rh_pct": 20}, probe={"plume_rh_pct": 25}
    )
    assert tried(bench=faults)[0].code == NO_MIST


@pytest.mark.parametrize("noise", [0.05, 0.3])
@pytest.mark.parametrize("step", [0.0, 0.1, 1.0])
def test_the_scatter_of_a_poor_probe_is_no_plume_and_no_mist(noise: float, step: float) -> None:
    """A repeatability of 1 %RH and steps of 0.1 to 1 is what cheap parts' data sheets give."""
    probe = {"noise_rh_pct": noise, "step_rh_pct": step}
    for volume in (30, 120):
        room = {"volume_m3": volume, "start_rh_pct": 20}
        assert tried(bench={"probe": probe, "room": room})[0].code == FINE
        assert tried(bench=bench("humidifier-dead", probe=probe, room=room))[0].code == NO_MIST


def test_the_second_probe_in_the_plume_is_named() -> None:
    two = ({"kind": "hwmon", "at": "1-0044"}, {"kind": "hwmon", "at": "1-0045"})
    finding, _ = tried(probe=two, bench={"second_probe": {"plume_rh_pct": 30}})
    assert finding.code == PLUME
    assert finding.words.startswith("probe 1 ")


def test_a_volume_that_nobody_gave_is_said_to_be_taken() -> None:
    room = mist.room_of(settings_of())
    assert not room.described
    assert "do not say" in room.words
    assert "volume_m3" in tried(bench={"probe": {"plume_rh_pct": 30}})[0].words
    assert mist.room_of(settings_of(bench={"room": {"volume_m3": 30}})).described


def test_a_humidifier_too_small_for_the_room_is_called_so() -> None:
    finding, _ = tried(tank={"tank_l": 1, "output_l_per_h": 0.05}, bench={"room": {"volume_m3": 400}})
    assert finding.code == NO_MIST
    assert "too small to be seen" in finding.words


def row(figures: Sequence[tuple[float, bool, float | None]], temp_c: float | None = 24.0) -> list[Sample]:
    return [Sample(t_s, on, rh, temp_c) for t_s, on, rh in figures]


ROOM = Room(0.4, 30.0, True)


def test_warming_alone_is_no_mist() -> None:
    """RH by cooling air: 55 % at 24 °C is 58.4 % at 23 °C with the same water (ISO 13788 Annex E)."""
    samples = [Sample(0.0, False, 55.0, 24.0), Sample(10.0, True, 55.0, 24.0)]
    samples += [Sample(10.0 + 60.0 * n, True, 55.0 + 0.34 * n, 24.0 - 0.1 * n) for n in range(1, 11)]
    assert judge.mist(ROOM, [samples], ["the probe"], "").code == NO_MIST


def test_a_short_run_says_nothing() -> None:
    samples = row([(0, False, 50), (10, True, 50), (60, True, 55), (100, False, 58)])
    finding = judge.mist(ROOM, [samples], ["the probe"], "The ceiling")
    assert finding.code in (TOO_SHORT, PLUME)
    slow = row([(0, False, 50.0), (10, True, 50.0), (60, True, 50.5), (100, False, 51.0)])
    finding = judge.mist(ROOM, [slow], ["the probe"], "The ceiling")
    assert finding.code == TOO_SHORT
    assert "The ceiling" in finding.words


def test_figures_that_are_missing_at_the_end() -> None:
    samples = row([(0, False, 50), (10, True, 50), *((60.0 * n, True, None) for n in range(1, 11))])
    assert judge.mist(ROOM, [samples], ["the probe"], "silent").code == NO_FIGURES


def test_no_mist_at_all() -> None:
    never = row([(0, False, 50), (10, False, 50)])
    assert judge.mist(ROOM, [never], ["the probe"], "").code == TOO_SHORT
    assert judge.jumped(ROOM, never) is None
    assert judge.on_s(never) == 0.0


def test_a_rise_without_any_temperature_is_not_known() -> None:
    samples = row([(0, False, 50), (10, True, 50), (400, True, 60), (500, False, 60)], temp_c=None)
    assert judge.mist(ROOM, [samples], ["the probe"], "").code == NO_FIGURES


def test_a_rise_before_the_mist_is_not_the_mist_s() -> None:
    """The keeper's breath goes away meanwhile, and comes from nowhere near the humidifier."""
    samples = row([(0, False, 40), (5, False, 70), (10, False, 80), (60, True, 50)])
    assert judge.jumped(ROOM, samples) is None


def test_breath() -> None:
    assert judge.breath([], [50.0]) is None
    assert judge.breath([50.0], []) is None
    assert judge.breath([50.0, 51.0], [50.5, 58.5, 55.0]) == pytest.approx(8.0)
