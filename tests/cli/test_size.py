"""size: the text a keeper reads, the same as JSON, and every mistake answered."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli import DONE, WRONG
from controller.simulator.climate import CLIMATES
from tests.cli.conftest import Run

STEADY_TARGET = "[target]\nday_rh_pct = 60\nnight_rh_pct = 60\n"
STEADY_ROOM = STEADY_TARGET + "[bench.room]\nwarm_temp_c = 24\ncool_temp_c = 24\n"
"""30 m³ and 0.5 air changes an hour are the defaults."""


def figures(run: Run, *options: str) -> dict[str, Any]:
    code, out, err = run("size", "--json", *options)
    assert (code, err) == (DONE, "")
    found: dict[str, Any] = json.loads(out)
    return found


def words(run: Run, *options: str) -> str:
    """The text, without its line breaks."""
    code, out, err = run("size", *options)
    assert (code, err) == (DONE, "")
    return " ".join(out.split())


@pytest.mark.parametrize(
    "options", [*(("--climate", name) for name in CLIMATES), ("--outdoor", "-10,80"), ("--cooled",)]
)
def test_the_text_fits_a_screen(run: Run, options: tuple[str, ...]) -> None:
    code, out, err = run("size", *options)
    assert (code, err) == (DONE, "")
    lines = out.splitlines()
    assert len(lines) <= 31
    assert max(map(len, lines)) <= 96
    for part in (
        "Output needed",
        "Water",
        "Runs",
        "Tank fillings",
        "Heat",
        "Without any",
        "fRsi 0.7, not set",
    ):
        assert part in out
    assert "shifts hours, not the year's sum" in " ".join(out.split())


def test_a_huge_room_still_fits(run: Run, room: Callable[..., Path]) -> None:
    path = room("[bench.room]\nvolume_m3 = 2000\nair_changes_per_h = 20\n[surface]\nfrsi = 0.85\n")
    code, out, _ = run("size", "--settings", str(path))
    assert code == DONE
    assert max(map(len, out.splitlines())) <= 96
    assert "fRsi 0.85, as set" in out


def test_one_design_state(run: Run, room: Callable[..., Path]) -> None:
    """0 °C 80 % outdoors, 24 °C 60 % in: 0.1431 kg/h, so 3.43 kg a day (worked by ASHRAE HVAC Systems and
    Equipment, Humidifiers, eq.1; 0.5 %); with fRsi 0.7 the room may have 51.3 % (ISO 13788; 0.3 %RH).
    """
    path = room(STEADY_ROOM)
    found = figures(run, "--settings", str(path), "--outdoor", "0")  # 80 % where none is given
    assert found["as_set"]["mean_l_per_h"] == pytest.approx(0.1431, rel=0.005)
    assert found["as_set"]["design_day"]["litres"] == pytest.approx(3.43, rel=0.005)
    assert [month["month"] for month in found["months"]] == [None]
    assert found["months"][0]["wall"]["highest_rh_pct"] == pytest.approx(51.3, abs=0.3)
    assert (found["frsi"], found["frsi_assumed"], found["days"]) == (0.7, True, 1)
    text = words(run, "--settings", str(path), "--outdoor", "0")
    assert "for a day: steady 0 °C, 80 %RH" in text
    assert "Water, L a day 1.7 / 1.7 / 1.7 3.4 / 3.4 / 3.4 6.9 / 6.9 / 6.9" in text
    assert "The coldest wall says no: it allows 51 %RH; a wall of fRsi 0.80 would bear it." in text


def test_a_state_below_zero_is_no_option(run: Run) -> None:
    colder, dry = figures(run, "--outdoor", "-10,80"), figures(run, "--outdoor", "-10,20")
    assert colder["weather"] == "steady -10 °C, 80 %RH"
    assert dry["as_set"]["total_l"] > colder["as_set"]["total_l"]
    assert figures(run, "--outdoor=-10")["as_set"] == colder["as_set"]


def test_the_guesses(run: Run, room: Callable[..., Path]) -> None:
    options = ("--settings", str(room(STEADY_ROOM)), "--outdoor", "0,80")
    usual = figures(run, *options)
    given = figures(run, *options, "--tight", "0.4", "--leaky", "1.5")
    for name, changes in (("tight", 0.4), ("as_set", 0.5), ("leaky", 1.5)):
        assert given[name]["air_changes_per_h"] == changes
        # proportional to the air change (eq.1)
        assert given[name]["total_l"] == pytest.approx(usual["as_set"]["total_l"] * changes / 0.5)
    assert (usual["tight"]["air_changes_per_h"], usual["leaky"]["air_changes_per_h"]) == (0.25, 1.0)


# 0.1431 L/h at 0 °C 80 % outdoors, as above; half and double that for the tight and the leaky guess.
VERDICTS = [
    (0.3, 24, "It holds, also if leaky."),
    (0.2, 24, "It holds; if leaky it is too small by a factor of 1.43."),  # 0.2862 / 0.2
    (0.1, 24, "It is too small by a factor of 1.43; if tight it holds; if leaky it is too small by a "
     "factor of 2.86."),
    (0.3, 12, "It holds; if leaky it is too small by a factor of 1.91 under the cap of 12 h."),  # 22.9 / 12
]  # fmt: skip


@pytest.mark.parametrize(("output_l_per_h", "cap_h", "verdict"), VERDICTS)
def test_the_verdict(
    run: Run, room: Callable[..., Path], output_l_per_h: float, cap_h: float, verdict: str
) -> None:
    more = f"[tank]\noutput_l_per_h = {output_l_per_h}\n[runtime]\ncap_hours_in_any_24 = {cap_h}\n"
    options = ("--settings", str(room(STEADY_ROOM + more)), "--outdoor", "0,80")
    assert verdict in words(run, *options)
    assert figures(run, *options)["verdict"][0] == verdict


def test_the_verdict_where_no_humidifier_helps(run: Run, room: Callable[..., Path]) -> None:
    damp = words(run, "--settings", str(room(STEADY_ROOM)), "--outdoor", "26,95")
    assert "It holds without any humidifier. Above the ceiling only drying helps." in damp
    assert "The coldest wall bears the target." in damp


def test_a_wall_that_cannot_bear_it(run: Run, room: Callable[..., Path]) -> None:
    path = room(STEADY_ROOM + "[surface]\nfrsi = 1\nwarn_surface_rh_pct = 55\n")
    text = words(run, "--settings", str(path), "--outdoor", "0,80")
    assert "it allows 55 %RH; no wall would bear it." in text


def write_weather(path: Path, days: int, temp_c: Callable[[int], float]) -> Path:
    rows = [
        f"2026-{1 + day // 28:02d}-{1 + day % 28:02d}T{hour:02d}:00,{temp_c(day)},80"
        for day in range(days)
        for hour in range(24)
    ]
    path.write_text("\n".join(["time,temp_c,rh_pct", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_weather_file(run: Run, room: Callable[..., Path], tmp_path: Path) -> None:
    """28 days at 0 °C: 28 * 24 * 0.1431 kg (0.5 %)."""
    path = write_weather(tmp_path / "january.csv", 28, lambda day: 0.0)
    options = ("--settings", str(room(STEADY_ROOM)), "--weather", str(path))
    found = figures(run, *options)
    assert found["as_set"]["total_l"] == pytest.approx(28 * 24 * 0.1431, rel=0.005)
    assert (found["days"], found["weather_invented"]) == (28, False)
    assert [month["month"] for month in found["months"]] == [1]
    text = words(run, *options)
    assert "for 28 days (no year): january.csv." in text
    assert "says no in every month" not in text
    assert "says no in Jan: it allows 51 %RH in Jan" in text


def test_a_wall_that_says_no_all_year(run: Run, room: Callable[..., Path]) -> None:
    path = room("[surface]\nfrsi = 0.2\n")
    assert "The coldest wall says no in every month: it allows" in words(run, "--settings", str(path))


def test_holds_except_some_hours(run: Run, room: Callable[..., Path], tmp_path: Path) -> None:
    """One day of -10 °C in 112 asks for 0.1735 L/h (worked as above), the others for 0.1431."""
    text = STEADY_ROOM + "[tank]\noutput_l_per_h = 0.16\n[runtime]\ncap_hours_in_any_24 = 24\n"
    path = tmp_path / "cold.csv"
    days = [
        (month, day) for month, length in ((1, 31), (2, 28), (3, 31), (4, 22)) for day in range(1, length + 1)
    ]
    rows = [
        f"2026-{month:02d}-{day:02d}T{hour:02d}:00,{-10 if (month, day) == (2, 3) else 0},80"
        for month, day in days
        for hour in range(24)
    ]
    path.write_text("\n".join(["time,temp_c,rh_pct", *rows]) + "\n", encoding="utf-8")
    said = words(run, "--settings", str(room(text)), "--weather", str(path))
    assert "It holds except 24 of 2688 hours; if tight it holds; if leaky it is too small" in said


def test_a_climate_beats_the_file_of_the_settings(
    run: Run, room: Callable[..., Path], tmp_path: Path
) -> None:
    weather = write_weather(tmp_path / "w.csv", 2, lambda day: 0.0)
    path = room(f'[bench]\nweather_file = "{weather}"\n')
    assert figures(run, "--settings", str(path))["weather"] == "w.csv"
    assert figures(run, "--settings", str(path), "--climate", "hot-humid")["weather"].startswith("hot-humid")
    assert figures(run, "--settings", str(path), "--outdoor", "0")["weather"].startswith("steady")


def test_the_year_is_that_of_the_climate_and_begins_in_january(run: Run, room: Callable[..., Path]) -> None:
    path = room("[bench]\nstarts = 2026-07-01T00:00:00\ndays = 3\n")
    found = figures(run, "--settings", str(path))
    assert (found["days"], found["weather_invented"]) == (365, True)
    assert found["as_set"] == figures(run)["as_set"]
    assert [month["month"] for month in found["months"]] == list(range(1, 13))


def test_the_text_and_the_json_agree(run: Run) -> None:
    found, text = figures(run), words(run)
    for name in ("tight", "as_set", "leaky"):
        load = found[name]
        litres = (load[day]["litres"] for day in ("design_day", "worst_day", "mean_day"))
        assert " / ".join(f"{value:.1f}" for value in litres) in text
        assert f"{load['total_l']:.0f}" in text
    assert f"{found['unaided_above_target_h']} h at the target or above" in text
    assert f"{found['mist_w']:.0f} W while it runs" in text
    assert " ".join(found["verdict"]) in text
    assert " ".join(f"{month['outdoor_c']:.1f}" for month in found["months"]) in text


def test_a_humidifier_that_heats_its_own_water(run: Run, room: Callable[..., Path]) -> None:
    path = room("[bench.room]\nmist_cools = false\n")
    assert "Its mist takes no heat (mist_cools = false)." in words(run, "--settings", str(path))


MISTAKES = [
    (("--outdoor", "cold"), "'cold' is not an outdoor state like -10 or -10,80"),
    (("--outdoor", "-10,0"), "10 to 100 %RH"),
    (("--outdoor", "-10,101"), "10 to 100 %RH"),
    (("--outdoor", "-10,80,5"), "'-10,80,5' is not"),
    (("--outdoor", "5,"), "'5,' is not"),
    (("--outdoor", "nan"), "'nan' is not"),
    (("--outdoor", "-61"), "-60 to 60 °C"),
    (("--outdoor", "0", "--climate", "hot-humid"), "not allowed with"),
    (("--tight", "0"), "'0' is not a figure above zero"),
    (("--tight", "0.6"), "--tight: 0.6 is more than the 0.5 air changes an hour"),
    (("--leaky", "inf"), "'inf' is not a figure above zero"),
    (("--leaky", "0.4"), "--leaky: 0.4 does not lie between the 0.5 air changes"),
    (("--leaky", "101"), "--leaky: 101 does not lie between"),
    (("--climate", "foo"), "--climate"),
    (("--weather", "missing.csv"), "missing.csv"),
    (("--weather", ""), "--weather"),
]


@pytest.mark.parametrize(("options", "told"), MISTAKES)
def test_a_mistake_is_answered(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run("size", *options)
    assert (code, out) == (WRONG, "")
    assert told in err


def test_a_broken_weather_file_is_named_with_its_line(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "broken.csv"
    path.write_text("time,temp_c,rh_pct\n2026-01-01T00:00:00Z,1,80\n2026-01-01T01:00:00Z,warm,80\n")
    code, out, err = run("size", "--weather", str(path))
    assert (code, out) == (WRONG, "")
    assert f"{path}:3" in err
