"""The figures of a rehearsal against what must be so, whatever the room."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import pytest

from controller.bench_text import as_json, as_text
from controller.rehearsal import Summary, Trace
from controller.settings import Settings
from controller.wiring import Rehearsal, make_rehearsal


@lru_cache
def rehearsed(name: str) -> tuple[Settings, Rehearsal, Summary]:
    """A day, seen by a witness with a trace; not changed afterwards."""
    scenes: dict[str, dict[str, Any]] = {
        "plain": {},
        "nobody fills": {"bench": {"keeper": {"looks_in": ()}}},
        "capped": {"runtime": {"cap_hours_in_any_24": 2.0}},
    }
    groups = scenes[name]
    bench = {"days": 1.5, **groups.get("bench", {})}
    settings = Settings(**{**groups, "bench": bench, "loop": {"tick_s": 30.0}})
    rehearsal = make_rehearsal(settings, trace=True)
    rehearsal.run()
    return settings, rehearsal, rehearsal.witness.summary()


def trace_of(name: str) -> Trace:
    trace = rehearsed(name)[1].witness.trace
    assert trace is not None
    return trace


SCENES = ["plain", "nobody fills", "capped"]


@pytest.mark.parametrize("name", SCENES)
def test_every_minute_is_in_one_cell(name: str) -> None:
    _, _, summary = rehearsed(name)
    assert sum(summary.day) + sum(summary.night) == pytest.approx(36.0)
    # Day from 7:30 to 21:00, begun at midnight: 13.5 h of the first and 4.5 h of the second day.
    assert sum(summary.day) == pytest.approx(13.5 + 4.5, abs=0.05)


@pytest.mark.parametrize("name", SCENES)
def test_the_figures_are_those_of_the_trace(name: str) -> None:
    _, _, summary = rehearsed(name)
    trace = trace_of(name)
    assert len({len(column) for column in trace}) == 1
    assert len(trace.hours) == 36 * 60
    assert summary.lowest_rh_pct == min(trace.true_rh_pct)
    assert summary.highest_rh_pct == max(trace.true_rh_pct)
    assert summary.mean_rh_pct == pytest.approx(math.fsum(trace.true_rh_pct) / len(trace.hours))
    assert summary.run_h_per_day * 1.5 == pytest.approx(sum(trace.on_share) / 60.0, abs=0.01)
    assert all(0.0 <= share <= 1.0 + 1e-9 for share in trace.on_share)
    assert summary.near_target_h <= summary.controllable_h <= 36.0


@pytest.mark.parametrize("name", SCENES)
def test_water_is_output_times_time_and_no_more_than_was_filled(name: str) -> None:
    settings, _, summary = rehearsed(name)
    used_l, ran_h = summary.litres_per_day * 1.5, summary.run_h_per_day * 1.5
    wet_h = ran_h - summary.dry_h
    # Within one tick of 30 s each time the tank runs dry.
    assert used_l == pytest.approx(wet_h * settings.tank.rate_l_per_h, abs=0.02)
    assert used_l <= settings.tank.tank_l * (1 + summary.fillings) + 1e-6


def test_nobody_fills() -> None:
    settings, _, summary = rehearsed("nobody fills")
    assert summary.fillings == 0
    assert summary.litres_per_day * 1.5 == pytest.approx(settings.tank.tank_l)  # all of it
    assert trace_of("nobody fills").tank_l[-1] == 0.0
    assert summary.refused_h["tank_empty"] > 1.0
    assert 0.0 < summary.dry_h < 10.0  # trial pulses only


def test_the_cap_is_told() -> None:
    settings, rehearsal, summary = rehearsed("capped")
    trace = trace_of("capped")
    for first in range(0, len(trace.hours) - 1440, 60):
        assert sum(trace.on_share[first : first + 1440]) / 60.0 <= 2.0 + 1e-6
    assert summary.refused_h["cap"] > 10.0
    text = as_text(summary, settings, rehearsal.weather, 0.1)
    (row,) = [line for line in text.splitlines() if line.strip().startswith("runtime cap")]
    assert row.split()[-2:] == [f"{summary.refused_h['cap']:.2f}", "h"]


def test_what_was_learned_is_told_where_anything_is_learned() -> None:
    settings, rehearsal, summary = rehearsed("plain")
    assert summary.learned == ()
    assert "Learned" not in as_text(summary, settings, rehearsal.weather, 0.1)
    text = as_text(summary._replace(learned=("One.", "Two.")), settings, rehearsal.weather, 0.1)
    assert text.endswith("Learned of the room by the end\n  One.\n  Two.")


def test_with_foresight_a_rehearsal_says_what_it_learned() -> None:
    settings = Settings(demand={"foresight": "keep-hours"}, loop={"tick_s": 60}, bench={"days": 0.2})  # type: ignore[arg-type]
    rehearsal = make_rehearsal(settings, False)
    rehearsal.run()
    (line,) = rehearsal.witness.summary().learned
    assert line.startswith("The room is still being learned (")


def test_text_and_json_hold_the_same_figures() -> None:
    settings, rehearsal, summary = rehearsed("plain")
    plain = as_json(summary, settings, rehearsal.weather)
    assert set(Summary._fields) <= set(plain)
    assert plain["day"] == summary.day._asdict()
    text = as_text(summary, settings, rehearsal.weather, 0.1)
    day = next(line for line in text.splitlines() if line.startswith("day "))
    assert [float(word) for word in day.split() if word[0].isdigit()] == [
        pytest.approx(hours, abs=0.05) for hours in summary.day
    ]
