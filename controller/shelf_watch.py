"""SHELF WATCH: looks at the button and drives the lamps, in a thread of its own.

In:    decisions, as one of the loop's tellers; the pins at the shelf; the spool for requests.
Out:   requests, like any keeper's command; lamps; where the hand/off/auto switch stands.
Never: touches a pin in the loop's thread, raises into the loop, or does without the spool what a
       request does. What fails at the shelf is said once and tried again rarely; control goes on.
"""

from __future__ import annotations

import atexit
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import NamedTuple

from controller import shelf
from controller.core.records import Answer, Decision, Inputs, Request
from controller.devices.settings_shelf import ShelfSettings
from controller.shelf import Button, ShelfPins, Signs

BUSY_LOOK_S = 0.02
IDLE_LOOK_S = 0.05
"""How often an idle button is looked at where nothing rings when it moves: costs, against a missed tap."""
HAND_LOOK_S = 0.5
HAND_GOOD_S = 5.0
"""An older look at the hand contact is no news."""
AT_LEAST_S = 1.0
RETRY_S = 300.0
SILENT_TICKS = 3
SILENT_LEAST_S = 10.0
END_WITHIN_S = 2.0


class _Told(NamedTuple):
    """What the loop said last, and when."""

    decision: Decision | None
    at_s: float


class _Pending(NamedTuple):
    press: str
    since_s: float


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Shelf:
    """Implements ``loop.Teller``. ``start`` begins the thread, ``close`` ends it with all lamps off.

    ``open_pins`` claims the pins and may raise anything. ``leave`` is the spool's. ``say`` hears, in
    words, what the keeper should know; ``in_words`` says what a pin's error means. ``now_s`` is
    monotonic; ``wall`` gives an aware datetime.
    """

    def __init__(
        self,
        settings: ShelfSettings,
        open_pins: Callable[[], ShelfPins],
        leave: Callable[[Request, datetime], str],
        tick_s: float,
        say: Callable[[str], None],
        *,
        in_words: Callable[[Exception], str] = str,
        now_s: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = _utc_now,
    ) -> None:
        self._settings = settings
        self._open = open_pins
        self._leave = leave
        self._patience_s = max(SILENT_LEAST_S, SILENT_TICKS * tick_s)
        self._say = say
        self._in_words = in_words
        self._now_s = now_s
        self._wall = wall
        self._told = _Told(None, now_s())
        self._answers: deque[Answer] = deque(maxlen=64)
        self._pins: ShelfPins | None = None
        self._retry_s = float("-inf")
        self._lit: dict[str, bool] = {}
        self._button = Button()
        self._pending: dict[str, _Pending] = {}
        self._pattern: tuple[float, ...] = ()
        self._pattern_s = 0.0
        self._hand: tuple[float, bool] | None = None
        self._thread: threading.Thread | None = None
        self._stopping = False
        self._heard, self._wake = os.pipe()
        os.set_blocking(self._wake, False)
        os.set_blocking(self._heard, False)
        self.trouble = ""
        """What is wrong with button and lamps, in words; "" when nothing is."""

    # Called by the loop's thread.

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        """Only notes what was said: no pin may hold the loop up."""
        self._told = _Told(decision, self._now_s())
        self._answers.extend(decision.answers)
        self._ring()

    def hand(self) -> bool | None:
        """Whether the hand/off/auto switch stands at hand; None where no contact tells, or not of late."""
        seen = self._hand
        if seen is None or not 0.0 <= self._now_s() - seen[0] <= HAND_GOOD_S:
            return None
        return seen[1]

    def start(self) -> None:
        self._told = _Told(None, self._now_s())
        self._thread = threading.Thread(target=self._run, name="shelf", daemon=True)
        atexit.register(self.close)  # for a program that ends without having closed
        self._thread.start()

    def close(self) -> None:
        """All lamps off. May be called twice; waits no longer than ``END_WITHIN_S`` for a hung pin."""
        if self._stopping:
            return
        self._stopping = True
        atexit.unregister(self.close)
        self._ring()
        if self._thread is None:
            self._end()
            return
        self._thread.join(END_WITHIN_S)
        if self._thread.is_alive():
            self._tell("Shelf: a pin does not answer; the lamps stay as they are.")

    def _ring(self) -> None:
        with suppress(OSError):  # a full pipe wakes as well; after the end there is nobody to wake
            os.write(self._wake, b"!")

    # Called by the shelf's thread.

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._wait(self.look())
        finally:
            self._end()

    def _wait(self, seconds: float) -> None:
        doorbell = None if self._pins is None else self._pins.doorbell
        bells = [self._heard] if doorbell is None else [self._heard, doorbell]
        try:
            rung, _, _ = select.select(bells, [], [], seconds)
            if self._heard in rung:
                os.read(self._heard, 4096)
            if doorbell in rung and self._pins is not None:
                self._pins.hear()
        except Exception as error:
            self._fail(error)
            if doorbell is None:
                self._stopping = True  # nothing is left to wait on

    def look(self) -> float:
        """One look at everything. Seconds until the next is due. Never raises."""
        now_s = self._now_s()
        try:
            if self._pins is None:
                if now_s < self._retry_s:
                    return self._retry_s - now_s
                self._pins, self._lit, self._button = self._open(), {}, Button()
            self._listen(self._pins, now_s)
            self._light(self._pins, now_s)
            if self.trouble:
                self.trouble = ""
                self._tell("Shelf: button and lamps work again.")
            return self._next_s(self._pins, now_s)
        except Exception as error:
            return self._fail(error)

    def _listen(self, pins: ShelfPins, now_s: float) -> None:
        if self._settings.hand_pin is not None and (
            self._hand is None or now_s - self._hand[0] >= HAND_LOOK_S
        ):
            self._hand = now_s, pins.at_hand()
        if self._settings.button_pin is not None:
            self._button, press = shelf.look(self._button, pins.pressed(), now_s, self._settings.long_press_s)
            if press == shelf.STUCK:
                self._tell(
                    f"Shelf: the button has been held for more than {shelf.STUCK_S:.0f} s and does nothing "
                    "until it is let go of. Is something leaning on it, or its cable damaged?"
                )
            elif press:
                self._ask(press, now_s)
        self._hear_answers(now_s)

    def _ask(self, press: str, now_s: float) -> None:
        """Leaves the request. The same press again, before the loop has answered, is the same wish."""
        if any(pending.press == press for pending in self._pending.values()):
            return
        kind = "refilled"
        if press == shelf.LONG:
            decision = self._told.decision
            kind = "resume" if decision is not None and shelf.paused(decision) else "pause"
        try:
            identity = self._leave(Request(kind, by="button"), self._wall())
        except Exception as error:
            self._tell(f"Shelf: a press of the button could not be passed on: {error}")
            self._show(shelf.REFUSED, now_s)
        else:
            self._pending[identity] = _Pending(press, now_s)

    def _hear_answers(self, now_s: float) -> None:
        while self._answers:
            answer = self._answers.popleft()
            pending = self._pending.pop(answer.request.id, None)
            if pending is not None:
                self._show(shelf.DONE[pending.press] if answer.done else shelf.REFUSED, now_s)
        for identity, pending in list(self._pending.items()):
            if now_s - pending.since_s > self._patience_s:
                del self._pending[identity]  # its file still waits; only the lamps do not

    def _show(self, pattern: tuple[float, ...], now_s: float) -> None:
        self._pattern, self._pattern_s = pattern, now_s

    def _signs(self, now_s: float) -> Signs:
        if now_s - self._told.at_s > self._patience_s:
            return shelf.SILENT
        return Signs() if self._told.decision is None else shelf.signs(self._told.decision)

    def _light(self, pins: ShelfPins, now_s: float) -> None:
        all_alike = shelf.flash(self._pattern, now_s - self._pattern_s)
        if all_alike is None and (
            self._pending or shelf.long_enough(self._button, now_s, self._settings.long_press_s)
        ):
            all_alike = True  # heard
        wanted = self._signs(now_s)
        for lamp in self._settings.lamps:
            on = shelf.lit(getattr(wanted, lamp), now_s) if all_alike is None else all_alike
            if self._lit.get(lamp) != on:
                pins.light(lamp, on)
                self._lit[lamp] = on

    def _next_s(self, pins: ShelfPins, now_s: float) -> float:
        if shelf.flash(self._pattern, now_s - self._pattern_s) is not None:
            return BUSY_LOOK_S
        next_s = min(AT_LEAST_S, shelf.BLINK_S - now_s % shelf.BLINK_S)
        if self._settings.button_pin is None:
            return next_s
        if not shelf.quiet(self._button):
            return BUSY_LOOK_S
        return IDLE_LOOK_S if pins.doorbell is None else min(next_s, shelf.GAP_S / 2)

    def _fail(self, error: Exception) -> float:
        """Lets go of everything, and says so where that is news. Seconds until the next try."""
        self._let_go()
        self._retry_s = self._now_s() + RETRY_S
        said = self._said(error)
        if said != self.trouble:
            self.trouble = said
            self._tell(
                f"Shelf: button and lamps do not work: {said}. Control goes on without them; they are tried "
                f"again every {RETRY_S / 60:.0f} minutes."
            )
        return RETRY_S

    def _let_go(self) -> None:
        pins, self._pins, self._hand = self._pins, None, None
        if pins is not None:
            with suppress(Exception):
                pins.close()

    def _said(self, error: Exception) -> str:
        with suppress(Exception):
            return self._in_words(error).strip().rstrip(".") or type(error).__name__
        return type(error).__name__

    def _tell(self, words: str) -> None:
        with suppress(Exception):
            self._say(words)

    def _end(self) -> None:
        self._let_go()
        heard, wake, self._heard, self._wake = self._heard, self._wake, -1, -1
        for end in (heard, wake):
            with suppress(OSError):
                os.close(end)
