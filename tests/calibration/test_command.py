"""The command, where no program runs, and the real site over a spool that answers."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.calibration.real import RealSite
from controller.cli import main
from controller.core.calibration import CalibrationMemory, Correction
from controller.core.records import Answer, Reading, Request
from controller.core.state import State
from controller.errors import HygroholdError
from controller.keep import FileKeep
from controller.settings import Settings
from controller.spool import Spool
from controller.wiring import places

NOW = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)


@pytest.fixture
def room(tmp_path: Path) -> Path:
    csv = tmp_path / "probe.csv"
    csv.write_text("time,rh_pct,temp_c\n2026-01-14T16:00+01:00,60,24\n2026-01-14T16:01+01:00,60,24\n")
    path = tmp_path / "room.toml"
    path.write_text(
        f'settings_version = 1\n[room]\nstate_dir = "{tmp_path / "state"}"\n[[probe]]\nkind = "replay"\n'
        f'file = "{csv}"\n'
    )
    return path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    code = main(["calibrate", *words])
    out, err = capsys.readouterr()
    return code, out + err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("compare",), "--reference"),
        (("salt", "--reference", "60"), "goes with compare"),
        (("show", "--salt", "NaCl"), "goes with salt"),
        (("undo", "--rehearse"), "goes with salt"),
        (("undo", "--really"), "goes with compare"),
        (("salt", "--salt", "sugar"), "known are LiCl"),
        (("salt", "--salt", "NaCl", "--salt", "nacl"), "two different ones"),
        (("show", "--probe", "2"), "only 1"),
    ],
)
def test_what_does_not_fit_is_refused(
    room: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    code, text = said(capsys, *words, "--settings", str(room))
    assert code == 2
    assert told in text


@pytest.mark.parametrize("how", ["undo", "back"])
def test_without_the_program_nothing_is_asked(
    room: Path, capsys: pytest.CaptureFixture[str], how: str
) -> None:
    code, text = said(capsys, how, "--settings", str(room))
    assert code == 3
    assert "not running" in text


def test_the_list_says_which_one_counts(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, text = said(capsys, "show", "--settings", str(room))
    assert "never compared" in text
    first_one = Correction(1.0, 1.5, 0.0, "2026-01-01", "first")
    second_one = Correction(1.05, -3.0, 0.0, "2026-01-14", "second")
    folder = places(Settings.load(room, {})).state
    folder.mkdir(parents=True, exist_ok=True)
    FileKeep(folder).save(State(calibration=CalibrationMemory(((first_one, second_one),))))
    _, text = said(capsys, "show", "--settings", str(room))
    second, first, settings = text.splitlines()[1:4]
    assert "counts" in second
    assert "1.05" in second
    assert "counts" not in first + settings


def test_a_simulated_probe_cannot_sit_in_a_jar(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "room.toml"
    path.write_text("settings_version = 1\n")
    code, text = said(capsys, "salt", "--settings", str(path))
    assert code == 1
    assert "--rehearse" in text


@pytest.mark.parametrize(
    ("words", "told"),
    [  # the probe shows 60
        (("65.1",), "they are 5.1 %RH apart, and beyond 5 either may be the wrong one"),
        (("54.9", "--probe", "1"), "the same command with --really"),
        (("70.1", "--really"), "More than 10 is no drift: one of them is spoilt, or not in the same air"),
    ],
)
def test_two_gauges_far_apart_correct_nothing(
    room: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    told: str,
) -> None:
    monkeypatch.setattr("time.sleep", lambda seconds: None)
    code, text = said(capsys, "compare", "--settings", str(room), "--reference", *words)
    assert code == 3
    assert "Nothing kept: " in text
    assert told in text
    assert "jar" not in text


@pytest.mark.parametrize("words", [("65",), ("66", "--really")])
def test_what_may_be_kept_is_asked_of_the_program(
    room: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.setattr("time.sleep", lambda seconds: None)
    _, text = said(capsys, "compare", "--settings", str(room), "--reference", *words)
    assert "The program is not running" in text


def test_a_rehearsed_test_ends_with_nothing_kept(
    room: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    read_end, write_end = os.pipe()
    os.write(write_end, b"y\n" * 6)
    os.close(write_end)
    with os.fdopen(read_end) as typed:
        monkeypatch.setattr(sys, "stdin", typed)
        code, text = said(capsys, "salt", "--rehearse", "--settings", str(room))
    assert code == 0
    assert text.endswith("\nPassed, in the rehearsal: nothing is kept, and no probe is corrected.\n")
    assert "Done: kept" not in text


class Answering(Spool):
    """Answers as soon as it is asked."""

    def leave(self, request: Request, now: datetime) -> str:
        identity = super().leave(request, now)
        self.answer([Answer(request._replace(id=identity), request.kind == "calibrate_begin", "heard")])
        return identity


class Fixed:
    name = "fixed"

    def read(self) -> Reading:
        return Reading(60.0, 24.0)


def test_the_real_site_asks_the_program_and_reads_the_probe(tmp_path: Path) -> None:
    site = RealSite(Fixed(), Answering(tmp_path), lambda: NOW, 10.0)
    assert site.ask(Request("calibrate_begin", probe=1)) == (True, "heard")
    assert site.ask(Request("calibrate_end", probe=1)) == (False, "heard")
    assert site.read() == Reading(60.0, 24.0)


def test_a_program_that_does_not_answer_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from controller.calibration import real

    monkeypatch.setattr(real, "LONGEST_S", -1.0)
    site = RealSite(Fixed(), Spool(tmp_path), lambda: NOW, 0.0)
    with pytest.raises(HygroholdError, match="does not answer"):
        site.ask(Request("calibrate_begin", probe=1))
