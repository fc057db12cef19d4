"""What holds for gpiozero alone: its choice of back end, its own closing at exit, its boards."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from gpiozero import Device, devices

from controller.devices.relay_gpiozero import GpiozeroRelay
from controller.devices.settings import RelaySettings
from controller.errors import RelayError
from tests.devices.fake_lines import FakeLgpio, Kernel
from tests.devices.test_relay_contract import kernel

__all__ = ["kernel"]  # the fixture

BOARD = RelaySettings(kind="gpiozero")
LOW_ON = RelaySettings(kind="gpiozero", active_high=False)


def lgpio() -> FakeLgpio:
    fake = sys.modules["lgpio"]
    assert isinstance(fake, FakeLgpio)
    return fake


def test_only_lgpio_on_the_named_chip_is_opened(kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")  # what gpiozero would choose by itself
    kernel.plug(4)
    GpiozeroRelay(RelaySettings(kind="gpiozero", chip=4))
    assert list(lgpio().handles.values()) == [4]


def test_gpiozeros_own_exit_leaves_it_off_and_driven(kernel: Kernel) -> None:
    """Were the relay's own hook not run, gpiozero's would close the device while it is on."""
    relay = GpiozeroRelay(LOW_ON)
    relay.switch(True)
    devices._shutdown()
    assert kernel.level[0, 17] == 1
    assert (0, 17) in kernel.holder
    assert "in" not in {event.what for event in kernel.seen}
    assert Device.pin_factory is None


def test_gpiozeros_own_exit_is_silent_where_the_chip_is_gone(
    kernel: Kernel, capsys: pytest.CaptureFixture[str]
) -> None:
    GpiozeroRelay(BOARD)
    kernel.unplug(0)
    devices._shutdown()
    assert capsys.readouterr() == ("", "")


def test_another_programs_default_factory_is_left_alone(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    theirs = object()
    monkeypatch.setattr(Device, "pin_factory", theirs)
    GpiozeroRelay(BOARD).close()
    assert Device.pin_factory is theirs


def test_the_chip_is_let_go_of_when_the_line_is_refused(kernel: Kernel) -> None:
    kernel.holder[0, 17] = "other"
    with pytest.raises(RelayError, match="in use"):
        GpiozeroRelay(BOARD)
    assert lgpio().handles == {}
    assert Device.pin_factory is None


def test_an_unknown_board_is_sent_to_the_other_kind(kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    from gpiozero import PinUnknownPi

    def unknown() -> int:
        raise PinUnknownPi("unable to locate Pi revision in /proc/device-tree or /proc/cpuinfo")

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", unknown)
    with pytest.raises(RelayError, match=r'does not know this board.*kind = "libgpiod"'):
        GpiozeroRelay(BOARD, lambda: pytest.fail("the early off was let go of"))
    assert lgpio().handles == {}


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
    kernel: Kernel,
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
    assert lgpio().wd_at_open == expected
