"""The room under the real loop against the exact first-order answer.

m dW/dt = n m (Wo - W) + G, the well-mixed single zone of any ventilation handbook; its answer is exact.
"""

from __future__ import annotations

from math import exp
from pathlib import Path
from typing import Any

import pytest

from controller.core.records import Request
from tests.truth.helpers import HOUR_S, dry_air_kg, quiet, ratio_of, rehearse, rh_of, steady_outdoors

N_PER_H = 0.5


def test_without_a_source_the_air_falls_back_exponentially(tmp_path: Path) -> None:
    outdoors = {
        "weather_file": steady_outdoors(tmp_path, 0.0, 80.0),
        "days": 0.25,
        "room": {"start_rh_pct": 80},
    }
    _, looks = rehearse(quiet(0.0, {"bench": outdoors}))
    start, outdoor = ratio_of(24.0, 80.0), ratio_of(0.0, 80.0)
    assert len(looks.t_s) == 6 * 3600 + 1
    assert not any(looks.on)
    for hours in (0.0, 0.5, 1.0, 3.0, 6.0):
        exact = (start - outdoor) * exp(-N_PER_H * hours)
        # exact answer of dW/dt = n (Wo - W); tolerance 1e-6
        assert looks.ratio[int(hours * 3600)] - outdoor == pytest.approx(exact, rel=1e-6)


HELD_ON = {
    "by a high target": (95.0, ()),
    "by humidify_now": (0.0, (Request("humidify_now", for_s=4 * HOUR_S),)),
}


@pytest.mark.parametrize("how", HELD_ON)
def test_step_of_the_humidifier(how: str, tmp_path: Path) -> None:
    target_rh_pct, asks = HELD_ON[how]
    outdoor = ratio_of(0.0, 80.0)
    groups: dict[str, Any] = {
        "tank": {"output_l_per_h": 0.3},
        "bench": {
            "weather_file": steady_outdoors(tmp_path, 0.0, 80.0),
            "days": 2.001 / 24,
            "room": {"start_rh_pct": rh_of(24.0, outdoor)},
        },
    }
    rehearsal, looks = rehearse(quiet(target_rh_pct, groups), asks=asks)
    assert all(looks.on)
    mass_kg = rehearsal.world.room.dry_air_kg
    # 30 m3 at 24 °C, 60 % by the gas law; tolerance 1e-4 for the roundings of two routes to it
    assert mass_kg == pytest.approx(dry_air_kg(30.0, 24.0), rel=1e-4)
    settled = outdoor + 0.3 / (N_PER_H * mass_kg)
    for hours in (1.0, 2.0):
        exact = settled + (outdoor - settled) * exp(-N_PER_H * hours)
        # exact answer with G 0.3 kg/h; tolerance 1e-3
        assert looks.ratio[int(hours * 3600)] == pytest.approx(exact, rel=1e-3)
    # worked out by hand from 3.016 g/kg, 35.008 kg: 9.760 g/kg (52.4 %) at 1 h, 13.850 (73.9 %) at 2 h,
    # 20.155 g/kg in the end; tolerance 1e-3, 0.1 %RH
    assert looks.ratio[3600] == pytest.approx(9.760e-3, rel=1e-3)
    assert looks.ratio[7200] == pytest.approx(13.850e-3, rel=1e-3)
    assert settled == pytest.approx(20.155e-3, rel=1e-3)
    assert looks.rh_pct[3600] == pytest.approx(52.4, abs=0.1)
    assert looks.rh_pct[7200] == pytest.approx(73.9, abs=0.1)


@pytest.mark.parametrize("tick_s", [7, 30, 60])
def test_the_answer_is_exact_at_any_tick(tick_s: int, tmp_path: Path) -> None:
    bench = {"weather_file": steady_outdoors(tmp_path, 0.0, 80.0), "days": 0.25, "room": {"start_rh_pct": 20}}
    groups = {"bench": bench, "tank": {"output_l_per_h": 0.1}, "loop": {"tick_s": tick_s}}
    rehearsal, looks = rehearse(quiet(95.0, groups))
    start, outdoor = ratio_of(24.0, 20.0), ratio_of(0.0, 80.0)
    settled = outdoor + 0.1 / (N_PER_H * rehearsal.world.room.dry_air_kg)
    for t_s, ratio in zip(looks.t_s, looks.ratio, strict=True):
        # exact answer; tolerance 1e-6
        assert ratio == pytest.approx(settled + (start - settled) * exp(-N_PER_H * t_s / HOUR_S), rel=1e-6)
