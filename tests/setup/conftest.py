"""Setup in this process: answers in, what was said out; nobody's own settings, clock or probes."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from controller.cli import main
from controller.devices.boards import Board
from controller.first_setup import machine
from controller.first_setup.machine import Machine, Seen
from controller.first_setup.person import Person

PROBE = Seen("hwmon", "1-0044", "sht4x", "58.3 %RH, 23.1 °C")
SECOND = Seen("iio", "1-0040", "hdc3020", "57.9 %RH, 23.0 °C")
PI = Machine(
    "Europe/Vienna",
    (PROBE,),
    (
        Board("/dev/gpiochip10", "gpiochip10", "gpio-brcmstb@107d508500", 32),
        Board("/dev/gpiochip0", "gpiochip0", "pinctrl-rp1", 54),
    ),
    True,
)
OTHER = Machine(
    "America/Denver",
    (PROBE, SECOND),
    (Board("/dev/gpiochip0", "a", "first", 32), Board("/dev/gpiochip1", "b", "second", 8)),
)
BARE = Machine("Europe/Vienna")


class Told:
    """A person with prepared answers; ``heard`` is what they were told."""

    def __init__(self, answers: Iterable[str] = (), for_ever: bool = False) -> None:
        self._answers = iter(answers)
        self._for_ever = for_ever
        self.out = io.StringIO()
        self.person = Person(self._read, self.out, echo=True)

    def _read(self, prompt: str) -> str:
        self.out.write(prompt)
        answer = next(self._answers, "" if self._for_ever else None)
        if answer is None:
            raise EOFError
        return answer

    @property
    def heard(self) -> str:
        return self.out.getvalue()


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to work in."""
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def run(here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """``hygrohold setup`` with typed lines, on a machine of the test's."""

    def setup(*arguments: str, typed: str = "", on: Machine = BARE) -> tuple[int, str, str]:
        monkeypatch.setattr(machine, "look", lambda: on)
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        capsys.readouterr()
        try:
            code = main(["setup", *arguments])
        except SystemExit as wish:
            code = wish.code if isinstance(wish.code, int) else 1
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return setup
