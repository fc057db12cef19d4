"""RULES: relations between the stages' settings; each contradiction names its keys."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from controller.core.rules import Rules


def test_the_defaults_agree() -> None:
    rules = Rules()
    assert rules.ceiling.limit_rh_pct == 78.0
    assert len(rules.probe) == 1


@pytest.mark.parametrize(
    ("groups", "words", "keys"),
    [
        ({"ceiling": {"highest_rh_pct": 71}}, "not below the ceiling", {"target.night_rh_pct"}),
        (
            {"ceiling": {"highest_rh_pct": 71}, "target": {"day_rh_pct": 70, "night_rh_pct": 65}},
            "not below the ceiling",
            {"target.day_rh_pct", "ceiling.highest_rh_pct"},
        ),
        (
            {"demand": {"deadband_rh_pct": 19}},
            "wider than the band",
            {"demand.deadband_rh_pct", "target.band_low_rh_pct"},
        ),
        (
            {"demand": {"method": "pid", "pid": {"window_minutes": 5}}},
            "quarter of the pulse window",
            {"demand.pid.window_minutes"},
        ),
        (
            {"demand": {"method": "pid"}, "guards": {"shortest_off_s": 301}},
            "quarter of the pulse window",
            {"guards.shortest_off_s"},
        ),
        (
            {"guards": {"shortest_on_s": 1801}},
            "longer than the useful run",
            {"guards.shortest_on_s", "runtime.useful_run_minutes"},
        ),
    ],
)
def test_stages_that_contradict_each_other(groups: dict[str, Any], words: str, keys: set[str]) -> None:
    with pytest.raises(ValidationError, match=words) as caught:
        Rules(**groups)
    error = caught.value.errors()[0]
    assert error["type"] == "contradiction"
    assert keys <= set(error["ctx"]["keys"])


@pytest.mark.parametrize("probes", [(), ({}, {}, {})])
def test_one_or_two_probes(probes: Any) -> None:
    with pytest.raises(ValidationError):
        Rules(probe=probes)


@pytest.mark.parametrize(
    "groups",
    [
        {"guards": {"shortest_onn_s": 5}},
        {"guards": {"lowest_temp_c": float("nan")}},
        {"runtime": {"cap_hours_in_any_24": float("inf")}},
        {"runtime": {"cap_hours_in_any_24": 24.1}},
        {"ceiling": {"highest_rh_pct": True}},
        {"humidity": {}},
    ],
)
def test_what_is_misspelt_endless_or_no_number_is_refused(groups: dict[str, Any]) -> None:
    # pydantic by itself lets inf through a lower bound, and ignores unknown keys.
    with pytest.raises(ValidationError):
        Rules(**groups)


def test_rules_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        Rules().guards.shortest_on_s = 0.0  # type: ignore[misc]


def test_a_truth_is_a_truth_where_one_is_asked_for() -> None:
    assert Rules(tank={"dry_cutout": False}).tank.dry_cutout is False
