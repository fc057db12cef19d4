"""bench: figures, rows, picture; and every mistake answered before anything is simulated."""

from __future__ import annotations

import csv
import json
import struct
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.cli import DONE, WRONG
from controller.simulator.climate import CLIMATES
from controller.simulator.rooms import ROOMS
from tests.cli.conftest import Run

SHORT = ("bench", "--days", "0.2")


def figures(run: Run, *more: str) -> dict[str, object]:
    code, out, err = run(*SHORT, "--json", *more)
    assert (code, err) == (DONE, "")
    found: dict[str, object] = json.loads(out)
    return found


def test_the_text(run: Run) -> None:
    code, out, err = run(*SHORT)
    assert (code, err) == (DONE, "")
    assert out.startswith("Rehearsed 0.2 days from 2026-01-12 in ")
    assert "simulated" in out  # nobody shall take it for a measured room
    for words in ("below", "Lowest / mean / highest", "Humidifier", "Water", "Heating", "refused"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 120


def test_the_same_as_json(run: Run) -> None:
    found = figures(run)
    assert found["simulated"] is True
    assert found["weather_invented"] is True
    assert found["method"] == "hysteresis"
    assert found["days"] == pytest.approx(0.2, abs=0.001)
    hours = [value for part in ("day", "night") for value in found[part].values()]  # type: ignore[attr-defined]
    assert sum(hours) == pytest.approx(4.8, abs=0.05)  # 0.2 d, each minute in one cell
    assert 0.0 <= found["lowest_rh_pct"] <= found["mean_rh_pct"] <= found["highest_rh_pct"] <= 100.0  # type: ignore[operator]


def test_the_text_and_the_json_agree(run: Run) -> None:
    found = figures(run)
    _, out, _ = run(*SHORT)
    assert f"{found['lowest_rh_pct']:.1f} / {found['mean_rh_pct']:.1f} / {found['highest_rh_pct']:.1f}" in out
    assert f"{found['litres_per_day']:.1f} L a day" in out


def test_the_same_seed_gives_the_same_figures_and_another_others(run: Run) -> None:
    first, again, other = figures(run), figures(run), figures(run, "--seed", "2")
    assert first == again
    assert first["mean_rh_pct"] != other["mean_rh_pct"]


def test_the_rows(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    code, _, err = run(*SHORT, "--rows", str(path))
    assert code == DONE
    assert str(path) in err
    rows = list(csv.DictReader(path.read_text().splitlines()))
    assert len(rows) == 288  # a row a minute: 0.2 d of 1440
    assert set(rows[0]) >= {"hours", "true_rh_pct", "probe_rh_pct", "target_rh_pct", "on_share", "tank_l"}
    assert float(rows[-1]["hours"]) == pytest.approx(4.8)
    found = figures(run)
    ran_h = sum(float(row["on_share"]) for row in rows) / 60.0
    assert ran_h / 0.2 == pytest.approx(found["run_h_per_day"], rel=0.01)
    wettest = max(float(row["true_rh_pct"]) for row in rows)
    assert wettest == pytest.approx(found["highest_rh_pct"], abs=0.001)


def test_the_picture(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "p.png"
    code, _, err = run(*SHORT, "--picture", str(path))
    assert code == DONE
    assert str(path) in err
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, section 5.2
    width, height = struct.unpack(">II", content[16:24])  # IHDR, section 11.2.2
    assert 800 <= width <= 4000
    assert 500 <= height <= 3000
    assert 20_000 < len(content) < 2_000_000


@pytest.mark.parametrize(("ending", "head"), [("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_the_picture_to_print(run: Run, tmp_path: Path, ending: str, head: bytes) -> None:
    path = tmp_path / f"p.{ending}"
    assert run(*SHORT, "--picture", str(path))[0] == DONE
    assert path.read_bytes().startswith(head)


def test_without_matplotlib_the_picture_is_refused_before_the_work(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.picture.find_spec", lambda name: None)
    code, out, err = run("bench", "--days", "3000", "--picture", str(tmp_path / "p.png"))
    assert (code, out) == (WRONG, "")
    assert "pip install '.[plot]'" in err


def test_the_list(run: Run) -> None:
    code, out, err = run("bench", "--list")
    assert (code, err) == (DONE, "")
    for name in (*ROOMS, *CLIMATES):
        assert name in out


@pytest.mark.parametrize("name", list(ROOMS))
def test_each_named_room_can_be_rehearsed(run: Run, name: str) -> None:
    assert run("bench", "--days", "0.02", "--room", name)[0] == DONE


@pytest.mark.parametrize("name", list(CLIMATES))
def test_each_climate_can_be_rehearsed(run: Run, name: str) -> None:
    assert run("bench", "--days", "0.02", "--climate", name)[0] == DONE


def test_pid_and_a_settings_file(run: Run, room: Callable[..., Path]) -> None:
    path = room("[target]\nday_rh_pct = 61\nnight_rh_pct = 61\n")
    found = figures(run, "--method", "pid", "--settings", str(path))
    assert found["method"] == "pid"


def test_an_option_beats_the_file(run: Run, room: Callable[..., Path]) -> None:
    path = room('[bench]\ndays = 300\nseed = 9\n[demand]\nmethod = "pid"\n')
    found = figures(run, "--settings", str(path), "--method", "hysteresis")
    assert (found["method"], found["seed"]) == ("hysteresis", 9)
    assert found["days"] == pytest.approx(0.2, abs=0.001)


def test_every_change_can_be_told(run: Run) -> None:
    code, out, err = run(*SHORT, "--say")
    assert code == DONE
    assert "On: the room is drier than wanted" in err
    assert out.startswith("Rehearsed")


def test_nothing_is_kept_of_a_rehearsal(run: Run, tmp_path: Path) -> None:
    run(*SHORT)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


MISTAKES = [
    (("--days", "nan"), ("--days", "0.01 to 3700")),
    (("--days", "inf"), ("--days", "0.01 to 3700")),
    (("--days", "0"), ("--days", "0.01 to 3700")),
    (("--days", "-1"), ("--days", "0.01 to 3700")),
    (("--days", "x"), ("--days", "0.01 to 3700")),
    (("--days", ""), ("--days", "empty")),
    (("--seed", "x"), ("--seed", "whole number")),
    (("--seed", "-1"), ("--seed", "whole number")),
    (("--seed", "1.5"), ("--seed", "whole number")),
    (("--method", "foo"), ("--method", "foo", "hysteresis, pid")),
    (("--room", "foo"), ("--room", "foo", "spare-bedroom")),
    (("--climate", "foo"), ("foo", "continental-winter")),
    (("--weather", "missing.csv"), ("missing.csv", "no such file")),
    (("--picture", "foo.gif"), ("foo.gif", ".png")),
    (("--picture", "foo"), ("foo", ".png")),
    (("--picture", "no-such-folder/foo.png"), ("no-such-folder", "make it first")),
    (("--rows", "no-such-folder/foo.csv"), ("no-such-folder", "make it first")),
]


@pytest.mark.parametrize(("options", "told"), MISTAKES)
def test_a_mistake_is_answered_with_what_where_and_what_to_do(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, str], told: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run("bench", *options)
    assert (code, out) == (WRONG, "")
    assert err.startswith("hygrohold: ")
    for words in told:
        assert words in err


def test_a_mistake_in_an_option_is_not_blamed_on_the_environment(run: Run) -> None:
    _, _, err = run("bench", "--days", "x")
    assert "environment" not in err


def test_a_climate_that_does_not_exist_names_the_option(run: Run) -> None:
    _, _, err = run("bench", "--climate", "foo")
    assert "climate" in err.split("'foo'")[0]
    assert "--climate" in err


def test_a_climate_in_the_file_that_does_not_exist_names_its_line(
    run: Run, room: Callable[..., Path]
) -> None:
    path = room('[bench]\nclimate = "foo"\n')
    code, _, err = run("bench", "--settings", str(path))
    assert code == WRONG
    assert f"{path}:5" in err


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("time,temp_c,rh_pct\n2026-01-01T00:00:00Z,1,80\n2026-01-01T01:00:00Z,warm,80\n", 3),
        ("time,temp_c,rh_pct\n2026-01-01T00:00:00Z,1,80\n2026-01-01T01:00:00Z,1,180\n", 3),
        ("time,temp_c,rh_pct\n2026-01-01T00:00:00Z,1,80\n2026-01-01T01:00:00Z,1\n", 3),
        ("nonsense\n1\n", 1),
    ],
)
def test_a_broken_weather_file_is_named_with_its_line(run: Run, tmp_path: Path, text: str, line: int) -> None:
    path = tmp_path / "broken.csv"
    path.write_text(text)
    code, out, err = run("bench", "--weather", str(path))
    assert (code, out) == (WRONG, "")
    assert f"{path}:{line}" in err


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00\x01", b"\0" * 100])
def test_a_weather_file_that_is_none(run: Run, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "odd.csv"
    path.write_bytes(content)
    code, out, err = run("bench", "--weather", str(path))
    assert (code, out) == (WRONG, "")
    assert str(path) in err


def test_a_picture_that_cannot_be_written_is_told_without_a_traceback(run: Run, tmp_path: Path) -> None:
    (tmp_path / "p.png").mkdir()
    code, _, err = run(*SHORT, "--picture", str(tmp_path / "p.png"))
    assert code in (1, WRONG)
    assert str(tmp_path / "p.png") in err


def test_rows_that_cannot_be_written_are_told_without_a_traceback(run: Run, tmp_path: Path) -> None:
    (tmp_path / "rows.csv").mkdir()
    code, _, err = run(*SHORT, "--rows", str(tmp_path / "rows.csv"))
    assert code in (1, WRONG)
    assert str(tmp_path / "rows.csv") in err


class Terminal:
    """Standard error as a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return True


def test_progress_is_shown_on_a_terminal_and_wiped_at_the_end(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = Terminal()
    monkeypatch.setattr("controller.cli.progress.QUIET_S", 0.0)
    monkeypatch.setattr(sys, "stderr", terminal)
    assert run(*SHORT)[0] == DONE
    assert "50 %" in terminal.text
    shown = terminal.text.split("\r")[-1]
    assert shown.strip() == ""  # nothing left on the line that the figures come on
