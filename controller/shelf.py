"""SHELF: what a press of the button means, and what the lamps show. Pure; ``shelf_watch.py`` does it.

In:    the button's contact and a time, look by look; decisions.
Out:   short, long or stuck; for each lamp dark, steady or blinking; the flashes that answer a press.
Never: reads a pin or a clock; takes a bounce, a press that began unseen or a stuck button for a wish.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

from controller.core.records import Decision

BOUNCE_S = 0.03
"""A contact counts as turned once every look during so long says so. Common practice, no source."""
SHORTEST_S = 0.05
"""What is shorter is no press of a finger. Common practice, no source."""
STUCK_S = 30.0
"""What is longer is a box pushed against the button."""
GAP_S = 0.5
"""Nobody knows what the button did while it was not looked at for so long."""
SHORT, LONG, STUCK = "short", "long", "stuck"

BLINK_S = 1.0
"""A blinking lamp is lit and dark for so long each. IEC 60073 has 0.4 to 0.8 Hz as its slow rate (from
memory)."""
DONE = {SHORT: (0.4, 0.25, 0.25, 0.25, 0.4), LONG: (0.4, 1.5, 0.4)}
"""The flashes that answer a press, as seconds dark, lit, dark, ...: two short ones, or one long."""
REFUSED = (0.4, *(0.2, 0.2) * 5)
"""A flutter: five flashes at 2.5 Hz."""


class ShelfPins(Protocol):
    """The pins at the shelf. Every method but ``close`` may raise anything."""

    doorbell: int | None
    """A descriptor that is readable when the button's line has moved; None = it must be looked at."""

    def pressed(self) -> bool: ...

    def at_hand(self) -> bool: ...

    def light(self, lamp: str, lit: bool) -> None: ...

    def hear(self) -> None:
        """Takes what the doorbell has told."""
        ...

    def close(self) -> None:
        """All lamps off, as far as that can be done, and the pins let go of. Never raises."""
        ...


class Button(NamedTuple):
    """What is remembered of the button between two looks. It begins held, since unseen."""

    down: bool = True
    down_s: float = 0.0  # when it was pressed
    counts: bool = False  # the press was seen to begin
    turned_s: float | None = None  # since when the contact has not been as ``down``
    looked_s: float = float("-inf")
    told: bool = False  # it has been said that it is stuck


def look(button: Button, contact: bool, now_s: float, long_press_s: float) -> tuple[Button, str]:
    """One look: SHORT or LONG at the release of a press, STUCK once while it is held too long, else ""."""
    if not 0.0 <= now_s - button.looked_s <= GAP_S:
        button = Button(down_s=now_s, told=button.told)
    button = button._replace(looked_s=now_s)
    if contact == button.down:
        if button.down and not button.told and now_s - button.down_s > STUCK_S:
            return button._replace(turned_s=None, counts=False, told=True), STUCK
        return button._replace(turned_s=None), ""
    if button.turned_s is None:
        return button._replace(turned_s=now_s), ""
    if now_s - button.turned_s < BOUNCE_S:
        return button, ""
    if contact:
        return Button(down_s=button.turned_s, counts=True, looked_s=now_s), ""
    held_s = button.turned_s - button.down_s
    released = Button(down=False, looked_s=now_s)
    if not button.counts or not SHORTEST_S <= held_s <= STUCK_S:
        return released, ""
    return released, LONG if held_s >= long_press_s else SHORT


def quiet(button: Button) -> bool:
    """Nothing is under way that must be looked at often."""
    return (not button.down or button.told) and button.turned_s is None


def long_enough(button: Button, now_s: float, long_press_s: float) -> bool:
    """Held long enough for a long press: to be shown, so that the keeper lets go."""
    return button.down and button.counts and long_press_s <= now_s - button.down_s <= STUCK_S


class Signs(NamedTuple):
    """What each lamp shows: "" dark, "steady" or "blink"."""

    running: str = ""
    refill: str = ""
    alarm: str = ""


def signs(decision: Decision) -> Signs:
    """``running`` is lit, too, when the relay is seen on against its command: then it is on."""
    alarms = {alarm.code for alarm in decision.alarms}
    refill = "steady" if any(notice.code == "tank_low" for notice in decision.notices) else ""
    if "tank_dry" in alarms or any(reason.code == "tank_empty" for reason in decision.reasons):
        refill = "blink"
    alarm = ""
    if alarms:
        alarm = "steady" if all(alarm.acked_by for alarm in decision.alarms) else "blink"
    return Signs("steady" if decision.relay_on or "relay_stuck_on" in alarms else "", refill, alarm)


SILENT = Signs(alarm="blink")
"""The loop has stopped looking: what the other lamps said is no longer known."""


def paused(decision: Decision) -> bool:
    return any(reason.code == "paused" for reason in decision.reasons)


def lit(sign: str, now_s: float) -> bool:
    return sign == "steady" or (sign == "blink" and int(now_s / BLINK_S) % 2 == 0)


def flash(pattern: tuple[float, ...], since_s: float) -> bool | None:
    """Whether lamps are lit ``since_s`` after a pattern began; None once it is over."""
    for place, length_s in enumerate(pattern):
        if since_s < length_s:
            return place % 2 == 1
        since_s -= length_s
    return None
