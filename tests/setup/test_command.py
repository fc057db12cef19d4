"""`hygrohold setup`: what it writes, when it writes nothing, and what it says next."""

from __future__ import annotations

import builtins
import io
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller import picture
from controller.cli import DONE, REFUSED, WRONG
from controller.cli import setup as command
from controller.cli.setup_bench import Picture
from controller.settings import Settings
from tests.setup.conftest import PI, Run

ENTER = "\n" * 40
MINE = """settings_version = 1
[room]
name = "larch"
units = "us"
state_dir = "/srv/larch"
# agreed with the veterinarian
[target]
day_rh_pct = 68
band_low_rh_pct = 58
band_high_rh_pct = 79
[surface]
frsi = 0.63
[notify]
command = ["/usr/local/bin/tell-nox"]
[bench.room]
air_changes_per_h = 0.9
"""
QUICK = ("--days", "0.05")


def test_enter_everywhere_writes_a_file_that_loads_and_a_picture(run: Run, here: Path) -> None:
    code, out, err = run("larch.toml", *QUICK, typed=ENTER)
    assert (code, err) == (DONE, "")
    settings = Settings.load(here / "larch.toml", {})
    assert (settings.room.name, settings.bench.days) == ("larch", 14.0)
    assert (here / "larch.png").read_bytes().startswith(b"\x89PNG")
    assert "Picture     larch.png" in out
    assert "\nWritten: larch.toml\nStill simulated: the probe and the relay." in out
    assert out.endswith("  hygrohold commission --rehearse --settings larch.toml\n")
    text = (here / "larch.toml").read_text(encoding="utf-8")
    assert "hygrohold check --settings larch.toml" in text
    assert "volume_m3 = 30                  # 12 m² of floor, 2.5 m high" in text


def test_without_a_rehearsal_there_is_no_picture(run: Run, here: Path) -> None:
    code, out, _ = run("larch.toml", "--no-rehearsal", typed=ENTER)
    assert code == DONE
    assert sorted(path.name for path in here.iterdir()) == ["larch.toml"]
    assert "Verdict" not in out
    assert "A year      Worked out hour by hour" in out


def test_on_a_board_the_next_step_is_the_lamp(run: Run) -> None:
    typed = "\n" * 19 + "17\n" + ENTER
    code, out, _ = run("my room.toml", "--no-rehearsal", typed=typed, on=PI)
    assert code == DONE
    assert out.endswith(
        "Next, with a lamp in the outlet, not the humidifier:\n"
        "  hygrohold check --settings 'my room.toml'\n"
        "  hygrohold commission --settings 'my room.toml'\n"
    )
    assert Settings.load("my room.toml", {}).relay.pin == 17


def test_without_a_name_it_is_room_toml(run: Run, here: Path) -> None:
    assert run("--no-rehearsal", typed=ENTER)[0] == DONE
    assert Settings.load(here / "room.toml", {}).room.name == "room"


def test_half_simulated_names_the_half(run: Run) -> None:
    _, out, _ = run("larch.toml", "--no-rehearsal", typed=ENTER, on=PI)
    assert "Still simulated: the relay. " in out


@pytest.mark.parametrize("lines", [0, 5, 18])
def test_the_end_of_input_writes_nothing_but_a_draft_of_what_was_answered(
    run: Run, here: Path, lines: int
) -> None:
    code, out, err = run("larch.toml", *QUICK, typed="\n" * lines)
    assert (code, err) == (REFUSED, "")
    if lines == 0:
        assert out.endswith("Nothing was written.\n")
    else:
        assert f" {lines} answers are kept in larch.toml.draft. To go on: hygrohold setup larch.toml\n" in out
    assert [path.name for path in here.iterdir()] == ["larch.toml.draft"] * (lines > 0)


def test_leaving_gives_an_earlier_picture_back(run: Run, here: Path) -> None:
    (here / "larch.png").write_bytes(b"mine")
    code, out, _ = run("larch.toml", *QUICK, typed="\n" * 18 + "17\n11\nq\n")
    assert code == REFUSED
    assert out.count("Picture     larch.png") == 2
    assert (here / "larch.png").read_bytes() == b"mine"
    assert not (here / "larch.toml").exists()


def test_ctrl_c_writes_nothing(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(prompt: str) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr(builtins, "input", interrupted)
    code, out, _ = run("larch.toml")
    assert code == REFUSED
    assert out.endswith("Nothing was written.\n")
    assert list(here.iterdir()) == []


def test_a_file_that_is_no_settings_is_kept_unless_the_keeper_says_so(run: Run, here: Path) -> None:
    path = here / "larch.toml"
    path.write_text("mine")
    code, out, _ = run("larch.toml", "--no-rehearsal", typed=ENTER)
    assert code == REFUSED
    assert "larch.toml is there already, but cannot be read as settings: larch.toml:1: " in out
    assert "Answer all anew? The old one is kept as larch.toml.before." in out
    assert path.read_text() == "mine"
    code, out, _ = run("larch.toml", "--no-rehearsal", typed="y\n" + ENTER)
    assert code == DONE
    assert "(the old one is kept as larch.toml.before; comments of your own are in that one only)" in out
    assert (here / "larch.toml.before").read_text() == "mine"


def test_enter_everywhere_on_a_file_that_is_there_leaves_it_alone(run: Run, here: Path) -> None:
    path = here / "larch.toml"
    path.write_text(MINE)
    code, out, _ = run("larch.toml", "--no-rehearsal", typed="y\n" + ENTER)
    assert code == DONE
    assert "larch.toml is there already. Change it? The old one is kept as larch.toml.before." in out
    assert "Of larch.toml this changes nothing." in out
    assert "\nlarch.toml stays as it is.\n" in out
    assert [each.name for each in here.iterdir()] == ["larch.toml"]
    assert path.read_text() == MINE


def test_an_answer_changes_its_own_lines_alone_and_says_so(run: Run, here: Path) -> None:
    (here / "larch.toml").write_text(MINE)
    (here / "larch.toml").chmod(0o600)
    typed = ["y", *[""] * 7, "72", "", "", "", "82"]  # without a height, since the file has a volume
    code, out, _ = run("larch.toml", "--no-rehearsal", typed="\n".join(typed) + ENTER)
    assert code == DONE
    assert " 9. Which humidity is wanted by day" in out
    assert "   [68 %] > 72" in out
    assert (
        "Of larch.toml this changes:\n"
        "  line 8     target.day_rh_pct = 68 -> 72\n"
        "  new line   ceiling.highest_rh_pct = 80 -> 82\n" in out
    )
    assert (here / "larch.toml").stat().st_mode & 0o777 == 0o600
    before, after = (Settings.load(here / name, {}) for name in ("larch.toml.before", "larch.toml"))
    target = before.target.model_copy(update={"day_rh_pct": 72.0})
    ceiling = before.ceiling.model_copy(update={"highest_rh_pct": 82.0})
    assert after == before.model_copy(update={"target": target, "ceiling": ceiling})


def test_a_file_that_comes_in_between_is_kept(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = command._made

    def slow(*arguments: Any) -> Any:
        found = made(*arguments)
        (here / "larch.toml").write_text("other")
        return found

    monkeypatch.setattr(command, "_made", slow)
    assert run("larch.toml", "--no-rehearsal", typed=ENTER)[0] == DONE
    assert (here / "larch.toml.before").read_text() == "other"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("larch",), "ends in .toml: larch.toml"),
        (("nowhere/larch.toml",), "there is no folder nowhere"),
        (("folder.toml",), "is a folder"),
        (("larch.toml", "--days", "9999"), "--days: 9999 is not between"),
        (("larch.toml", "--answers", "none.toml"), "there is no such settings file"),
        (("larch.toml", "--answers", "bad.toml"), 'An answer looks like: tank = "1 gal"'),
        (("larch.toml", "--answers", "wrong.toml"), "wrong.toml: tank: "),
        (("there.toml", "--answers", "good.toml"), "there.toml is there already"),
    ],
)
def test_what_cannot_be_is_said_before_anything_is_asked(
    run: Run, here: Path, arguments: tuple[str, ...], words: str
) -> None:
    (here / "folder.toml").mkdir()
    for name, text in (("bad", "tank"), ("wrong", 'tank = "big"'), ("good", "tank = 4"), ("there", "mine")):
        (here / f"{name}.toml").write_text(text)
    code, out, err = run(*arguments, typed=ENTER)
    assert (code, out.replace("\n", "")) == (WRONG, "")
    assert words in err
    assert (here / "there.toml").read_text() == "mine"


def test_a_folder_that_may_not_be_written_to(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    code, _, err = run("larch.toml")
    assert code == WRONG
    assert "this user may not write into" in err


def test_answers_from_a_file(run: Run, here: Path) -> None:
    (here / "answers.toml").write_text(
        'name = "fern"\ntank = 5\ndry_cutout = true\nday_begins = 08:00:00\nvisits = ["7:00", "18:30"]\n'
    )
    code, out, _ = run("larch.toml", "--answers", "answers.toml", "--no-rehearsal")
    assert code == DONE
    assert " > " not in out
    settings = Settings.load("larch.toml", {})
    assert (settings.room.name, settings.tank.tank_l, settings.tank.dry_cutout) == ("fern", 5.0, True)
    assert f"{settings.target.day_starts:%H:%M}" == "08:00"
    assert [f"{at:%H:%M}" for at in settings.bench.keeper.looks_in] == ["07:00", "18:30"]


def test_no_matplotlib_is_said_and_it_goes_on(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picture, "find_spec", lambda name: None)
    code, out, _ = run("larch.toml", *QUICK, typed=ENTER)
    assert code == DONE
    assert "Picture     none: a picture needs matplotlib: pip install '.[plot]'" in out
    assert sorted(path.name for path in here.iterdir()) == ["larch.toml"]


def test_a_picture_that_was_not_drawn_is_not_undone(here: Path) -> None:
    (here / "a.png").write_bytes(b"mine")
    Picture(here / "a.png").undo()
    assert (here / "a.png").read_bytes() == b"mine"


def test_a_full_disk_is_said_in_words(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("controller.files.write_whole", full)
    code, _, err = run("larch.toml", "--no-rehearsal", typed=ENTER)
    assert (code, err) == (1, "hygrohold: larch.toml cannot be written: No space left on device\n")


def test_a_stray_byte_is_a_wrong_answer(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    typed = io.TextIOWrapper(io.BytesIO(b"\xff\xfe\nfern\n" + ENTER.encode()), encoding="utf-8")
    monkeypatch.setattr(io, "StringIO", lambda text="": typed)
    code, out, _ = run("larch.toml", "--no-rehearsal")
    assert code == DONE
    assert "A name is 1 to 40 small letters" in out
    assert Settings.load("larch.toml", {}).room.name == "fern"


@pytest.mark.process
def test_through_a_real_pipe(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "controller", "setup", str(tmp_path / "larch.toml"), "--no-rehearsal"],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        input=ENTER,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=True,
    )
    assert done.stderr == ""
    assert "Written: " in done.stdout
    assert Settings.load(tmp_path / "larch.toml", {}).room.name == "larch"
