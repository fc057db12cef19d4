"""The shelf as the loop's teller: presses, answers, lamps, and its own failures."""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path

import pytest

from controller import shelf_watch
from controller.core.records import Inputs
from controller.devices.settings_shelf import ShelfSettings
from controller.errors import RequestError
from controller.loop import Loop
from controller.shelf_watch import Shelf
from controller.spool import Spool
from tests.loop.helpers import Bench
from tests.shelf.helpers import ALL, FakePins, Rig, decision


@pytest.fixture
def rig() -> Rig:
    made = Rig()
    made.tick(decision())
    made.run(1.0)
    return made


def test_a_short_press_says_refilled_and_flashes_twice_when_it_is_done(rig: Rig) -> None:
    rig.press(0.3)
    assert [(request.kind, request.by) for request in rig.asked] == [("refilled", "button")]
    assert rig.asked[0].litres is None  # to the top
    rig.run(3.0)
    assert all(rig.pins.lit.values())  # heard: lit until the loop answers
    answered_s = rig.now_s
    rig.answer(True)
    rig.run(5.0)
    assert rig.flashes(answered_s) == pytest.approx([0.25, 0.25], abs=0.05)
    assert not any(rig.pins.lit.values())


def test_a_long_press_pauses_and_while_paused_resumes(rig: Rig) -> None:
    rig.press(2.5)
    answered_s = rig.now_s
    rig.answer(True, reasons=("paused",))
    rig.run(5.0)
    assert rig.flashes(answered_s) == pytest.approx([1.5], abs=0.05)
    rig.press(2.5)
    assert [request.kind for request in rig.asked] == ["pause", "resume"]
    assert rig.asked[0].for_s is None  # the default length


def test_a_refusal_flutters(rig: Rig) -> None:
    rig.press(0.3)
    answered_s = rig.now_s
    rig.answer(False)
    rig.run(5.0)
    assert rig.flashes(answered_s) == pytest.approx([0.2] * 5, abs=0.05)


def test_the_lamps_light_when_it_has_been_held_long_enough(rig: Rig) -> None:
    rig.pins.down = True
    rig.run(1.9)
    assert not any(rig.pins.lit.values())
    rig.run(0.3)
    assert all(rig.pins.lit.values())
    assert rig.asked == []


def test_an_impatient_second_press_is_the_same_wish(rig: Rig) -> None:
    """Two long presses before the loop looks must not pause and resume."""
    for _ in range(3):
        rig.press(2.5)
    rig.press(0.3)
    assert [request.kind for request in rig.asked] == ["pause", "refilled"]


def test_an_answer_that_never_comes_is_waited_for_no_longer_than_three_ticks(rig: Rig) -> None:
    rig.press(0.3)
    for _ in range(4):
        rig.run(10.0)
        rig.tick(decision())
    rig.run(0.2)
    assert not any(rig.pins.lit.values())
    rig.press(0.3)
    assert len(rig.asked) == 2


def test_somebody_elses_answer_is_not_ours(rig: Rig) -> None:
    rig.press(0.3)
    rig.asked.append(rig.asked[0])  # id-2 was left by a command
    rig.answer(True)
    rig.run(2.0)
    assert all(rig.pins.lit.values())


def test_a_request_that_cannot_be_left_flutters_and_is_said(rig: Rig) -> None:
    rig.unleft = RequestError("the request could not be left in /x: No space left on device")
    began_s = rig.now_s
    rig.press(0.3)
    rig.run(4.0)
    assert len(rig.flashes(began_s)) == 5
    assert len(rig.said) == 1
    assert "could not be passed on: the request could not be left" in rig.said[0]


def test_a_stuck_button_is_said_once_and_asks_for_nothing(rig: Rig) -> None:
    rig.pins.down = True
    for _ in range(12):
        rig.run(10.0)
        rig.tick(decision())
    assert len(rig.said) == 1
    assert "held for more than 30 s" in rig.said[0]
    assert not any(rig.pins.lit.values())
    rig.pins.down = False
    rig.run(1.0)
    assert rig.asked == []
    rig.press(0.3)
    assert len(rig.asked) == 1


def test_the_lamps_follow_the_decisions(rig: Rig) -> None:
    rig.tick(decision(on=True, notices=("tank_low",)))
    assert rig.pins.lit == {"running": True, "refill": True, "alarm": False}
    rig.tick(decision(alarms=("probe_lost",)))
    began = len(rig.seen)
    rig.run(8.0)
    alarm = [lit["alarm"] for _, lit in rig.seen[began:]]
    assert sum(a != b for a, b in pairwise(alarm)) == pytest.approx(8, abs=1)
    assert {(lit["running"], lit["refill"]) for _, lit in rig.seen[began:]} == {(False, False)}
    rig.tick(decision(acked=("probe_lost",)))
    assert rig.pins.lit == {"running": False, "refill": False, "alarm": True}


def test_a_lamp_is_driven_only_when_it_changes(rig: Rig) -> None:
    rig.pins.history.clear()
    rig.tick(decision(on=True))
    for _ in range(10):
        rig.run(10.0)
        rig.tick(decision(on=True))
    assert rig.pins.history == [("running", True)]


@pytest.mark.parametrize(("tick_s", "silent_s"), [(1.0, 10.0), (10.0, 30.0), (300.0, 900.0)])
def test_the_alarm_lamp_blinks_by_itself_when_the_loop_is_silent(tick_s: float, silent_s: float) -> None:
    rig = Rig(tick_s=tick_s)
    rig.tick(decision(on=True))
    rig.run(silent_s - 0.1)
    assert rig.pins.lit == {"running": True, "refill": False, "alarm": False}
    began = len(rig.seen)
    rig.run(6.0)
    assert {lit["alarm"] for _, lit in rig.seen[began:]} == {True, False}
    assert not rig.pins.lit["running"]
    rig.tick(decision(on=True))
    assert rig.pins.lit == {"running": True, "refill": False, "alarm": False}


def test_a_loop_that_never_looked_is_silent_too() -> None:
    rig = Rig()
    rig.run(29.0)
    assert not any(rig.pins.lit.values())
    began = len(rig.seen)
    rig.run(6.0)
    assert {lit["alarm"] for _, lit in rig.seen[began:]} == {True, False}


def test_the_hand_contact(rig: Rig) -> None:
    assert rig.shelf.hand() is False
    rig.pins.hand = True
    rig.run(1.0)
    assert rig.shelf.hand() is True
    rig.now_s += 6.0  # the thread hangs: an old look is no news
    assert rig.shelf.hand() is None


def test_without_a_hand_contact_nothing_is_known_of_it() -> None:
    rig = Rig(ShelfSettings(button_pin=23))
    rig.run(5.0)
    assert rig.shelf.hand() is None


@pytest.mark.parametrize("what", ["pressed", "at_hand", "light"])
def test_a_pin_that_fails_is_said_once_and_tried_again_rarely(rig: Rig, what: str) -> None:
    rig.pins.broken = what
    rig.pins.hand = True
    rig.tick(decision(on=True))
    rig.run(1.0)
    assert rig.pins.closed == 1
    assert rig.shelf.hand() is None
    assert what in rig.shelf.trouble
    for _ in range(100):
        rig.run(10.0)
        rig.tick(decision(on=True))
    assert rig.opened <= 1 + 1010 // 300 + 1
    assert len(rig.said) == 1
    assert "Control goes on without them" in rig.said[0]
    rig.pins.broken = ""
    for _ in range(31):
        rig.run(10.0)
        rig.tick(decision(on=True))
    assert rig.shelf.trouble == ""
    assert rig.said[1:] == ["Shelf: button and lamps work again."]
    assert rig.pins.lit["running"]


def test_pins_that_cannot_be_had_and_another_trouble_later(rig: Rig) -> None:
    bad = Rig(in_words=lambda error: f"in words: {error}.")
    bad.refuse = ModuleNotFoundError("No module named 'lgpio'")
    bad.run(1.0)
    assert bad.shelf.trouble == "in words: No module named 'lgpio'"
    bad.refuse = OSError("busy")
    bad.run(400.0)
    assert len(bad.said) == 2
    bad.shelf.close()


def test_words_that_cannot_be_found_or_said_stop_nothing() -> None:
    def bad(anything: object) -> str:
        raise ValueError

    rig = Rig(in_words=bad)
    rig.shelf._say = bad  # type: ignore[assignment]
    rig.refuse = OSError("busy")
    rig.run(1.0)
    assert rig.shelf.trouble == "OSError"
    silent = Rig()
    silent.refuse = OSError()
    silent.run(1.0)
    assert silent.shelf.trouble == "OSError"


def test_how_often_it_looks() -> None:
    """20 looks a second while idle, 50 while something is under way; 4 where the line rings; else 1."""
    for settings, doorbell, expected in (
        (ALL, None, 20),
        (ALL, 0, 4),
        (ShelfSettings(lamp_alarm_pin=22), None, 1),
    ):
        rig = Rig(settings)
        rig.pins.doorbell = doorbell
        rig.tick(decision())
        rig.run(1.0)
        rig.looks = 0
        rig.run(10.0)
        assert rig.looks == pytest.approx(10 * expected, rel=0.1)
    rig = Rig()
    rig.run(1.0)
    rig.pins.down = True
    rig.run(0.1)
    rig.looks = 0
    rig.run(10.0)
    assert rig.looks == pytest.approx(500, rel=0.02)


def test_a_touch_is_seen_by_the_idle_looks_too(rig: Rig) -> None:
    for start in range(10):
        rig.run(1.0 + start * 0.005)
        rig.press(0.12)
        rig.answer(True)
        rig.run(3.0)
    assert len(rig.asked) == 10


def test_closing_turns_all_lamps_off(rig: Rig) -> None:
    rig.tick(decision(on=True, alarms=("probe_lost",)))
    rig.pins.broken = "close"
    rig.shelf.close()
    rig.shelf.close()
    assert rig.pins.closed == 1
    assert not any(rig.pins.lit.values())
    rig.shelf.ticked(Inputs(), decision(on=True), True)
    assert rig.pins.closed == 1


# With the thread, the spool and the loop.


def real(pins: FakePins, spool: Spool, said: list[str]) -> Shelf:
    return Shelf(ALL, lambda: pins, spool.leave, 10.0, said.append)


def test_a_press_goes_through_the_spool_and_the_loop_and_comes_back(tmp_path: Path) -> None:
    rig, bench, spool = Rig(), Bench(for_s=20.0), Spool(tmp_path)
    spool.prepare()
    rig.leave = lambda request, now: spool.leave(request, bench.clock.wall)  # type: ignore[method-assign]
    rig.shelf._leave = rig.leave
    loop = Loop(bench.parts(inbox=spool, tellers=(bench.watch, rig.shelf)), 10.0)
    rig.run(1.0)
    rig.press(0.3)
    loop.run()
    answers = [answer for made in bench.watch.decisions for answer in made.answers]
    assert [(a.request.kind, a.request.by, a.done) for a in answers] == [("refilled", "button", True)]
    rig.tick(bench.watch.decisions[-1])
    answered_s = rig.now_s
    rig.run(5.0)
    assert len(rig.flashes(answered_s)) == 2


class HungPins(FakePins):
    def pressed(self) -> bool:
        hangs, _ = os.pipe()
        os.read(hangs, 1)
        raise AssertionError


def test_a_pin_that_hangs_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf_watch, "END_WITHIN_S", 0.0)
    said: list[str] = []
    hung = real(HungPins(), Spool(tmp_path), said)
    hung.start()
    bench = Bench(for_s=600.0)
    Loop(bench.parts(tellers=(bench.watch, hung)), 10.0).run()
    assert len(bench.watch.decisions) == 61
    assert hung.hand() in (None, False)
    hung.close()
    assert said == ["Shelf: a pin does not answer; the lamps stay as they are."]


def test_the_thread_hears_the_loop_and_ends_with_the_lamps_off(tmp_path: Path) -> None:
    from threading import Event

    lit = Event()

    class Pins(FakePins):
        def light(self, lamp: str, on: bool) -> None:
            super().light(lamp, on)
            if (lamp, on) == ("running", True):
                lit.set()

    pins = Pins()
    pins.doorbell, ringer = os.pipe()
    shelf = real(pins, Spool(tmp_path), [])
    shelf.start()
    shelf.ticked(Inputs(), decision(on=True), True)
    assert lit.wait(30.0)
    os.write(ringer, b"x")
    shelf.close()
    assert pins.closed == 1
    assert not any(pins.lit.values())
    assert shelf._thread is not None
    assert not shelf._thread.is_alive()
    os.close(ringer)
    os.close(pins.doorbell)


def test_the_doorbell_is_taken_and_its_failure_is_a_trouble(rig: Rig) -> None:
    pins = rig.pins
    pins.doorbell, ringer = os.pipe()
    os.write(ringer, b"x")
    rig.shelf._wait(0.0)
    assert pins.heard == 1
    pins.broken = "hear"
    rig.shelf._wait(0.0)
    assert pins.closed == 1
    assert "hear fails" in rig.shelf.trouble
    assert not rig.shelf._stopping
    os.close(ringer)
    os.close(pins.doorbell)


def test_a_broken_pipe_ends_the_thread_and_does_not_spin(tmp_path: Path) -> None:
    said: list[str] = []
    shelf = real(FakePins(), Spool(tmp_path), said)
    os.close(shelf._heard)
    shelf._run()
    assert len(said) == 1


def test_a_tick_wakes_the_wait(rig: Rig) -> None:
    rig.shelf.ticked(Inputs(), decision(), False)
    rig.shelf._wait(60.0)  # returns at once
    for _ in range(100_000):  # a thread that hangs leaves the pipe full
        rig.shelf._ring()
