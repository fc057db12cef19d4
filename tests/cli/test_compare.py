"""bench --compare: one table, one sentence, one picture; mistakes answered before anything is simulated."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli import DONE, WRONG
from controller.compare_text import COLUMN, NAME
from tests.cli.conftest import Run
from tests.cli.test_bench import Terminal

WAYS = ("no_control", "timer", "hysteresis", "pid")


@pytest.fixture
def quick(room: Callable[..., Path]) -> tuple[str, ...]:
    """Options for three hours less seven minutes, in ticks of a minute."""
    path = room("[loop]\ntick_s = 60\n")
    return ("bench", "--settings", str(path), "--days", "0.12")


def figures(run: Run, *options: str) -> dict[str, Any]:
    code, out, err = run(*options, "--json")
    assert (code, err) == (DONE, "")
    found: dict[str, Any] = json.loads(out)
    return found


def test_the_text(run: Run, quick: tuple[str, ...]) -> None:
    code, out, err = run(*quick, "--compare")
    assert (code, err) == (DONE, "")
    assert out.startswith("Compared over 0.12 days from 2026-01-12 in ")
    assert "simulated" in out
    assert out.count("Time in band: ") == 1
    table = out[out.index("The room's true air") : out.index("Time in band: ")]
    assert max(map(len, out.splitlines())) <= 96
    for words in ("RMS", "Lowest / highest", "ceiling", "Runs a day", "litres", "Fillings", "dry tank"):
        assert words in table


@pytest.mark.parametrize("method", ["hysteresis", "pid"])
def test_the_figures_are_those_of_a_rehearsal_of_its_own(
    run: Run, quick: tuple[str, ...], method: str
) -> None:
    side_by_side = figures(run, *quick, "--compare")["ways"]
    assert tuple(side_by_side) == WAYS
    alone = figures(run, *quick, "--method", method)
    assert side_by_side[method] == alone
    assert alone["litres_per_day"] > 0.0
    _, out, _ = run(*quick, "--compare")
    column = WAYS.index(method)
    told = {line[:NAME].strip(): line[NAME + COLUMN * column :][:COLUMN].strip() for line in out.splitlines()}
    assert told["Water, litres a day"] == f"{alone['litres_per_day']:.1f}"
    assert told["Humidifier on, hours a day"] == f"{alone['run_h_per_day']:.1f}"
    assert told["Night: hours below the band"] == f"{alone['night']['below']:.1f}"
    lowest_highest = f"{alone['lowest_rh_pct']:.1f} / {alone['highest_rh_pct']:.1f}"
    assert told["Lowest / highest, %RH"] == lowest_highest


def test_the_options_of_bench_hold_for_every_way(run: Run, quick: tuple[str, ...]) -> None:
    options = (*quick, "--seed", "7", "--climate", "mild-maritime", "--room", "tight-cellar", "--days", "0.1")
    found = figures(run, *options, "--compare")["ways"]
    for way in found.values():
        assert way["seed"] == 7
        assert way["weather"].startswith("mild-maritime")
        assert way["days"] == pytest.approx(0.1)
    assert found["pid"] == figures(run, *options, "--method", "pid")


def test_the_same_seed_gives_the_same_figures(run: Run, quick: tuple[str, ...]) -> None:
    first, again = (figures(run, *quick, "--compare") for _ in range(2))
    assert first == again
    assert figures(run, *quick, "--compare", "--seed", "2") != first


def test_no_control_and_the_timer(run: Run, quick: tuple[str, ...]) -> None:
    """From midnight on: by the timer an hour, from one to two; 0.4 L with the tank as set."""
    found = figures(run, *quick, "--compare")["ways"]
    days = found["timer"]["days"]
    assert found["no_control"]["litres_per_day"] == found["no_control"]["switchings_per_day"] == 0.0
    assert found["timer"]["run_h_per_day"] * days == pytest.approx(1.0)
    assert found["timer"]["litres_per_day"] * days == pytest.approx(0.4)
    assert found["timer"]["switchings_per_day"] * days == pytest.approx(2.0)
    for key in ("no_control", "timer"):
        assert found[key]["method"] == key
        assert found[key]["refused_h"] == {}  # nothing was wanted, so nothing was refused


def test_the_picture(run: Run, quick: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "p.png"
    code, _, err = run(*quick, "--compare", "--picture", str(path))
    assert code == DONE
    assert str(path) in err
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, section 5.2
    width, height = struct.unpack(">II", content[16:24])  # IHDR, section 11.2.2
    assert 1000 <= width <= 3000
    assert 1000 <= height <= 3000
    assert 30_000 < len(content) < 2_000_000


@pytest.mark.parametrize(("ending", "head"), [("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_the_picture_to_print(
    run: Run, quick: tuple[str, ...], tmp_path: Path, ending: str, head: bytes
) -> None:
    path = tmp_path / f"p.{ending}"
    assert run(*quick, "--compare", "--picture", str(path))[0] == DONE
    content = path.read_bytes()
    assert content.startswith(head)


MISTAKES = [
    (("--method", "pid"), ("--method", "--compare", "every method")),
    (("--rows", "rows.csv"), ("--rows", "--compare", "without --compare")),
    (("--say",), ("--say", "--compare", "without --compare")),
    (("--days", "nan"), ("--days", "0.01 to 3700")),
    (("--room", "foo"), ("--room", "foo", "spare-bedroom")),
    (("--climate", "foo"), ("--climate", "foo")),
    (("--weather", "missing.csv"), ("missing.csv", "no such file")),
    (("--picture", "foo.gif"), ("foo.gif", ".png")),
    (("--picture", "no-such-folder/foo.png"), ("no-such-folder", "make it first")),
]


@pytest.mark.parametrize(("options", "told"), MISTAKES)
def test_a_mistake_is_answered_before_anything_is_simulated(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], told: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run("bench", "--compare", *options)
    assert (code, out) == (WRONG, "")
    assert err.startswith("hygrohold: ")
    for words in told:
        assert words in err
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_settings_that_only_one_method_can_obey_are_refused(run: Run, room: Callable[..., Path]) -> None:
    """A shortest pause of ten minutes suits hysteresis, and no pulse of pid."""
    path = room("[guards]\nshortest_off_s = 600\n")
    assert run("bench", "--settings", str(path), "--days", "0.02")[0] == DONE
    code, out, err = run("bench", "--settings", str(path), "--days", "0.02", "--compare")
    assert (code, out) == (WRONG, "")
    assert "shortest on or off" in err
    assert "environment" not in err


def test_without_matplotlib_the_picture_is_refused_before_the_work(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.picture.find_spec", lambda name: None)
    code, out, err = run("bench", "--compare", "--days", "3000", "--picture", str(tmp_path / "p.png"))
    assert (code, out) == (WRONG, "")
    assert "pip install '.[plot]'" in err


def test_a_picture_that_cannot_be_written_is_told_without_a_traceback(
    run: Run, quick: tuple[str, ...], tmp_path: Path
) -> None:
    (tmp_path / "p.png").mkdir()
    code, _, err = run(*quick, "--compare", "--picture", str(tmp_path / "p.png"))
    assert code in (1, WRONG)
    assert str(tmp_path / "p.png") in err


def test_progress_names_each_way_and_is_wiped_at_the_end(
    run: Run, quick: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = Terminal()
    monkeypatch.setattr("controller.cli.progress.QUIET_S", 0.0)
    monkeypatch.setattr("sys.stderr", terminal)
    assert run(*quick, "--compare")[0] == DONE
    for name in ("no control", "timer", "hysteresis", "pid"):
        assert f"{name}: day 0, 50 %" in terminal.text
    assert terminal.text.split("\r")[-1].strip() == ""


def test_progress_is_quiet_for_two_seconds_of_all_the_ways_together(
    run: Run, quick: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = Terminal()
    seconds = iter(range(100_000))
    monkeypatch.setattr("controller.cli.progress.time.perf_counter", lambda: next(seconds) * 0.01)
    monkeypatch.setattr("sys.stderr", terminal)
    assert run(*quick, "--compare")[0] == DONE  # 4 times 173 ticks, each a hundredth of a second
    assert "no control" not in terminal.text
    assert "timer: " in terminal.text
    assert "pid: day 0, 50 %" in terminal.text


def test_the_json_is_quiet_on_a_terminal_too(
    run: Run, quick: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = Terminal()
    monkeypatch.setattr("controller.cli.progress.QUIET_S", 0.0)
    monkeypatch.setattr("sys.stderr", terminal)
    assert run(*quick, "--compare", "--json")[0] == DONE
    assert terminal.text == ""


def test_nothing_is_kept_of_a_comparison(run: Run, quick: tuple[str, ...], tmp_path: Path) -> None:
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    run(*quick, "--compare")
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == before
