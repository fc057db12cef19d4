"""For every test: no waiting on the wall clock, property tests that repeat themselves, typed answers."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from controller import room_lock

settings.register_profile(
    "ci",
    derandomize=True,
    max_examples=60,
    deadline=None,
    database=None,
    report_multiple_bugs=False,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "search", settings.get_profile("ci"), derandomize=False, max_examples=2000
)  # hunts for more
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def _no_sleep(seconds: float) -> None:
    if seconds > 0.0:
        raise AssertionError(f"a test waited {seconds} s on the wall clock; mark it 'process' if it must")


@pytest.fixture(autouse=True)
def _no_sleeping(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.node.get_closest_marker("process") is None:
        monkeypatch.setattr(time, "sleep", _no_sleep)
        monkeypatch.setattr(room_lock, "LOOK_S", 0.0)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """``check.py`` finds the files with tests of real processes by their text: none may hide from it."""
    for path in {item.path for item in items if item.get_closest_marker("process")}:
        if "mark.process" not in path.read_text(encoding="utf-8"):
            raise pytest.UsageError(f"{path}: mark its tests with pytest.mark.process in the file itself")


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Answers, as from a pipe; after them the end of input."""
    opened: list[Any] = []

    def give(text: str) -> None:
        read_end, write_end = os.pipe()
        os.write(write_end, text.encode())
        os.close(write_end)
        opened.append(os.fdopen(read_end))
        monkeypatch.setattr(sys, "stdin", opened[-1])

    yield give
    for file in opened:
        file.close()
