"""MESSAGES OF WALLS: the notices about the coldest surface, where animal and house want different things.

In:    messages whose figures are in %RH, or a mould index.
Out:   their words, for ``messages.py``.
Never: promises anything about a wall: it is an estimate, one thermometer, or a model.
"""

from __future__ import annotations

from controller.core.records import Message
from controller.core.told import Told, f

LOOK = "Look at the coldest wall, behind furniture too. Mould is for somebody who knows buildings."


def _at(rh_pct: float | None) -> str:
    return f"at {f(rh_pct)} %RH" if rh_pct is None or rh_pct < 100.0 else "wet (water condenses on it)"


def _conflict(message: Message, how: str) -> str:
    wants = f"The animals want {message.detail} %RH; " if message.detail else ""
    return (
        f"{wants}the coldest wall, {how}, is {_at(message.seen)} on its surface now. Without mould it "
        f"allows {f(message.limit, 0)} %RH in the room."
    )


MESSAGES_OF_WALLS: dict[str, Told] = {
    "wall_estimate": Told(
        lambda m: _conflict(m, "by an estimate"),
        "An estimate only warns.",
        "Warm or insulate that wall, or accept it and look at it often; a thermometer on it tells more. "
        "Glass may fog long before.",
        "",
    ),
    "wall_wet": Told(
        lambda m: _conflict(m, "measured"),
        "",
        'Warm or insulate it, or accept it and dry it often; with surface.policy = "hold" the wall rules. '
        "Glass may fog long before.",
        "",
    ),
    "wall_lost": Told(
        lambda m: f"The thermometer on the coldest wall gives no temperature: {m.detail}.",
        "For two hours its last word stands; then it holds nothing, and the wall is estimated if it can be.",
        "Its cable, its driver, [surface.probe] in the settings; `hygrohold check` reads it.",
        "a reading",
    ),
    "outdoor_lost": Told(
        lambda m: f"The outdoor temperature is not known: {m.detail}.",
        "The season's usual figure stands in, if the settings have one.",
        "The program that writes the file, or the sensor: [surface.outdoor] in the settings.",
        "",
    ),
    "wall_holds": Told(
        lambda m: (
            f"The animals want {m.detail or '?'} %RH; the coldest wall, measured, lets the target be "
            f"{f(m.seen, 0)} now."
        ),
        "It is held down to that, a little below what the wall allows, as surface.policy says.",
        'Warm or insulate that wall; or accept the risk to it with surface.policy = "warn". How dry the '
        "animals may be is for a veterinarian.",
        "",
    ),
    "wall_month": Told(
        lambda m: (
            f"On the coldest wall the mean of the last 30 days is {f(m.seen)} %RH; from {f(m.limit, 0)} on "
            "mould is to be expected."
        ),
        "",
        LOOK,
        "",
    ),
    "mould_begins": Told(
        lambda m: (
            f"By the mould model growth may have begun on the coldest wall (index {f(m.seen)} of 6), still "
            "too fine to be seen."
        ),
        "",
        "Dry it, warm it or air it while that is easy.",
        "",
    ),
    "mould_visible": Told(
        lambda m: f"By the mould model mould may be visible on the coldest wall (index {f(m.seen)} of 6).",
        "",
        LOOK,
        "",
    ),
}
"""Code -> its four parts."""
