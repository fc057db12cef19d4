"""VERDICT: a rehearsed stretch in one plain sentence, and as a set of codes.

In:    a Summary.
Out:   what held or did not, how much of the time and why, and what the program said of it.
Never: looks at anything but the figures: no name of a fault or scenario, no setting.

Hours outside the band are graded by their share of the whole stretch: under one hundredth they are
not spoken of, from a tenth on they are "often", from four tenths on "mostly".
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from controller.rehearsal import Summary

GRADES = ((0.4, "mostly"), (0.1, "often"), (0.01, "at times"))
DRY = {
    "tank": "the tank was empty",
    "cap": "the runtime cap was used up",
    "small": "the humidifier gives too little for this room",
    "climb": "the room takes long to get damp",
    "probe": "no probe could be trusted",
    "misread": "the probe showed more than there was",
    "relay": "the outlet stayed off when it was switched on",
    "no_mist": "the humidifier had power and water and gave no mist",
    "cold": "it was kept off because the room was cold",
    "power": "no program was running",
    "open": "a door or window stood open",
    "paused": "it was paused",
    "wall": "it was kept off because a wall was at its dew point",
    "wall_held": "the target was held down to what the coldest wall allows",
}
WET = {
    "weather": "the air outdoors is that humid",
    "brought_in": "water in the room did it without the humidifier",
    "relay": "the outlet stayed on when it was told to switch off",
    "unheated": "the room grew cold and its air held less",
    "misread": "the probe showed less than there was",
    "overshoot": "more mist came than the probe saw in time",
}
ALARMS = {
    "probe_lost": "the probe",
    "one_probe_lost": "one of the two probes",
    "probes_apart": "two probes that disagree",
    "probes_drifted": "two probes that drift apart",
    "probe_unsteady": "an unsteady probe",
    "tank_dry": "the empty tank",
    "no_mist": "a humidifier that is on and gives no mist",
    "stray_mist": "mist although the humidifier is off",
    "mist_weak": "a humidifier that gives less than it once gave",
    "below_band": "a room that stays too dry",
    "room_cold": "the cold room",
    "clock_doubted": "the clock",
    "restart_loop": "a program that is begun again and again",
    "relay_stuck_on": "the relay",
    "relay_no_answer": "the relay",
}
TOLD_BY = {
    "dry:tank": "tank_low",
    "dry:small": "outrun",
    "dry:open": "outrun",
    "dry:power": "power_was_out",
    "dry:wall_held": "wall_holds",
    "wet:weather": "too_humid",
    "wet:brought_in": "too_humid",
    "wet:unheated": "too_humid",
}
"""Trouble -> the notice that tells of it."""
NEEDS_NO_WORD = ("dry:cap", "dry:paused")
CLIMB_COUNTS_FROM = 0.1
"""A start in a dry room is no fault; one that takes a tenth of the stretch is worth a word."""
PAST_CAP_H = 0.1
FALSE_READINGS = 10
WALL_WET_KG = 0.05


class Verdict(NamedTuple):
    text: str
    codes: frozenset[str]


def judge(summary: Summary) -> Verdict:
    troubles = [*_graded(summary, "dry", DRY), *_graded(summary, "wet", WET)]
    clauses = troubles or [("held", "held")]
    clauses += _remarks(summary)
    if summary.first_alarm:
        named = ALARMS.get(summary.first_alarm, summary.first_alarm)
        clauses.append((f"alarm:{summary.first_alarm}", f"an alarm named {named}"))
    elif untold := [code for code, _ in troubles if code not in NEEDS_NO_WORD]:
        told = all(TOLD_BY.get(code) in summary.notices for code in untold)
        clauses.append(("notice", "a notice told of it") if told else ("untold", "no alarm told of it"))
    text = "; ".join(words for _, words in clauses)
    return Verdict(f"{text[0].upper()}{text[1:]}.", frozenset(code for code, _ in clauses))


def _graded(summary: Summary, way: str, words: dict[str, str]) -> Iterator[tuple[str, str]]:
    """The causes worth a word, the longest first."""
    hours_of = summary.dry_because_h if way == "dry" else summary.wet_because_h
    whole_h = max(summary.days * 24.0, 1e-9)
    for cause, hours in sorted(hours_of.items(), key=lambda item: (-item[1], item[0])):
        share = hours / whole_h
        if cause == "climb" and share < CLIMB_COUNTS_FROM:
            continue
        grade = next((name for least, name in GRADES if share >= least), "")
        if grade:
            yield f"{way}:{cause}", f"too {way} {grade}: {words.get(cause, cause)}"


def _remarks(summary: Summary) -> Iterator[tuple[str, str]]:
    if summary.over_cap_h >= PAST_CAP_H:
        yield "past_cap", "it ran past the cap"
    if summary.wall_wet_kg >= WALL_WET_KG:
        yield "wall_wet", "water condensed on the coldest surface"
    if summary.passed_over >= FALSE_READINGS:
        yield "passed_over", "false single readings were passed over"
    if summary.unheated_h >= 1.0:
        yield "unheated", f"the heating failed, and it was down to {summary.coldest_c:.0f} °C"
    inside = summary.enclosures
    if inside is not None and inside.below >= GRADES[1][0] * (inside.below + inside.within + inside.above):
        yield "enclosures_dry", "often too dry inside the enclosures"
    if summary.boots > 1:
        yield "power_cuts", "the power went and came back, and the program was begun again"
    elif summary.starts > 1:
        yield "restarts", "the program began anew in between"
    if summary.clock_changes_h:
        yield "clock_change", "daylight saving changed the clock in between"
