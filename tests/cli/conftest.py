"""The command in this process, cut off from the caller's own settings and folders."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
import structlog

from controller.cli import main


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No variable of whoever runs the tests; every folder of the program below tmp_path."""
    for name in list(os.environ):
        if name.startswith(("HYGROHOLD", "XDG_")) or name in (
            "STATE_DIRECTORY",
            "RUNTIME_DIRECTORY",
            "JOURNAL_STREAM",
        ):
            monkeypatch.delenv(name)
    for name in ("STATE", "RUNTIME", "DATA", "CONFIG", "CACHE"):
        folder = tmp_path / "xdg" / name.lower()
        folder.mkdir(parents=True, mode=0o700)
        monkeypatch.setenv(f"XDG_{name}_{'DIR' if name == 'RUNTIME' else 'HOME'}", str(folder))
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("USER", "tester")
    structlog.reset_defaults()


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command; its exit code, output and errors. Never a traceback."""

    def command(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        try:
            code = main(arguments)
        except SystemExit as wish:  # argparse: --help, or wrong usage
            code = wish.code if isinstance(wish.code, int) else 1
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return command


@pytest.fixture
def room(tmp_path: Path) -> Callable[..., Path]:
    """Writes a settings file whose state is below tmp_path; more TOML may follow."""

    def write(more: str = "", name: str = "room.toml") -> Path:
        path = tmp_path / name
        path.write_text(f'settings_version = 1\n[room]\nstate_dir = "{tmp_path / "state"}"\n{more}')
        return path

    return write
