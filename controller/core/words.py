"""WORDS: every code of the core in a keeper's language. The only file that words them.

In:    reasons, messages, decisions.
Out:   plain sentences.
Never: decides anything.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from math import isfinite

from controller.core.keeper import duration_words
from controller.core.records import Decision, Message, Reason


def _f(value: float | None) -> str:
    return "?" if value is None else f"{value:.1f}"


def _s(value: float | None) -> str:
    return duration_words(max(value, 0.0)) if value is not None and isfinite(value) else "?"


def _wall(rh_pct: float | None) -> str:
    return f"at {_f(rh_pct)} %RH" if rh_pct is None or rh_pct < 100.0 else "to be wet (water condenses on it)"


REASONS: dict[str, tuple[str, Callable[[Reason], str]]] = {
    "clock": ("clock", lambda r: "the clock gives no usable time; it clears when it does"),
    "paused": ("paused", lambda r: f"paused for another {_s(r.seen)}; `hygrohold resume` ends it sooner"),
    "untrusted": (
        "probe doubted",
        lambda r: (
            f"the probe is not to be trusted ({DOUBTS.get(r.detail, r.detail)}); "
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
}
"""Code -> (name for tables, sentence part)."""

DOUBTS: dict[str, str] = {
    "silent": "it does not answer",
    "settling": "it has not yet given enough good samples in a row",
    "not_a_number": "it gives no number",
    "zero": "it shows no humidity at all, which no room has",
    "all_ones": "it shows 100 %RH, the mark of a broken line or a wet element",
    "out_of_range": "its temperature is no room's",
    "stale": "its samples are old",
    "jump": "it jumped further than air can",
    "frozen": "nothing moved although the humidifier worked",
}

ON = {
    "demand": "the room is drier than wanted",
    "pulse": "a pulse that holds the target",
    "humidify_now": "somebody asked for mist now",
    "shortest_on": "a run lasts at least its shortest time",
    "trial": "a trial pulse looks whether there is water again",
}

MESSAGES: dict[str, Callable[[Message], str]] = {
    "probe_lost": lambda m: (
        f"Probe: {DOUBTS.get(m.detail, m.detail)}. No mist is asked for. "
        "Check its plug and cable, then `hygrohold check`."
    ),
    "one_probe_lost": lambda m: (
        f"One of the two probes: {DOUBTS.get(m.detail, m.detail)}. The other one is used "
        "alone. Check the first one's plug and cable."
    ),
    "probes_apart": lambda m: (
        f"The two probes are {_f(m.seen)} %RH apart (limit {_f(m.limit)}). "
        "The ceiling obeys the higher. Hang both side by side for an hour, then calibrate or replace one."
    ),
    "tank_dry": lambda m: "Tank: empty by estimate. Fill it, then `hygrohold note refilled`.",
    "relay_stuck_on": lambda m: (
        "Relay: seen on although commanded off. Unplug the humidifier; the relay or its wiring is at fault."
    ),
    "relay_no_answer": lambda m: (
        "Relay: seen off although commanded on. Check the outlet's own switch, "
        "the low-voltage wires and the relay."
    ),
    "state_lost": lambda m: (
        f"Kept state could not be read ({m.detail}). Half the runtime cap counts as used "
        "and the tank as unknown. Note the next filling; check the storage card."
    ),
    "record_anew": lambda m: f"The record was damaged: {m.detail}. Check the storage card.",
    "state_unkept": lambda m: (
        f"Kept state cannot be written: {m.detail}. Control goes on, but a restart "
        "would not know the runtime and the tank."
    ),
    "record_broken": lambda m: f"The record cannot be written: {m.detail}. Control goes on.",
    "settings_refused": lambda m: f"The settings file was refused, the last good copy rules: {m.detail}",
    "tank_low": lambda m: f"Tank: about {_f(m.seen)} L left, less than {_f(m.limit)} h of mist.",
    "cap_reached": lambda m: f"The runtime cap of {_f(m.limit)} h in any 24 is used up.",
    "wall_estimate": lambda m: (
        f"The coldest wall is estimated {_wall(m.seen)}; the room would have to stay "
        f"below {_f(m.limit)} %RH. Warm or insulate that wall, or look at it often."
    ),
    "wall_wet": lambda m: (
        f"The coldest surface is measured {_wall(m.seen)}; the room would have to stay "
        f"below {_f(m.limit)} %RH."
    ),
}


def reason_name(code: str) -> str:
    return REASONS[code][0] if code in REASONS else code


def reason_words(reason: Reason) -> str:
    return REASONS[reason.code][1](reason) if reason.code in REASONS else reason.code


def message_words(message: Message) -> str:
    return MESSAGES[message.code](message) if message.code in MESSAGES else message.code


def sentence(decision: Decision) -> str:
    """Why the humidifier is on or off, in one sentence."""
    if decision.relay_on:
        words = ON.get(decision.on_because, decision.on_because)
        if decision.on_because not in ("demand", "pulse") or decision.rh_pct is None:
            return f"On: {words}."
        return f"On: {words}, {_f(decision.rh_pct)} %RH where {_f(decision.target_rh_pct)} is the target."
    if not decision.reasons:
        return "Off."
    return f"Off: {reason_words(decision.reasons[0])}."


def when(moment: datetime, now: datetime) -> str:
    """A moment near now, short: "19:10", "tomorrow 07:30", "2026-01-14 07:30"."""
    if moment.date() == now.date():
        return f"{moment:%H:%M}"
    if moment.date() == (now + timedelta(days=1)).date():
        return f"tomorrow {moment:%H:%M}"
    return f"{moment:%Y-%m-%d %H:%M}"
