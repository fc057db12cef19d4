"""From rows of the record to gains in words, or to a plain reason why not."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from math import exp

import pytest

from controller.core.demand import DemandLimits
from controller.core.demand_pid import PidLimits
from controller.step_test import judge, words
from controller.step_test.gains import Found
from controller.step_test.minutes import Untold
from controller.step_test.outcome import Outcome, reckon
from tests.step_test.known import minutes, noisy, on, rows

MIST = ((15, 37),)
COUNT = 60
GAIN, TAU_S, THETA_S = 25.0, 1800.0, 100.0
SIMC_GAIN = TAU_S / (GAIN * 2.0 * (THETA_S + 360.0))
"""Skogestad 2003, with half a window of 12 min as dead time; at 24 °C a unit of moisture is 1.0003 %RH."""
WINDOW_S = 720.0
QUIET = noisy(minutes(COUNT, MIST, GAIN, TAU_S, THETA_S), 0.1)


def judged(moisture: list[float], **how: object) -> Outcome:
    return reckon(rows(moisture, on(COUNT, MIST), **how), WINDOW_S, 1500.0)  # type: ignore[arg-type]


@lru_cache
def plain() -> Outcome:
    return judged(QUIET)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"whole_pct": True},
        {"temp_c": lambda minute: 23.0 + 2.0 * min(max(minute - 15, 0) / 25.0, 1.0)},
    ],
    ids=["plain", "whole-%", "heating"],
)
def test_the_gains_of_a_known_room(how: dict[str, object]) -> None:
    """Within two standard deviations as told; a heating swing of 2 K (12 % of the RH) moves no figure far."""
    outcome = judged(QUIET, **how) if how else plain()
    assert outcome.untold == ""
    assert outcome.found is not None
    assert outcome.stretch is not None
    # per %RH of a warmer room the same moisture is less: known by the saturation pressure
    wanted = SIMC_GAIN / outcome.stretch.per_pct
    off = abs(outcome.found.gain_duty_per_rh_pct / wanted - 1.0)
    assert off < 2.0 * outcome.found.sure_share + 0.01
    assert outcome.found.sure_share < 0.2


def with_door(deep: float, at: int, back_minutes: float) -> list[float]:
    return [
        v - (deep * exp((at - minute) / back_minutes) if minute >= at else 0.0)
        for minute, v in enumerate(QUIET)
    ]


def weak(gain: float) -> list[float]:
    return noisy(minutes(COUNT, MIST, gain, TAU_S, THETA_S), 0.05)


@pytest.mark.parametrize(
    ("moisture", "told"),
    [
        (weak(2.0), "less than 2 %RH tells nothing"),
        (weak(-20.0), "raised the air not at all"),
        (with_door(4.0, 30, 10.0), "was a door opened"),
        ([v + 20.0 * minute / 60.0 for minute, v in enumerate(QUIET)], "drifted by itself by +"),
        (noisy(QUIET, 2.5), "the readings scatter by 2"),
        (noisy(minutes(COUNT, ((15, 27),), GAIN, TAU_S, THETA_S), 0.1), "besides what mist explains"),
        (noisy(minutes(COUNT, MIST, 40.0, TAU_S, 1250.0), 0.05), "mist showed later than 20 min"),
    ],
    ids=["weak", "none", "door", "drift", "noise", "ran dry", "late"],
)
def test_what_does_not_tell_is_refused(moisture: list[float], told: str) -> None:
    outcome = judged(moisture)
    assert outcome.found is None
    assert told in outcome.untold
    (line,) = words.told(outcome, DemandLimits())
    assert line.startswith("This test does not tell the gains: ")
    assert not line.endswith("..")


def test_an_unsure_fit_is_refused() -> None:
    judge.sure_enough(Found(0.1, 3600.0, 0.34, False))
    with pytest.raises(Untold, match="known to 72 % only"):
        judge.sure_enough(Found(0.1, 3600.0, 0.36, False))


def test_a_guard_that_cut_it_short_is_named() -> None:
    mist = ((15, 21),)
    moisture = minutes(COUNT, mist, GAIN, TAU_S, THETA_S)
    outcome = reckon(rows(moisture, on(COUNT, mist), reason="ceiling"), WINDOW_S, 1500.0)
    assert 'only 6 min of mist in it, and at least 10 are needed. A guard cut it short: "ceiling"' in (
        outcome.untold
    )
    by_look = reckon(rows(moisture, on(COUNT, mist), reason="ceiling"), WINDOW_S)
    assert "guard" not in by_look.untold


def test_minutes_that_cannot_be_used_are_refused() -> None:
    whole = rows(QUIET, on(COUNT, MIST))
    for these, told in (
        (whole[:20], "has 20 minutes of that time, and at least 25"),
        (whole * 7, "longer than 6 h"),
        (whole[:30] + whole[32:], "a hole"),
        (
            rows([None if 10 <= m < 20 else v for m, v in enumerate(QUIET)], on(COUNT, MIST)),
            "in 10 of the 60",
        ),
        (rows(QUIET, [1.0] * COUNT), "mist all through"),
    ):
        assert told in reckon(these, WINDOW_S).untold


def test_minutes_that_give_no_line_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.step_test.outcome.fit", lambda moisture, on: None)
    assert "do not tell mist from what the room does by itself" in judged(QUIET).untold


def pasted(lines: list[str]) -> DemandLimits:
    """What the lines to paste are, as settings."""
    begin = lines.index("[demand]")
    ends = next((i for i in range(begin, len(lines)) if lines[i].startswith(("It ", "The "))), len(lines))
    return DemandLimits(**tomllib.loads("\n".join(lines[begin:ends]))["demand"])


@pytest.mark.parametrize(
    ("demand", "told"),
    [
        (DemandLimits(), 'The method is "hysteresis" now'),
        (
            DemandLimits(method="pid", foresight="keep-hours", pid=PidLimits(tuning="learned")),
            "learned gains go before these",
        ),
        (
            DemandLimits(method="pid", pid=PidLimits(gain_duty_per_rh_pct=0.079, integral_minutes=30)),
            "near enough to these: they may stay",
        ),
    ],
)
def test_the_lines_to_paste_are_settings(demand: DemandLimits, told: str) -> None:
    outcome = plain()
    lines = words.told(outcome, demand)
    assert told in "\n".join(lines)
    settings = pasted(lines)
    assert outcome.found is not None
    assert settings.method == "pid"
    assert settings.pid.tuning == "settings"
    assert settings.pid.gain_duty_per_rh_pct == pytest.approx(outcome.found.gain_duty_per_rh_pct, rel=0.06)
    assert settings.pid.integral_minutes == pytest.approx(outcome.found.integral_s / 60.0, abs=0.5)


def test_what_a_short_test_cannot_tell_is_not_told_and_bounds_are_said() -> None:
    outcome = plain()
    assert outcome.stretch is not None
    outcome = outcome._replace(stretch=outcome.stretch._replace(warmed_k=1.5))
    assert outcome.fit is not None
    assert outcome.found is not None
    vague = outcome.fit._replace(
        cov=((1e4, 0.0, 0.0, 0.0), (0.0, 1e8, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))
    )
    text = "\n".join(
        words.told(outcome._replace(fit=vague, found=outcome.found._replace(bounded=True)), DemandLimits())
    )
    assert text.count("not to be told from so short a test") == 3
    assert "at the bounds" in text
    assert "The temperature moved meanwhile" in text
