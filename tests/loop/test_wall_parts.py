"""The coldest wall in the loop: a rehearsal with a thermometer on it, hours in the record, a line in status.

Outside truth: at 24 °C a wall of fRsi 0.70 is at 16.8 °C when it is 0 °C outdoors, and bears 51.3 %RH in the
room with 80 % at its surface (ISO 13788, computed with its own saturation pressures).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from controller import Controller, Inputs, Instant, Reading
from controller.core.records import Decision
from controller.devices.thermometer import FileThermometer, Surroundings
from controller.errors import ProbeError
from controller.loop import Loop
from controller.settings import Settings
from controller.status import as_text, describe
from controller.verdict import judge
from controller.wiring import make_rehearsal, make_surroundings
from tests.loop.helpers import Bench, FakeProbe, flat

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)


class Hears:
    def __init__(self) -> None:
        self.inputs: list[Inputs] = []
        self.decisions: list[Decision] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        self.inputs.append(inputs)
        self.decisions.append(decision)


def rehearsed(**surface: Any) -> tuple[Hears, Any]:
    hears = Hears()
    made = make_rehearsal(
        Settings(loop={"tick_s": 60}, bench={"days": 1, "wall": {"frsi": 0.7}}, surface=surface),
        False,
        (hears,),
    )
    made.run()
    return hears, made


@pytest.mark.parametrize("probe", [{"kind": "simulated"}, {"kind": "hwmon", "at": "1-0049"}])
def test_a_rehearsal_has_the_walls_thermometer_where_the_settings_name_one(probe: dict[str, str]) -> None:
    hears, made = rehearsed(policy="hold", probe=probe)
    assert all(decision.surface_measured for decision in hears.decisions[60:])
    assert any("wall_holds" in {n.code for n in decision.notices} for decision in hears.decisions)
    for decision in hears.decisions:
        if decision.relay_on:
            assert decision.surface_rh_pct is not None
            assert decision.surface_rh_pct < 80.0
    found = judge(made.witness.summary())
    assert {"dry:wall_held", "notice"} <= found.codes
    assert "what the coldest wall allows" in found.text


def test_without_one_the_true_wall_stays_unknown() -> None:
    hears, _ = rehearsed()
    assert {inputs.surface_c for inputs in hears.inputs} == {None}
    assert {decision.surface_c for decision in hears.decisions} == {None}


def test_an_estimate_alone_never_holds_in_a_rehearsal() -> None:
    hears, _ = rehearsed(frsi=0.5)
    assert not any(decision.surface_measured for decision in hears.decisions)
    assert max(decision.target_rh_pct for decision in hears.decisions) >= 65.0
    assert not any(reason.code == "wall" for decision in hears.decisions for reason in decision.reasons)


def test_each_hour_goes_to_the_record_and_is_kept() -> None:
    bench = Bench(flat(), for_s=3 * 3600.0 + 60.0)
    bench.probe = FakeProbe(60.0, 24.0)
    Loop(bench.parts(surface_c=lambda: 16.8), 60.0).run()
    assert len(bench.history.surfaces) == 3
    assert bench.controller.state.coldest.mould.hours == 3


def test_what_stops_measuring_is_told_as_a_fault_and_forgotten_when_it_is_back(tmp_path: Path) -> None:
    path = tmp_path / "wall.txt"
    around = Surroundings(FileThermometer(path, 1e9), None, lambda: bench.clock.mono_s)
    bench = Bench(flat(), for_s=6 * 3600.0)
    bench.clock.hooks.append(lambda since_s: path.write_text("21.0") if since_s > 3 * 3600.0 else None)
    said: list[set[str]] = []

    class Ear:
        def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
            said.append({alarm.code for alarm in decision.alarms})

    parts = bench.parts(surface_c=around.surface_c, more_troubles=around.troubles, tellers=(Ear(),))
    Loop(parts, 60.0).run()
    told = [number for number, codes in enumerate(said) if "wall_lost" in codes]
    assert told[0] == pytest.approx(60, abs=2)  # after an hour, not at a loose contact
    assert told[-1] == pytest.approx(180, abs=3)


def test_a_simulated_wall_is_refused_outside_a_rehearsal() -> None:
    with pytest.raises(ProbeError, match="rehearsal"):
        make_surroundings(Settings(surface={"probe": {"kind": "simulated"}}))
    assert make_surroundings(Settings()).surface_c() is None


@pytest.mark.parametrize(
    ("index", "words"), [(0.4, "no growth"), (1.2, "too fine to see"), (3.1, "may be visible")]
)
def test_status_says_the_wall_in_one_line(index: float, words: str) -> None:
    controller = Controller(flat())
    for second in range(0, 60, 10):
        decision = controller.step(
            Inputs((Reading(51.3 + 0.01 * (second % 20), 24.0),), surface_c=16.8),
            Instant(float(second), NOON, True),
        )
    plain = describe(decision._replace(mould_index=index), "room", 10.0, 0.3) | {"good_for_s": 90.0}
    (line,) = (line for line in as_text(plain, NOON).splitlines() if line.startswith("Coldest"))
    assert "wall 16.8 °C, measured: 80 %RH on it" in line
    assert line.endswith(f"{index:.1f} of 6, {words}" if index < 1 or index > 3 else words)
