"""What holds for libgpiod alone: its name in the kernel's book, lines beyond a Pi's, the real bindings."""

from __future__ import annotations

import inspect

import pytest

from controller.devices.relay_libgpiod import LibgpiodRelay
from controller.devices.settings import RelaySettings
from controller.errors import RelayError
from tests.devices.fake_lines import Kernel
from tests.devices.test_relay_contract import kernel

__all__ = ["kernel"]  # the fixture


def test_the_kernel_is_told_who_holds_the_line(kernel: Kernel) -> None:
    relay = LibgpiodRelay(RelaySettings(kind="libgpiod", pin=411))
    assert kernel.holder == {(0, 411): "hygrohold"}
    relay.close()
    with pytest.raises(RelayError, match="no such pin"):
        LibgpiodRelay(RelaySettings(kind="libgpiod", pin=511).model_copy(update={"pin": 512}))


def test_a_line_that_is_not_there_does_not_cost_the_early_off(kernel: Kernel) -> None:
    kernel.lines = 10
    with pytest.raises(RelayError, match="no such pin"):
        LibgpiodRelay(RelaySettings(kind="libgpiod"), lambda: pytest.fail("let go"))


def test_the_real_bindings_have_what_is_used_of_them() -> None:
    """The contract is run on a stand-in; this holds the stand-in to the package's own signatures."""
    import gpiod
    from gpiod.line import Direction, Value

    parameters = inspect.signature(gpiod.Chip.request_lines).parameters
    assert {"config", "consumer"} <= set(parameters)
    settings = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value(1))
    assert settings.output_value is Value.ACTIVE
    assert settings.active_low is False
    for owner, names in (
        (gpiod.Chip, ("line_offset_from_id", "close")),
        (gpiod.LineRequest, ("set_value", "get_value", "release")),
    ):
        assert all(callable(getattr(owner, name)) for name in names)
    with pytest.raises(FileNotFoundError):
        gpiod.Chip("/dev/gpiochip4095")
