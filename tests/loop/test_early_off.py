"""The relay's line is held off from the start until its driver claims it; the file that says which line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller import early_off, force_off
from controller.copies import copies
from controller.devices.settings import RelaySettings
from controller.early_off import begin, leave_line_file, remark, way_for
from controller.force_off import FILE, Held, read_line_file, write_line_file

BOARD = RelaySettings(kind="gpiozero")
LINE = ("/dev/gpiochip0", 17, 0)


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))


@pytest.fixture
def claimed(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int, int]]:
    """What was claimed; each claim is a real descriptor, so that a release is seen."""
    found: list[tuple[str, int, int]] = []

    def claim(chip: str, line: int, level: int) -> int:
        found.append((chip, line, level))
        return os.open("/dev/null", os.O_RDONLY)

    monkeypatch.setattr(force_off, "claim", claim)
    return found


def is_open(held: Held) -> bool:
    return held.holding and Path(f"/proc/self/fd/{held._descriptor}").exists()


def test_under_a_service_its_folders_are_looked_into(
    claimed: list[tuple[str, int, int]], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    state = tmp_path / "var"
    state.mkdir()
    write_line_file(state, "/dev/gpiochip4", 22, 1)
    monkeypatch.setenv("STATE_DIRECTORY", str(state))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))  # empty after a reboot
    held = begin(Path("/etc/hygrohold/larch.toml"))
    assert claimed == [("/dev/gpiochip4", 22, 1)]
    held.release()


def test_without_a_service_the_folder_that_the_files_name_gives(
    claimed: list[tuple[str, int, int]], tmp_path: Path
) -> None:
    path = tmp_path / "larch.toml"  # it need not even exist
    assert leave_line_file(BOARD, [copies(path)]) == ""
    held = begin(path)
    assert claimed == [LINE]
    assert is_open(held)
    held.release()


def test_nothing_is_held_where_nothing_is_known(claimed: list[tuple[str, int, int]], tmp_path: Path) -> None:
    assert not begin(None).holding
    assert not begin(tmp_path / "new.toml").holding
    assert claimed == []


def test_the_settings_line_is_let_go_of_and_another_is_not(claimed: list[tuple[str, int, int]]) -> None:
    def fresh() -> Held:
        return Held(LINE, force_off.claim(*LINE), "")

    held = fresh()
    way_for(BOARD.model_copy(update={"active_high": False}), held)()
    assert not held.holding
    for other in ({"pin": 18}, {"chip": 1}):
        held = fresh()
        way_for(BOARD.model_copy(update=other), held)()
        assert is_open(held)
        held.release()


def test_what_went_wrong_is_a_remark(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    write_line_file(tmp_path, "/dev/gpiochip4095", 17, 0)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    held = begin(None)
    assert not held.holding
    assert remark(held) == "The relay's line was not driven off early: there is no /dev/gpiochip4095."
    assert remark(early_off.NOTHING_HELD) == ""


def test_the_line_file_goes_to_every_folder_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    a, b = tmp_path / "run" / "a", tmp_path / "state"
    assert leave_line_file(BOARD, [a, b, b]) == ""
    assert read_line_file(a) == read_line_file(b) == LINE
    writes: list[object] = []
    monkeypatch.setattr(force_off, "write_line_file", lambda *told: writes.append(told))
    assert leave_line_file(BOARD, [a, b]) == ""
    assert writes == []  # a memory card is not worn for what is there already
    (b / FILE).write_text("torn")
    leave_line_file(BOARD.model_copy(update={"active_high": False}), [a, b])
    assert writes == [(a, "/dev/gpiochip0", 17, 1), (b, "/dev/gpiochip0", 17, 1)]


def test_a_simulated_relay_has_no_line_file(tmp_path: Path) -> None:
    leave_line_file(BOARD, [tmp_path])
    assert leave_line_file(RelaySettings(), [tmp_path, tmp_path / "none"]) == ""
    assert read_line_file(tmp_path) is None


def test_one_bad_folder_is_told_and_the_others_are_written(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    words = leave_line_file(BOARD, [tmp_path / "file", tmp_path])
    assert f"{tmp_path}/file/{FILE} is not as it should be (" in words
    assert "cannot be driven off from outside" in words
    assert read_line_file(tmp_path) == LINE


@pytest.mark.process
def test_run_drives_off_before_anything_heavy_is_loaded() -> None:
    code = (
        "import sys, controller.early_off as early\n"
        "def begin(path):\n"
        "    heavy = {'pydantic', 'gpiozero', 'structlog', 'sqlite3', 'platformdirs', 'controller.daemon'}\n"
        "    sys.exit(f'{path} {sorted(heavy & set(sys.modules))}')\n"
        "early.begin = begin\n"
        "from controller.cli import main\n"
        "main(['run', '--settings', 'x.toml'])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.stderr == "x.toml []\n"
