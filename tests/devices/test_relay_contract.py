"""What a keeper may rely on of the relay's line, the same for each library that reaches it.

Run through the drivers' real code, and gpiozero's real code for lgpio, on a model of the kernel's lines.
"""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.devices.relay_gpiozero import GpiozeroRelay
from controller.devices.relay_libgpiod import LibgpiodRelay
from controller.devices.relay_line import LineRelay
from controller.devices.settings import RelaySettings
from controller.errors import RelayError
from tests.devices.fake_lines import FakeLgpio, Kernel, fake_gpiod, stand_in

DRIVERS = {"gpiozero": GpiozeroRelay, "libgpiod": LibgpiodRelay}
Make = Callable[..., LineRelay]


@pytest.fixture(params=list(DRIVERS))
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=[True, False], ids=["on when high", "on when low"])
def active_high(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


@pytest.fixture
def off(active_high: bool) -> int:
    return 0 if active_high else 1


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Kernel:
    kernel = Kernel(tmp_path)
    gpiod, line = fake_gpiod(kernel)
    stand_in(monkeypatch, kernel, {"lgpio": FakeLgpio(kernel), "gpiod": gpiod, "gpiod.line": line})
    monkeypatch.setattr(atexit, "register", lambda hook: None)
    return kernel


@pytest.fixture
def make(kernel: Kernel, kind: str, active_high: bool) -> Make:
    def make(before_claim: Callable[[], None] = lambda: None, **changed: Any) -> LineRelay:
        wanted = RelaySettings(**{"kind": kind, "active_high": active_high, **changed})
        return DRIVERS[kind](wanted, before_claim)

    return make


def test_one_claim_at_the_off_level_and_no_other(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    assert [event.what for event in kernel.seen].count("out") == 1
    assert "in" not in {event.what for event in kernel.seen}
    assert set(kernel.levels()) == {off}
    assert relay.seen_on() is False
    assert ("switches on when low" in relay.caution) is (off == 1)


def test_on_and_off(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    start = len(kernel.levels())
    for on in (True, True, False, True, False):
        relay.switch(on)
        assert relay.seen_on() is on
    assert kernel.levels()[start:] == [1 - off, 1 - off, off, 1 - off, off]


def test_seen_is_what_the_line_is_not_what_was_asked(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    kernel.level[0, 17] = 1 - off
    assert relay.seen_on() is True


def test_closed_while_on_it_goes_off_and_stays_driven(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    relay.switch(True)
    relay.close()
    assert kernel.level[0, 17] == off
    assert (0, 17) in kernel.holder
    assert not {"free", "in"} & {event.what for event in kernel.seen}


def test_closing_twice_is_fine_and_nothing_works_after(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    relay.close()
    relay.close()
    assert relay.seen_on() is None
    with pytest.raises(RelayError, match="closed already"):
        relay.switch(True)
    assert set(kernel.levels()) == {off}


def test_the_same_line_can_be_opened_again(make: Make, kernel: Kernel, off: int) -> None:
    make().close()
    relay = make()
    assert set(kernel.levels()) == {off}
    relay.switch(True)
    assert relay.seen_on() is True
    relay.close()
    assert kernel.level[0, 17] == off


def test_opened_again_on_a_board_of_the_other_kind(make: Make, kernel: Kernel, active_high: bool) -> None:
    make().close()
    relay = make(active_high=not active_high)
    assert kernel.level[0, 17] == (1 if active_high else 0)
    assert relay.seen_on() is False


def test_a_line_that_was_kept_but_has_failed_is_opened_anew(make: Make, kernel: Kernel, off: int) -> None:
    make().close()
    kernel.refuses_writes = 1
    relay = make()
    assert relay.seen_on() is False
    assert [event.what for event in kernel.seen].count("out") == 2
    assert set(kernel.levels()) == {off}


def test_off_after_a_switching_that_failed(make: Make, kernel: Kernel, off: int) -> None:
    relay = make()
    relay.switch(True)
    kernel.refuses_writes = 1
    with pytest.raises(RelayError, match=r"GPIO17|line 17"):
        relay.switch(False)
    relay.close()
    assert kernel.level[0, 17] == off


def test_a_line_that_cannot_be_driven_off_is_let_go_of(make: Make, kernel: Kernel) -> None:
    """So that a resistor can act, where the kernel makes an input of a line that is let go of."""
    relay = make()
    relay.switch(True)
    kernel.refuses_writes = 9
    with pytest.raises(RelayError, match="cannot be driven"):
        relay.close()
    assert kernel.holder == {}
    relay.close()
    kernel.refuses_writes = 0
    assert make().seen_on() is False


def test_off_at_an_exit_that_forgot_to_close(
    make: Make, kernel: Kernel, off: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    hooks: list[Any] = []
    monkeypatch.setattr(atexit, "register", hooks.append)
    monkeypatch.setattr(atexit, "unregister", hooks.remove)
    relay = make()
    relay.switch(True)
    (hook,) = hooks
    hook()
    assert kernel.level[0, 17] == off
    assert hooks == []
    hook()  # and with nothing left to do, it does nothing


def test_an_exit_tells_nothing_of_a_line_that_is_gone(make: Make, kernel: Kernel) -> None:
    relay = make()
    kernel.unplug(0)
    relay._at_exit()


def test_the_early_off_is_let_go_of_right_before_the_claim(make: Make, kernel: Kernel, kind: str) -> None:
    kernel.claim(0, 17, 0, "hygrohold")  # as the early off holds it
    calls = []

    def let_go() -> None:
        calls.append(len(kernel.seen))
        kernel.free(0, 17)

    make(let_go)
    assert [event.what for event in kernel.seen[calls[0] :]][:2] == ["free", "out"]
    assert len(calls) == 1


def test_the_early_off_stays_where_there_is_no_chip(make: Make, kernel: Kernel) -> None:
    kernel.unplug(0)
    with pytest.raises(RelayError):
        make(lambda: pytest.fail("let go"))


def test_a_line_in_use_is_said_with_its_holder(make: Make, kernel: Kernel) -> None:
    kernel.holder[0, 17] = "heat-mat"
    with pytest.raises(RelayError, match=r'on gpiochip0 is in use by "heat-mat".*stop the other program'):
        make()
    kernel.holder[0, 17] = ""
    with pytest.raises(RelayError, match=r"is in use \("):
        make()
    assert kernel.levels() == []


def test_the_same_line_twice_in_one_program(make: Make) -> None:
    relay = make()
    with pytest.raises(RelayError, match="in use"):
        make()
    assert relay.seen_on() is False


def test_no_such_chip(make: Make, kernel: Kernel) -> None:
    with pytest.raises(RelayError, match=r"there is no .*/gpiochip63 \(there: gpiochip0\); set chip"):
        make(chip=63)


def test_no_such_line(make: Make, kernel: Kernel) -> None:
    kernel.lines = 10
    with pytest.raises(RelayError, match=r"no such (line|pin).*set pin to"):
        make()


def test_permission_refused(make: Make, kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernel, "open", lambda chip: (_ for _ in ()).throw(PermissionError(13, "refused")))
    monkeypatch.setattr(kernel, "there", lambda chip: False)
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path).name != "gpiochip0")
    with pytest.raises(RelayError, match=r"this user may not use .*gpiochip0; add it to the group"):
        make()


def test_a_chip_that_vanishes_is_said_at_each_use(make: Make, kernel: Kernel) -> None:
    relay = make()
    relay.switch(True)
    kernel.unplug(0)
    for on in (True, False):
        with pytest.raises(RelayError, match=r"gone away while it was in use.*Unplug the humidifier"):
            relay.switch(on)
    assert relay.seen_on() is None
    with pytest.raises(RelayError, match="gone away"):
        relay.close()
    relay.close()


def test_without_the_library(make: Make, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio" if kind == "gpiozero" else "gpiod", None)  # the import fails
    extra = {"gpiozero": "board", "libgpiod": "libgpiod"}[kind]
    with pytest.raises(RelayError, match=rf"cannot be loaded.*pip install '\.\[{extra}\]'"):
        make(lambda: pytest.fail("let go"))


def test_two_chips_do_not_mix_up_their_lines(make: Make, kernel: Kernel, off: int) -> None:
    kernel.plug(4)
    one, other = make(), make(chip=4)
    other.switch(True)
    assert (one.seen_on(), other.seen_on()) == (False, True)
    other.close()
    assert kernel.level == {(0, 17): off, (4, 17): off}


STEPS = st.lists(st.sampled_from(["on", "off", "on, refused", "off, refused", "close", "open"]), max_size=12)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(steps=STEPS)
def test_never_on_unasked_whatever_happens(make: Make, kernel: Kernel, off: int, steps: list[str]) -> None:
    kernel.seen.clear()
    relay = make()
    for step in steps:
        before = len(kernel.levels())
        kernel.refuses_writes = 1 if "refused" in step else 0
        try:
            if step == "close":
                relay.close()
            elif step == "open":
                relay.close()
                relay = make()
            else:
                relay.switch(step.startswith("on"))
        except RelayError:
            assert "refused" in step or relay.seen_on() is None
        if not step.startswith("on"):
            assert set(kernel.levels()[before:]) <= {off}
    kernel.refuses_writes = 0
    relay.close()
    assert kernel.level[0, 17] == off
    assert "in" not in {event.what for event in kernel.seen}
