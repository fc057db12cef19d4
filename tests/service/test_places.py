"""Which folders a command goes to, and which settings it takes, where the service runs the room."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.cli import FAILED, NOT_RUNNING, REFUSED, WRONG, main, parser
from controller.errors import KeptStateError
from controller.service import folders, notice
from controller.settings import Settings
from controller.wiring import Places, places

LARCH = {"room": {"name": "larch"}}


@pytest.fixture
def served() -> Path:
    """A room of the service."""
    folder = folders.STATE / "larch"
    folder.mkdir()
    (folders.SETTINGS / "larch.toml").write_text('settings_version = 1\n[room]\nname = "larch"\n')
    return folder


def test_a_room_of_the_service_is_there(served: Path) -> None:
    found = places(Settings(**LARCH))  # type: ignore[arg-type]
    assert found == Places(served, folders.RUNTIME / "larch")
    assert found.by_service


def test_any_other_room_is_the_user_s_own(served: Path, tmp_path: Path) -> None:
    found = places(Settings())
    assert found.state == tmp_path / "user-state" / "hygrohold" / "room"
    assert not found.by_service


def test_what_was_set_or_given_comes_first(
    served: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_there = Settings(room={"name": "larch", "state_dir": str(tmp_path)})  # type: ignore[arg-type]
    assert places(set_there).state == tmp_path / "larch"
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "given"))
    assert places(Settings(**LARCH)).state == tmp_path / "given"  # type: ignore[arg-type]


def test_who_is_not_in_the_group_is_told(served: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(KeptStateError, match="usermod -aG hygrohold"):
        places(Settings(**LARCH))  # type: ignore[arg-type]


ASKING = (
    *(("status",), ("note", "refilled"), ("pause",), ("resume",)),
    *(("humidify",), ("raise", "5"), ("report",)),
)


@pytest.mark.parametrize("words", ASKING)
def test_the_only_room_need_not_be_named(
    served: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(words)
    out = "".join(capsys.readouterr())
    assert code in (NOT_RUNNING, REFUSED, FAILED)
    assert "larch" in out
    if words != ("report",):
        assert "not running" in out
    if words[0] in ("status", "pause"):
        assert "sudo systemctl start hygrohold@larch" in out


def test_of_several_rooms_one_must_be_named(served: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folders.SETTINGS / "oak.toml").write_text("settings_version = 1\n")
    assert main(["status"]) == WRONG
    said = capsys.readouterr().err
    assert f"--settings {folders.SETTINGS / 'larch.toml'}" in said
    assert "oak.toml" in said
    assert main(["status", "--settings", str(folders.SETTINGS / "larch.toml")]) == NOT_RUNNING


def test_a_file_set_aside_is_no_room(served: Path) -> None:
    (folders.SETTINGS / "larch.toml.older-20260112T120000Z").write_text("nonsense")
    assert main(["status"]) == NOT_RUNNING


def test_the_variable_comes_first(
    served: Path, larch: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HYGROHOLD_SETTINGS", str(larch()))
    assert parser().parse_args(["status"]).settings == str(larch())


@pytest.mark.parametrize("words", [("bench", "--list"), ("check",), ("size",), ("run",)])
def test_no_other_command_takes_it(words: tuple[str, ...]) -> None:
    assert not getattr(parser().parse_args(words), "asks", False)


def test_status_tells_of_an_end(served: Path, capsys: pytest.CaptureFixture[str]) -> None:
    now = datetime.now(UTC) - timedelta(minutes=3)
    environ = {"SERVICE_RESULT": "exit-code", "EXIT_STATUS": "3"}
    notice.note("ended", "larch", folders.RUNTIME / "larch", served, environ, now)
    assert main(["status"]) == NOT_RUNNING
    assert "Service     it refused to run" in capsys.readouterr().out
    assert main(["status", "--json"]) == NOT_RUNNING
    plain = json.loads(capsys.readouterr().out)
    assert plain["running"] is False
    assert plain["service_ended"]["exit_status"] == "3"


def test_a_spoilt_file_keeps_nobody_from_asking(served: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The program runs on the last good copy then; the keeper sees both."""
    path = folders.SETTINGS / "larch.toml"
    path.write_text('settings_version = 1\n[room]\nname = "larch"\n[loop]\ntick_s = 0\n')
    assert main(["status"]) == WRONG
    (served / "settings-last-good.toml").write_text('settings_version = 1\n[room]\nname = "larch"\n')
    assert main(["status"]) == NOT_RUNNING
    out, err = capsys.readouterr()
    assert "room larch" in out
    assert "larch.toml:5" in err
    assert "last good copy" in err
    assert main(["check", "--settings", str(path)]) == WRONG
