"""Both doors to the pins, each through its real code, and gpiozero's real code, on a model of the lines."""

from __future__ import annotations

import inspect
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller import wiring
from controller.devices import shelf_gpiozero, shelf_libgpiod, shelf_words
from controller.devices.settings import RelaySettings
from controller.devices.settings_shelf import ShelfSettings
from controller.ports import Relay
from controller.settings import Settings
from controller.shelf import ShelfPins
from controller.spool import Spool
from tests.devices.fake_lines import stand_in
from tests.shelf.fake_board import Board, modules
from tests.shelf.helpers import ALL

KINDS = ["gpiozero", "libgpiod"]
LAMPS = {24: "running", 25: "refill", 22: "alarm"}
RELAY_PIN = 17


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Board:
    board = Board(tmp_path)
    stand_in(monkeypatch, board, modules(board))
    return board


def pins_of(kind: str, shelf: ShelfSettings = ALL) -> ShelfPins:
    door = {"gpiozero": shelf_gpiozero, "libgpiod": shelf_libgpiod}[kind]
    opened: ShelfPins = door.open_shelf(RelaySettings(kind=kind), shelf)
    return opened


def relay_of(kind: str) -> Relay:
    return wiring.make_relay(Settings(relay={"kind": kind}))


def other(shelf: ShelfSettings = ALL, **more: object) -> ShelfSettings:
    return ShelfSettings(**{**shelf.model_dump(), **more})


@pytest.mark.parametrize("high", [True, False])
def test_lamps_are_off_from_the_first_claim_to_the_last_level(board: Board, kind: str, high: bool) -> None:
    off = 0 if high else 1
    pins = pins_of(kind, other(lamps_active_high=high, button_pin=None, hand_pin=None))
    claims = [event for event in board.seen if event.what == "out"]
    assert [event.level for event in claims] == [off] * 3
    assert {event.level for event in board.seen} <= {off}  # and no pulse after it
    for pin, lamp in LAMPS.items():
        pins.light(lamp, True)
        assert board.level[0, pin] == 1 - off
        pins.light(lamp, False)
        assert board.level[0, pin] == off
        pins.light(lamp, True)
    pins.close()
    assert {board.level[0, pin] for pin in LAMPS} == {off}
    assert board.held() == set()


@pytest.mark.parametrize(("pull", "pressed_at"), [("up", 0), ("down", 1)])
def test_the_button_and_its_pull(board: Board, kind: str, pull: str, pressed_at: int) -> None:
    pins = pins_of(kind, other(button_pull=pull))
    assert board.pulls == {23: pull, 27: "up"}
    assert not pins.pressed()
    board.move(23, pressed_at)
    assert pins.pressed()
    board.move(23, 1 - pressed_at)
    assert not pins.pressed()
    pins.close()


def test_the_hand_contact_is_closed_to_ground(board: Board, kind: str) -> None:
    pins = pins_of(kind)
    assert not pins.at_hand()
    board.move(27, 0)
    assert pins.at_hand()
    pins.close()


def test_what_is_not_fitted_is_not_claimed(board: Board, kind: str) -> None:
    pins = pins_of(kind, ShelfSettings(lamp_alarm_pin=22))
    assert board.held() == {22}
    assert (pins.pressed(), pins.at_hand()) == (False, False)
    pins.hear()
    pins.close()
    pins = pins_of(kind, ShelfSettings(button_pin=23))
    assert board.held() == {23}
    pins.close()


def test_the_relay_is_left_alone(board: Board, kind: str) -> None:
    relay = relay_of(kind)
    relay.switch(True)
    board.seen.clear()
    pins = pins_of(kind)
    pins.light("alarm", True)
    pins.close()
    assert board.level[0, RELAY_PIN] == 1
    assert board.held() == {RELAY_PIN}
    relay.switch(False)
    assert board.level[0, RELAY_PIN] == 0
    again = pins_of(kind)  # as the shelf does after a trouble
    assert again.pressed() is False
    again.close()
    relay.close()
    assert board.level[0, RELAY_PIN] == 0


@pytest.mark.parametrize("pin", [22, 23, 27])
def test_a_pin_that_another_holds_is_named_and_nothing_is_kept(board: Board, kind: str, pin: int) -> None:
    board.holder[0, pin] = "other"
    with pytest.raises(Exception, match=r"busy|Busy") as caught:
        pins_of(kind)
    assert board.held() == {pin}
    words = shelf_words.in_words(caught.value, RelaySettings(kind=kind), ALL)
    (key,) = [key for key, number in ALL.pins.items() if number == pin]
    assert words == f'pin {pin} (shelf.{key}) is in use by "other": stop what holds it, or choose another pin'


def test_a_lamp_that_cannot_be_driven_off_keeps_no_other_lit(board: Board, kind: str) -> None:
    pins = pins_of(kind)
    for lamp in LAMPS.values():
        pins.light(lamp, True)
    board.refuses_writes = 1
    pins.close()
    assert sum(board.level[0, pin] for pin in LAMPS) <= 1
    assert board.held() == set()


def test_a_chip_that_goes_away(board: Board, kind: str) -> None:
    pins = pins_of(kind)
    board.unplug(0)
    with pytest.raises(Exception, match=r"bad|No such device"):
        pins.pressed()
    with pytest.raises(Exception, match=r"bad|No such device") as caught:
        pins.light("alarm", True)
    pins.close()
    words = shelf_words.in_words(caught.value, RelaySettings(kind=kind), ALL)
    assert "button_pin 23" in words
    assert "/dev/gpiochip0" in words


def test_a_line_the_chip_does_not_have(board: Board) -> None:
    board.lines = 26
    words = shelf_words.in_words(ValueError("x"), RelaySettings(kind="libgpiod"), ALL)
    assert words == "/dev/gpiochip0 has no line 27: shelf.hand_pin needs another"


def test_an_error_without_words(board: Board) -> None:
    board.holder[0, 23] = ""
    relay = RelaySettings(kind="libgpiod")
    assert "(shelf.button_pin) is in use: stop" in shelf_words.in_words(OSError(), relay, ALL)
    board.holder.clear()
    assert shelf_words.in_words(OSError(), relay, ALL).startswith("OSError (OSError); pins")


def test_the_kernel_rings_when_the_button_moves(board: Board) -> None:
    pins = pins_of("libgpiod")
    assert pins.doorbell is not None
    with pytest.raises(BlockingIOError):
        os.read(pins.doorbell, 1)
    board.move(23, 0)
    pins.hear()
    with pytest.raises(BlockingIOError):
        os.read(pins.doorbell, 1)
    pins.close()


def test_a_chip_without_interrupts_is_looked_at(board: Board) -> None:
    board.has_interrupts = False
    pins = pins_of("libgpiod")
    assert pins.doorbell is None
    assert len(board.held()) == 5
    pins.close()


def test_the_real_bindings_have_what_is_used_of_them() -> None:
    """The doors are run on stand-ins; this holds those to the package's own signatures."""
    import gpiod
    from gpiod.line import Bias, Direction, Edge, Value

    made = gpiod.LineSettings(
        direction=Direction.INPUT, active_low=True, bias=Bias.PULL_UP, edge_detection=Edge.BOTH,
        output_value=Value.INACTIVE,
    )  # fmt: skip
    assert (made.bias, made.edge_detection) == (Bias.PULL_UP, Edge.BOTH)
    assert Bias.PULL_DOWN
    assert Edge.NONE
    assert "timeout" in inspect.signature(gpiod.LineRequest.wait_edge_events).parameters
    assert isinstance(gpiod.LineRequest.fd, property)
    assert callable(gpiod.LineRequest.read_edge_events)


# Wiring.


def test_nothing_fitted_is_no_shelf(tmp_path: Path) -> None:
    said: list[str] = []
    assert wiring.make_shelf(Settings(relay={"kind": "gpiozero"}), Spool(tmp_path), said.append) is None
    assert said == []


def test_beside_a_simulated_relay_nothing_is_driven_and_that_is_said(tmp_path: Path) -> None:
    said: list[str] = []
    settings = Settings(shelf={"button_pin": 23})
    assert wiring.make_shelf(settings, Spool(tmp_path), said.append) is None
    assert len(said) == 1


def test_the_shelf_put_together(board: Board, kind: str, tmp_path: Path) -> None:
    spool, said = Spool(tmp_path), []
    settings = Settings(relay={"kind": kind}, shelf=ALL.model_dump())
    relay = relay_of(kind)
    shelf = wiring.make_shelf(settings, spool, said.append)
    assert shelf is not None
    assert board.held() == {RELAY_PIN}  # nothing before it is started
    now_s = [0.0]
    shelf._now_s = lambda: now_s[0]
    down = {0.5: 0, 0.9: 1}
    for step in range(75):
        now_s[0] = step / 50
        if now_s[0] in down:
            board.move(23, down[now_s[0]])
        shelf.look()
    (asked,) = spool.poll(datetime.now(UTC))
    assert (asked.kind, asked.by) == ("refilled", "button")
    assert all(board.level[0, pin] for pin in LAMPS)
    shelf.close()
    assert board.held() == {RELAY_PIN}
    relay.close()
    assert said == []


def test_a_pin_in_use_is_said_in_words_and_control_is_untouched(
    board: Board, kind: str, tmp_path: Path
) -> None:
    said: list[str] = []
    relay = relay_of(kind)
    relay.switch(True)
    board.holder[0, 25] = "other"
    settings = Settings(relay={"kind": kind}, shelf=ALL.model_dump())
    shelf = wiring.make_shelf(settings, Spool(tmp_path), said.append)
    assert shelf is not None
    assert shelf.look() == 300.0
    assert "(shelf.lamp_refill_pin) is in use" in shelf.trouble
    assert len(said) == 1
    assert board.level[0, RELAY_PIN] == 1
    assert board.held() == {RELAY_PIN, 25}
    shelf.close()
    relay.close()
