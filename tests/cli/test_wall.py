"""fRsi from readings. Check values: DIN 4108-2's design point (20 °C, -5 °C, wall 12.5 °C: fRsi 0.70), and
what ISO 13788's 80 % criterion allows at 24 °C and 0 °C outdoors: 51.3 %RH at fRsi 0.70."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.settings import Settings
from tests.cli.conftest import Run


def test_the_design_point_and_what_it_allows(run: Run) -> None:
    code, out, _ = run("wall", "--reading", "20", "12.5", "-5", "--reading", "20", "12.6", "-5")
    assert code == 0
    assert "frsi = 0.70" in out
    assert "0.04" in out  # 1 K / 25 K
    assert any(line.split()[:2] == ["0", "°C"] and "51 %RH" in line for line in out.splitlines())


def test_check_reads_both_thermometers(run: Run, room: Callable[..., Path], tmp_path: Path) -> None:
    weather = tmp_path / "outdoor.txt"
    weather.write_text("41 °F\n", encoding="utf-8")
    wall = '[surface.probe]\nkind = "hwmon"\nat = "9-0049"\n'
    outdoors = f'[surface.outdoor]\nkind = "file"\nfile = "{weather}"\n'
    _, out, _ = run("check", "--settings", str(room(wall + outdoors)))
    lines = {line.split()[0]: line for line in out.splitlines() if line.strip()}
    assert "no reading, because no sensors of the kernel fit 9-0049" in lines["Wall"]
    assert "5.0 °C" in lines["Outdoors"]
    simulated = '[surface.probe]\nkind = "simulated"\n[surface.outdoor]\nkind = "file"\nfile = "/"\n'
    _, out, _ = run("check", "--settings", str(room(simulated)))
    assert "for rehearsals only" in out
    assert "is a folder" in out


def test_other_units(run: Run) -> None:
    code, out, _ = run("wall", "--reading", "68 F", "54.5 F", "23 F")
    assert code == 0
    assert "frsi = 0.70" in out


@pytest.mark.parametrize(
    ("three", "words"),
    [
        (("24", "20", "18"), "colder evening"),
        (("24", "1", "2"), "order"),
        (("24", "25", "2"), "order"),
        (("24", "3.5", "2"), "nearly as cold"),
        (
            ("75", "63", "36"),
            'a room of 75 °C is none. Fahrenheit is written with its letter: --reading "75 F"',
        ),
    ],
)
def test_readings_that_tell_nothing_are_refused(run: Run, three: tuple[str, str, str], words: str) -> None:
    code, _, err = run("wall", "--reading", *three)
    assert code == 2
    assert words in err


@pytest.mark.parametrize(
    ("more", "words", "done"),
    [
        ("", "at its end, below a line [surface] of its own:", "[surface]\nfrsi = 0.70\n"),
        ("[surface]\nmaterial = 'mineral'\n", "right below [surface] in line 4, ", "frsi = 0.70\n"),
        ("[surface]\nfrsi = 0.5\n", "in place of what stands in line 5:", None),
        ("[surface.probe]\nkind = 'none'\n", "at its end, below", "[surface]\nfrsi = 0.70\n"),
    ],
)
def test_it_says_where_the_line_belongs(
    run: Run, room: Callable[..., Path], more: str, words: str, done: str | None
) -> None:
    file = room(more)
    code, out, _ = run("wall", "--reading", "20", "12.5", "-5", "--settings", str(file))
    assert code == 0
    assert f"For {file}, {words}" in out
    assert "[surface]\nfrsi" not in out  # nothing to paste that makes a second table
    text = file.read_text()
    if done is None:
        text = text.replace("frsi = 0.5\n", "frsi = 0.70\n")
    elif "right below" in words:
        text = text.replace("[surface]\n", f"[surface]\n{done}")
    else:
        text += done
    file.write_text(text)
    assert Settings.load(file, {}).surface.frsi == 0.7


def test_without_a_file_the_table_is_named(run: Run) -> None:
    _, out, _ = run("wall", "--reading", "20", "12.5", "-5")
    assert "For the settings file, under its line [surface]" in out


@pytest.mark.parametrize("text", ["warm", "nan", "1e9", "5 gal"])
def test_what_is_no_temperature_is_refused(run: Run, text: str) -> None:
    code, _, err = run("wall", "--reading", "24", text, "2")
    assert code == 2
    assert "not a temperature" in err


def test_readings_far_apart_are_said(run: Run) -> None:
    _, out, _ = run("wall", "--reading", "24", "17", "2", "--reading", "24", "12", "2")
    assert "further apart" in out
    assert "frsi = 0.45" in out
