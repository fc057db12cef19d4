"""A settings file for a walk, and folders below tmp_path only."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith(("HYGROHOLD", "XDG_")) or name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("USER", "tester")
