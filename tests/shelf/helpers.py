"""Pins at the shelf that are written down, time that is given, and a decision to show."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from controller.core.records import Action, Answer, Decision, Inputs, Instant, Message, Reason, Request
from controller.devices.settings_shelf import ShelfSettings
from controller.shelf_watch import Shelf

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
ALL = ShelfSettings(button_pin=23, lamp_running_pin=24, lamp_refill_pin=25, lamp_alarm_pin=22, hand_pin=27)


def decision(
    on: bool = False,
    alarms: tuple[str, ...] = (),
    acked: tuple[str, ...] = (),
    notices: tuple[str, ...] = (),
    reasons: tuple[str, ...] = ("enough",),
    answers: tuple[Answer, ...] = (),
) -> Decision:
    said = [Message(code, NOON) for code in alarms]
    said += [Message(code, NOON, acked_by="Ann") for code in acked]
    return Decision(
        relay_on=on, valid_for_s=300.0, at=Instant(0.0, NOON),
        reasons=() if on else tuple(Reason(code, Action.OFF) for code in reasons),
        on_because="demand" if on else "", alarms=tuple(said),
        notices=tuple(Message(code, NOON) for code in notices), answers=answers,
        rh_pct=60.0, rh_high_pct=60.0, temp_c=24.0, target_rh_pct=65.0, is_day=True, ceiling_rh_pct=78.0,
        duty=None, tank_l=2.0, used_s=0.0, starts_below_rh_pct=63.0,
    )  # fmt: skip


class FakePins:
    """Implements ``shelf.ShelfPins``."""

    doorbell: int | None = None

    def __init__(self) -> None:
        self.down = False
        self.hand = False
        self.lit: dict[str, bool] = {}
        self.history: list[tuple[str, bool]] = []
        self.broken = ""  # the name of what raises
        self.closed = 0
        self.heard = 0

    def _may(self, what: str) -> None:
        if self.broken == what:
            raise OSError(5, f"{what} fails")

    def pressed(self) -> bool:
        self._may("pressed")
        return self.down

    def at_hand(self) -> bool:
        self._may("at_hand")
        return self.hand

    def light(self, lamp: str, lit: bool) -> None:
        self._may("light")
        self.lit[lamp] = lit
        self.history.append((lamp, lit))

    def hear(self) -> None:
        self._may("hear")
        self.heard += 1

    def close(self) -> None:
        self.closed += 1
        self.lit = dict.fromkeys(self.lit, False)
        self._may("close")


class Rig:
    """A shelf that is never started: each look is made here, at the time it asked for."""

    def __init__(self, settings: ShelfSettings = ALL, tick_s: float = 10.0, **more: Any) -> None:
        self.now_s = 1000.0
        self.pins = FakePins()
        self.opened = 0
        self.refuse: Exception | None = None
        self.asked: list[Request] = []
        self.unleft: Exception | None = None
        self.said: list[str] = []
        self.looks = 0
        self.seen: list[tuple[float, dict[str, bool]]] = []
        self.shelf = Shelf(
            settings, self.open, self.leave, tick_s, self.said.append,
            now_s=lambda: self.now_s, wall=lambda: NOON + timedelta(seconds=self.now_s), **more,
        )  # fmt: skip
        self._due_s = self.now_s

    def open(self) -> FakePins:
        self.opened += 1
        if self.refuse is not None:
            raise self.refuse
        return self.pins

    def leave(self, request: Request, now: datetime) -> str:
        if self.unleft is not None:
            raise self.unleft
        self.asked.append(request)
        return f"id-{len(self.asked)}"

    def run(self, for_s: float) -> None:
        """Looks whenever it is due; the lamps are written down after each look."""
        until_s = self.now_s + for_s
        while self._due_s <= until_s:
            self.now_s = max(self.now_s, self._due_s)
            wait_s = self.shelf.look()
            assert 0.0 < wait_s <= 300.0
            self.looks += 1
            self.seen.append((self.now_s, dict(self.pins.lit)))
            self._due_s = self.now_s + wait_s
        self.now_s = until_s

    def tick(self, told: Decision, wake: bool = True) -> None:
        self.shelf.ticked(Inputs(), told, False)
        if wake:
            self._due_s = self.now_s
            self.run(0.0)

    def press(self, for_s: float, then_s: float = 0.3) -> None:
        self.pins.down = True
        self.run(for_s)
        self.pins.down = False
        self.run(then_s)

    def answer(self, done: bool, **more: Any) -> None:
        number = len(self.asked)
        request = self.asked[-1]._replace(id=f"id-{number}")
        self.tick(decision(answers=(Answer(request, done, "words"),), **more))

    def flashes(self, since_s: float) -> list[float]:
        """How long each time all lamps were lit together, begun after ``since_s``."""
        lengths, began = [], None
        for now_s, lit in self.seen:
            alike = bool(lit) and all(lit.values())
            if alike and began is None:
                began = now_s
            elif not alike and began is not None:
                if began >= since_s:
                    lengths.append(now_s - began)
                began = None
        return lengths
