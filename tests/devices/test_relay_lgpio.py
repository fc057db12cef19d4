"""The relay's line through gpiozero's real code for lgpio, on a stand-in that records what reaches the line.

gpiozero's mock pins cannot show a pulse at the start: they hide how a line is claimed.
"""

from __future__ import annotations

import os
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero import Device

from controller.devices.relay_gpiozero import GpiozeroRelay
from controller.devices.settings import RelaySettings
from controller.errors import RelayError

BOARD = RelaySettings(kind="gpiozero")
LOW_ON = RelaySettings(kind="gpiozero", active_high=False)


class LgpioError(Exception):
    """lgpio's own error is a plain Exception that says its text in quotes."""

    def __str__(self) -> str:
        return repr(self.args[0])


class FakeLgpio(types.ModuleType):
    """Records what reaches the line: ("in",), ("out", level), ("set", level), ("free",)."""

    SET_PULL_NONE = SET_PULL_UP = SET_PULL_DOWN = 0
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    error = LgpioError

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.calls: list[tuple[Any, ...]] = []
        self.chips: list[int] = []
        self.level, self.out = 0, False
        self.wd_at_open: str | None = None

    def gpiochip_open(self, chip: int) -> int:
        self.chips.append(chip)
        self.wd_at_open = os.environ.get("LG_WD")
        return 1

    def gpiochip_close(self, handle: int) -> None:
        self.chips.clear()

    def gpio_claim_input(self, handle: int, line: int, flags: int = 0) -> None:
        self.out = False
        self.calls.append(("in",))

    def gpio_claim_output(self, handle: int, line: int, level: int = 0, flags: int = 0) -> None:
        self.out, self.level = True, level
        self.calls.append(("out", level))

    def gpio_free(self, handle: int, line: int) -> None:
        self.calls.append(("free",))

    def gpio_write(self, handle: int, line: int, level: int) -> None:
        assert self.out
        self.level = int(level)
        self.calls.append(("set", int(level)))

    def gpio_read(self, handle: int, line: int) -> int:
        return self.level

    def gpio_get_mode(self, handle: int, line: int) -> int:
        return 2 if self.out else 0

    def driven(self) -> list[int]:
        return [int(call[1]) for call in self.calls if len(call) == 2]


@pytest.fixture
def lgpio(monkeypatch: pytest.MonkeyPatch) -> FakeLgpio:
    """The real gpiozero code for lgpio, on the stand-in, on a board of revision a02082 (Pi 3B)."""
    fake = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", fake)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: 0xA02082)
    return fake


@pytest.fixture(autouse=True)
def _lgpio_is_forgotten() -> Iterator[None]:
    yield
    sys.modules.pop("gpiozero.pins.lgpio", None)


def test_only_lgpio_on_the_named_chip_is_opened(lgpio: FakeLgpio, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")  # what gpiozero would choose by itself
    relay = GpiozeroRelay(RelaySettings(kind="gpiozero", chip=4))
    assert lgpio.chips == [4]
    assert Device.pin_factory is None
    relay.close()
    assert lgpio.chips == []


def test_a_high_switching_line_is_never_high_unasked(lgpio: FakeLgpio) -> None:
    relay = GpiozeroRelay(BOARD)
    assert set(lgpio.driven()) == {0}
    relay.switch(True)
    assert lgpio.driven()[-1] == 1
    assert relay.seen_on() is True
    relay.close()
    assert lgpio.driven()[-1] == 0
    assert lgpio.calls[-1] == ("in",)


@pytest.mark.xfail(
    strict=True, reason="the stock pin class claims the line low first (gpiozero pull request 1177)"
)
def test_a_low_switching_line_is_never_low_unasked(lgpio: FakeLgpio) -> None:
    relay = GpiozeroRelay(LOW_ON)
    driven = lgpio.driven()
    relay.close()
    assert set(driven) == {1}


def test_close_lets_go_of_the_chip_when_the_line_is_refused(
    lgpio: FakeLgpio, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*args: object) -> None:
        raise LgpioError("GPIO busy")

    monkeypatch.setattr(lgpio, "gpio_claim_output", busy)
    with pytest.raises(RelayError, match="in use"):
        GpiozeroRelay(BOARD)
    assert lgpio.chips == []


def test_a_chip_that_cannot_be_opened(lgpio: FakeLgpio, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(chip: int) -> int:
        raise LgpioError("can not open gpiochip")

    monkeypatch.setattr(lgpio, "gpiochip_open", missing)
    monkeypatch.setattr(Path, "exists", lambda path: False)
    with pytest.raises(RelayError, match=r"there is no /dev/gpiochip63.*set chip"):
        GpiozeroRelay(RelaySettings(kind="gpiozero", chip=63))


@pytest.mark.parametrize(
    ("writable", "given", "expected"),
    [
        (False, {}, "the temporary folder"),
        (False, {"RUNTIME_DIRECTORY": "/run/room:/run/b"}, "/run/room"),
        (False, {"LG_WD": "/mine"}, "/mine"),
        (True, {}, None),
    ],
)
def test_lgpio_is_given_a_folder_where_it_may_not_write(
    lgpio: FakeLgpio,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    writable: bool,
    given: dict[str, str],
    expected: str | None,
) -> None:
    monkeypatch.setattr(os, "environ", {"PATH": "/bin", **given})
    monkeypatch.setattr(os, "access", lambda path, mode: writable)
    monkeypatch.setattr("tempfile.gettempdir", lambda: "the temporary folder")
    GpiozeroRelay(BOARD).close()
    assert lgpio.wd_at_open == expected
