"""What a rehearsal is made to say: the verdict's and the sizing's own words, and what would help."""

from __future__ import annotations

import pytest

from controller.cli.size_text import verdict
from controller.first_setup import findings
from controller.first_setup.questions import NUMBERS
from controller.rehearsal import Hours, Summary
from controller.settings import Settings
from controller.simulator.sizing import Sizing, size
from controller.simulator.weather import Outdoor, Weather
from controller.verdict import judge

SETTINGS = Settings()
WINTER = Weather.from_hourly([Outdoor(-5.0, 0.002, 101325.0)] * 24, name="steady")
MILD = Weather.from_hourly([Outdoor(22.0, 0.014, 101325.0)] * 24, name="mild")


def summary(**more: object) -> Summary:
    plain = Summary(
        days=14.0, day=Hours(10.0, 179.0, 0.0), night=Hours(0.0, 147.0, 0.0), lowest_rh_pct=50.0,
        highest_rh_pct=72.0, mean_rh_pct=66.0, above_ceiling_h=0.0, controllable_h=300.0, near_target_h=290.0,
        rms_from_target_rh_pct=2.0, run_h_per_day=9.0, switchings_per_day=60.0, litres_per_day=3.6,
        fillings=14, dry_h=0.0, refused_h={}, heat_kwh_per_day=20.0,
    )  # fmt: skip
    return plain._replace(**more)  # type: ignore[arg-type]


def sizing(settings: Settings = SETTINGS, weather: Weather = WINTER) -> Sizing:
    return size(settings, settings.bench, weather)


def test_a_rehearsal_that_held() -> None:
    told = "\n".join(findings.rehearsed(summary(), SETTINGS))
    assert "Rehearsed: 14 days from 2026-01-12 in a simulated room." in told
    assert "97 % of the time within 60 to 78 %RH; lowest 50, highest 72 %RH" in told  # 326 of 336 h
    assert "runs 9.0 h a day, of 12 in any 24; switched on 30 times a day" in told
    assert "3.6 L a day: a full tank is used up in 27 h" in told  # 4 L
    assert "dry for" not in told
    assert "Verdict     Held." in told
    assert list(findings.advice(summary(), sizing(weather=MILD))) == []


@pytest.mark.parametrize(("litres", "lasts"), [(0.0, "weeks"), (0.5, "8 days"), (4.0, "24 h")])
def test_how_long_a_tank_lasts(litres: float, lasts: str) -> None:
    told = "\n".join(findings.rehearsed(summary(litres_per_day=litres, days=1.0, dry_h=2.0), SETTINGS))
    assert f"a full tank is used up in {lasts}; dry for 2.0 h in all" in told
    assert "Rehearsed: 1 day from" in told


@pytest.mark.parametrize(
    ("because", "answer"),
    [
        ({"dry_because_h": {"cap": 100.0}}, f"more hours (answer {NUMBERS['most_hours']})"),
        ({"dry_because_h": {"small": 100.0}}, f"gives more (answer {NUMBERS['tank_lasts']})"),
        ({"dry_because_h": {"tank": 100.0}}, f"more often (answer {NUMBERS['visits']})"),
        ({"dry_because_h": {"cold": 100.0}}, f"a warmer room (answers {NUMBERS['day_warmth']}"),
        ({"dry_because_h": {"climb": 100.0}}, "patience"),
        ({"wet_because_h": {"weather": 100.0}}, "only drying"),
        ({"wet_because_h": {"overshoot": 100.0}}, "a lower setting"),
    ],
)
def test_each_trouble_is_said_plainly_with_what_helps(
    because: dict[str, dict[str, float]], answer: str
) -> None:
    told = "\n".join(findings.advice(summary(**because), sizing()))
    assert "THE TARGETS ARE NOT HELD with these answers." in told
    assert "OVER A YEAR" not in told
    assert answer in told


def test_a_trouble_without_a_remedy_is_still_said() -> None:
    odd = summary(dry_because_h={"power": 100.0})
    assert any(code == "dry:power" for code in judge(odd).codes)
    assert list(findings.advice(odd, sizing()))[1:] == ["THE TARGETS ARE NOT HELD with these answers."]


def test_every_remedy_is_of_a_cause_that_there_is() -> None:
    from controller.verdict import DRY, WET

    ways = {"dry": DRY, "wet": WET}
    for code in findings.HELPS:
        way, _, cause = code.partition(":")
        assert cause in ways[way]


def test_a_year_that_does_not_hold_is_said_without_a_rehearsal_too() -> None:
    weak = Settings(tank={"tank_l": 4, "full_tank_lasts_h": 100})
    told = "\n".join(findings.advice(None, sizing(weak)))
    assert "OVER A YEAR THE TARGETS ARE NOT HELD" in told
    assert "a humidifier that gives more" in told
    capped = Settings(runtime={"cap_hours_in_any_24": 3})
    assert "more hours" in "\n".join(findings.advice(None, sizing(capped)))


def test_the_sizing_speaks_with_its_own_verdict() -> None:
    found = sizing()
    words = verdict(found, SETTINGS)
    told = list(findings.sized(found, words))
    assert told[0].endswith(words[0])
    assert told[1] == f"  Walls       {words[1]}"
    assert "fRsi 0.7" in told[2]
    mild = sizing(weather=MILD)
    bears = list(findings.sized(mild, verdict(mild, SETTINGS)))
    assert all("By fRsi" not in line for line in bears[:1])
