"""Nothing of whoever runs the tests, and nothing of a service that this machine may have."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.service import folders
from controller.service.unit import Program


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The service's folders, below a folder of the test; its path."""
    for name in list(os.environ):
        if name.startswith(("HYGROHOLD", "XDG_", "SERVICE_", "EXIT_", "MONITOR_")) or name in (
            *("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "NOTIFY_SOCKET", "SUDO_USER"),
        ):
            monkeypatch.delenv(name)
    machine = tmp_path / "this-machine"
    machine.mkdir()
    for name in ("SETTINGS", "STATE", "RUNTIME", "UNITS", "PAGE"):
        path = machine / getattr(folders, name).relative_to("/")
        path.mkdir(parents=True)
        monkeypatch.setattr(folders, name, path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "user-state"))
    monkeypatch.setenv("COLUMNS", "100")
    return machine


@pytest.fixture
def program(tmp_path: Path) -> Program:
    return Program(Path("/opt/hygrohold/bin/python"), Path("/opt/hygrohold/lib/controller"))


@pytest.fixture
def larch(tmp_path: Path) -> Callable[..., Path]:
    """Writes settings that a service may be installed with; more TOML may follow."""

    def write(more: str = "", relay: str = '[relay]\nkind = "gpiozero"\n', probe: str = "") -> Path:
        path = tmp_path / "larch.toml"
        probe = probe or '[[probe]]\nkind = "hwmon"\nat = "1-0044"\n'
        path.write_text(f'settings_version = 1\n[room]\nname = "larch"\n{probe}{relay}{more}')
        return path

    return write


def skip_loudly(why: str) -> None:
    """A test that cannot run here must not look like one that passed."""
    sys.__stderr__.write(f"\nNOT TESTED HERE: {why}\n")
    pytest.skip(why)
