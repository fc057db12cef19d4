"""WORDS: why it is on or off, in a keeper's language. Alarms and notices have theirs in ``messages.py``.

In:    reasons, decisions.
Out:   plain sentences.
Never: decides anything.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

from controller.core.keeper import duration_words
from controller.core.records import Decision, Reason
from controller.core.trust import AWAY, RETURNING


def _f(value: float | None) -> str:
    return "?" if value is None else f"{value:.1f}"


def _s(value: float | None) -> str:
    return duration_words(max(value, 0.0)) if value is not None and isfinite(value) else "?"


REASONS: dict[str, tuple[str, Callable[[Reason], str]]] = {
    "clock": ("clock", lambda r: "the clock gives no usable time; it clears when it does"),
    "paused": ("paused", lambda r: f"paused for another {_s(r.seen)}; `hygrohold resume` ends it sooner"),
    "bypassed": (
        "bypassed",
        lambda r: (
            f"the outlet's own switch stands at {r.detail or '?'}, not at auto"
            + (
                "; it clears when the switch is seen at auto"
                if r.clears_in_s is None
                else f"; `hygrohold bypass auto` says that it is back, or {_s(r.clears_in_s)} do"
            )
        ),
    ),
    "untrusted": (
        "probe doubted",
        lambda r: (
            "the probe is away for its calibration; it clears after `hygrohold calibrate back`"
            if r.detail == AWAY
            else "the probe is back from its calibration; it clears when it has taken on the room's air"
            if r.detail == RETURNING
            else f"the probe is not to be trusted ({DOUBTS.get(r.detail, r.detail)}); "
            "it clears after a few good samples"
        ),
    ),
    "ceiling": (
        "ceiling",
        lambda r: (
            f"{_f(r.seen)} %RH is at the ceiling, {_f(r.limit)} with the probe's accuracy taken off; "
            f"it clears at {_f(r.clears_at)}"
        ),
    ),
    "dew": (
        "wall at dew point",
        lambda r: (
            f"the coldest surface, {_f(r.seen)} °C, is at the dew point of {_f(r.limit)} °C; "
            f"it clears above {_f(r.clears_at)} °C"
        ),
    ),
    "wall": (
        "wall too damp",
        lambda r: (
            f"the coldest wall is at {_f(r.seen)} %RH on its surface, and may have {_f(r.limit)}: "
            "warm it, insulate it or air the room"
        ),
    ),
    "too_cold": (
        "too cold",
        lambda r: (
            f"the room is at {_f(r.seen)} °C and gets no mist below {_f(r.limit)} °C: look at the heating"
        ),
    ),
    "tank_empty": (
        "tank empty",
        lambda r: (
            "the tank is empty by estimate; fill it and say `hygrohold note refilled`"
            + ("" if r.clears_in_s is None else f"; a trial pulse looks for water in {_s(r.clears_in_s)}")
        ),
    ),
    "cap": (
        "runtime cap",
        lambda r: (
            f"it ran {_f(r.seen)} h in the last 24, and the cap is {_f(r.limit)} h; "
            f"a useful run is free in {_s(r.clears_in_s)}"
        ),
    ),
    "longest_run": (
        "longest run",
        lambda r: f"a single run may last {_f(r.limit)} min; it rests for another {_s(r.clears_in_s)}",
    ),
    "shortest_off": (
        "rest between runs",
        lambda r: f"resting between two runs for another {_s(r.clears_in_s)}",
    ),
    "relay_stuck": (
        "relay stuck",
        lambda r: f"the relay is seen on although switched off {_s(r.seen)} ago: unplug the humidifier",
    ),
    "between_pulses": (
        "between pulses",
        lambda r: f"between two pulses, {_f(r.seen)} %RH where {_f(r.limit)} is the target",
    ),
    "enough": (
        "humid enough",
        lambda r: f"humid enough at {_f(r.seen)} %RH; it starts below {_f(r.clears_at)}",
    ),
    "enough_ahead": (
        "humid enough",
        lambda r: (
            f"humid enough at {_f(r.seen)} %RH; it starts when the air is about to fall below "
            f"{_f(r.clears_at)}"
        ),
    ),
    "spares": (
        "sparing water",
        lambda r: (
            f"at {_f(r.seen)} %RH, which water or the cap can keep up; it starts when the air is about "
            f"to fall below {_f(r.clears_at)}"
        ),
    ),
}
"""Code -> (name for tables, sentence part)."""
CONTENT_CODES = frozenset(("between_pulses", "enough", "enough_ahead", "spares"))
"""Nothing is refused: there is no wish for mist."""

DOUBTS: dict[str, str] = {
    "silent": "it does not answer",
    "settling": "it has not yet given enough good samples in a row",
    "not_a_number": "it gives no number",
    "zero": "it shows no humidity at all, which no room has",
    "all_ones": "it shows 100 %RH, the mark of a broken line or a wet element",
    "out_of_range": "its temperature is no room's",
    "stale": "its samples are old",
    "jump": "it jumped further than air can",
    "frozen": "its figures do not move",
}

ON = {
    "demand": "the room is drier than wanted",
    "pulse": "a pulse that holds the target",
    "humidify_now": "somebody asked for mist now",
    "shortest_on": "a run lasts at least its shortest time",
    "trial": "a trial pulse looks whether there is water again",
}


def reason_name(code: str) -> str:
    return REASONS[code][0] if code in REASONS else code


def reason_words(reason: Reason) -> str:
    return REASONS[reason.code][1](reason) if reason.code in REASONS else reason.code


def by_hand(decision: Decision) -> bool:
    """The outlet is live whatever is commanded: its own switch stands at hand."""
    return any(reason.code == "bypassed" and reason.detail == "hand" for reason in decision.reasons)


def sentence(decision: Decision) -> str:
    """Why the humidifier is on or off, in one sentence."""
    if decision.relay_on:
        words = ON.get(decision.on_because, decision.on_because)
        if decision.on_because not in ("demand", "pulse") or decision.rh_pct is None:
            return f"On: {words}."
        if decision.ahead is not None and decision.on_because == "demand":
            ends = decision.ahead.setpoint_rh_pct + decision.ahead.half_rh_pct
            return f"On: {_f(decision.rh_pct)} %RH; it ends when the air is about to pass {_f(ends)}."
        return f"On: {words}, {_f(decision.rh_pct)} %RH where {_f(decision.target_rh_pct)} is the target."
    if not decision.reasons:
        return "Off."
    if by_hand(decision):
        return "By hand: the outlet's own switch stands at hand, so it is live and nothing here limits it."
    return f"Off: {reason_words(decision.reasons[0])}."
