"""A second probe: its own errors and its own luck, the first's untouched, and settings that fit."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.core.records import Decision, Inputs, Reading
from controller.core.tank import TankLimits
from controller.errors import SettingsError
from controller.settings import Settings
from controller.simulator.settings import BenchProbe, BenchSettings
from controller.simulator.weather import Outdoor, Weather
from controller.simulator.world import World
from controller.wiring import make_rehearsal

STEADY = Weather.from_hourly([Outdoor(5.0, 0.004, 101325.0)], name="steady")


def readings(seed: int, **bench: Any) -> list[tuple[Reading, ...]]:
    settings = BenchSettings(days=0.1, **bench)
    it = World(settings, TankLimits(), STEADY, ZoneInfo("UTC"), seed)
    rows = []
    while it.wait_until(it.mono_s + 30.0):
        it.relay.switch(it.mono_s % 1800.0 < 900.0)
        rows.append(tuple(probe.read() for probe in it.probes))
    return rows


def test_a_second_probe_leaves_the_first_as_it_is() -> None:
    alone, two = readings(1), readings(1, second_probe={"noise_rh_pct": 1.0})
    assert {len(row) for row in alone} == {1}
    assert {len(row) for row in two} == {2}
    assert [row[0] for row in two] == [row[0] for row in alone]


def test_it_has_its_own_luck_from_the_same_seed() -> None:
    two = readings(1, second_probe={})
    assert [row[0] for row in two] != [row[1] for row in two]
    assert two == readings(1, second_probe={})
    assert [row[1] for row in two] != [row[1] for row in readings(2, second_probe={})]


def test_it_has_its_own_errors_in_the_same_air() -> None:
    clean = {"noise_rh_pct": 0, "step_rh_pct": 0}
    for first, second in readings(1, probe=clean, second_probe={**clean, "offset_rh_pct": 4}):
        assert first.rh_pct is not None
        assert second.rh_pct == pytest.approx(first.rh_pct + 4, rel=1e-12)
        assert second.temp_c == first.temp_c


def test_the_first_probe_is_the_probe_and_they_have_names() -> None:
    it = World(BenchSettings(second_probe=BenchProbe()), TankLimits(), STEADY, ZoneInfo("UTC"), 1)
    assert it.probe is it.probes[0]
    assert len({probe.name for probe in it.probes}) == 2


class Hears:
    def __init__(self) -> None:
        self.rows: list[Inputs] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        self.rows.append(inputs)


def rehearsed(**groups: Any) -> list[tuple[Reading, ...]]:
    hears = Hears()
    settings = Settings(**{"loop": {"tick_s": 30}, **groups})
    make_rehearsal(settings, False, (hears,)).run()
    return [inputs.readings for inputs in hears.rows]


def test_a_rehearsal_reads_both() -> None:
    clean = {"noise_rh_pct": 0, "step_rh_pct": 0}
    rows = rehearsed(
        probe=[{}, {}], bench={"days": 0.05, "probe": clean, "second_probe": {**clean, "offset_rh_pct": -5}}
    )
    assert len(rows) > 100
    for first, second in rows:
        assert first.rh_pct is not None
        assert second.rh_pct == pytest.approx(first.rh_pct - 5, rel=1e-12)


def test_a_second_probe_that_is_not_described_errs_like_the_first_by_its_own_luck() -> None:
    rows = rehearsed(probe=[{}, {}], bench={"days": 0.05, "probe": {"offset_rh_pct": 6}})
    assert len(rows[0]) == 2
    high = [row[1].rh_pct for row in rows if row[1].rh_pct is not None]
    low = [row[0].rh_pct for row in rows if row[0].rh_pct is not None]
    assert high != low
    assert sum(high) / len(high) == pytest.approx(sum(low) / len(low), abs=0.2)
    assert {len(row) for row in rehearsed(bench={"days": 0.01})} == {1}


def settings_error(tmp_path: Path, text: str) -> str:
    path = tmp_path / "room.toml"
    path.write_text("settings_version = 1\n" + text, encoding="utf-8")
    with pytest.raises(SettingsError) as told:
        Settings.load(path, {})
    return str(told.value)


def test_a_second_probe_on_the_bench_needs_one_in_the_room(tmp_path: Path) -> None:
    words = settings_error(tmp_path, "[bench.second_probe]\noffset_rh_pct = 4\n")
    assert "room.toml:2" in words
    assert "second [[probe]]" in words
    path = tmp_path / "two.toml"
    path.write_text(
        "settings_version = 1\n[[probe]]\n[[probe]]\n[bench.second_probe]\noffset_rh_pct = 4\n",
        encoding="utf-8",
    )
    second = Settings.load(path, {}).bench.second_probe
    assert second is not None
    assert second.offset_rh_pct == 4
    in_the_environment = Settings.load(path, {"HYGROHOLD_BENCH__SECOND_PROBE__OFFSET_RH_PCT": "-2"})
    assert in_the_environment.bench.second_probe is not None
    assert in_the_environment.bench.second_probe.offset_rh_pct == -2


def test_a_reserve_must_be_less_than_the_tank(tmp_path: Path) -> None:
    words = settings_error(tmp_path, "[tank]\ntank_l = 4\n[bench.humidifier]\nreserve_l = 4\n")
    assert "(line 5)" in words
    assert "4 L" in words
    assert "never run" in words


def test_bounds_of_the_new_settings_are_told(tmp_path: Path) -> None:
    words = settings_error(tmp_path, '[bench.humidifier]\nkind = "fog"\n[bench.probe]\nplume_rh_pct = -1\n')
    assert "cold-mist, evaporative, warm-mist" in words
    assert "plume_rh_pct" in words
