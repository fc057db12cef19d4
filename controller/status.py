"""STATUS: what the loop thinks now, as a small file for whoever asks, and that file as text.

In:    decisions (writer side); the file (reader side).
Out:   JSON with fixed keys; a few lines a keeper can read.
Never: touches the loop: a reader can do no harm.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller import room_lock
from controller.core.keeper import duration_words
from controller.core.messages import check_words, clears_words, message_words
from controller.core.mould import BEGINS_INDEX, SEEN_INDEX
from controller.core.records import Decision, Inputs
from controller.core.refill import Outlook, empty_words, outlook, when
from controller.core.room_words import learned
from controller.core.words import by_hand, sentence
from controller.files import read_small, write_whole

IN_MEMORY_S, ON_DISK_S = 30.0, 300.0
"""How often the file is rewritten although nothing changed: a memory card is not worn for that."""
STALE_S = 60.0
LARGEST_BYTES = 256 * 1024


class StatusFile:
    """Implements ``loop.Teller``: rewrites the file on change and every half minute."""

    def __init__(
        self, path: Path, room: str, tick_s: float, rate_l_per_h: float, note: str = "", on_disk: bool = True
    ) -> None:
        self._path = path
        self._every_s = ON_DISK_S if on_disk else IN_MEMORY_S
        self._room = room
        self._tick_s = tick_s
        self._rate_l_per_h = rate_l_per_h
        self._note = note
        self._written_s = float("-inf")

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        if not changed and decision.at.mono_s - self._written_s < self._every_s:
            return
        self._written_s = decision.at.mono_s
        plain = describe(decision, self._room, self._tick_s, self._rate_l_per_h, self._note)
        plain["good_for_s"] = self._every_s + self._tick_s + STALE_S
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._path, json.dumps(plain), durable=False)
        except OSError:
            return  # a full or missing folder is no reason to stop; readers see the age

    def remove(self) -> None:
        """At a normal end: nobody shall take an old file for a running loop."""
        self._path.unlink(missing_ok=True)


def describe(
    decision: Decision, room: str, tick_s: float, rate_l_per_h: float, note: str = ""
) -> dict[str, Any]:
    """The keys of ``hygrohold status --json``; RH in %, °C, litres, hours.

    ``rate_l_per_h``: output as the settings say; what is learned of it goes before.
    """
    water, settings_l_per_h = decision.water, rate_l_per_h
    if water is not None:
        rate_l_per_h = water.rate_l_per_h
    tank_h = None if decision.tank_l is None else decision.tank_l / rate_l_per_h
    refill = None if water is None else outlook(water, decision.at.wall)
    next_on = decision.next_possible_on
    return {
        "room": room,
        "at": decision.at.wall.isoformat(timespec="seconds"),
        "tick_s": tick_s,
        "relay_on": decision.relay_on,
        "sentence": sentence(decision) + (f" {note}" if note else ""),
        "to_do": to_do(decision),
        "reasons": [reason.code for reason in decision.reasons],
        "rh_pct": decision.rh_pct,
        "temp_c": decision.temp_c,
        "target_rh_pct": decision.target_rh_pct,
        "raised": _raised(decision),
        "is_day": decision.is_day,
        "ceiling_rh_pct": decision.ceiling_rh_pct,
        "duty": decision.duty,
        "tank_l": decision.tank_l,
        "tank_on_h": tank_h,
        "refill": None if refill is None else [moment.isoformat(timespec="seconds") for moment in refill],
        "output_l_per_h": rate_l_per_h,
        "output_sd_l_per_h": None if water is None else water.rate_sd * rate_l_per_h,
        "settings_l_per_h": settings_l_per_h,
        "output_counts": 0 if water is None else water.counts,
        "used_h_in_24": decision.used_s / 3600.0,
        "surface_c": decision.surface_c,
        "surface_rh_pct": decision.surface_rh_pct,
        "surface_measured": decision.surface_measured,
        "mould_index": decision.mould_index,
        "learned": learned(decision, rate_l_per_h),
        "by_hand": by_hand(decision),
        "next_possible_on": None if next_on is None else next_on.isoformat(timespec="seconds"),
        "alarms": [_message(message) for message in decision.alarms],
        "notices": [_message(message) for message in decision.notices],
    }


KEYS = frozenset(("room", "at", "tick_s", "relay_on", "sentence", "to_do", "reasons", "rh_pct", "temp_c"))
KEYS |= {"target_rh_pct", "is_day", "ceiling_rh_pct", "duty", "tank_l", "tank_on_h", "used_h_in_24"}
KEYS |= {"next_possible_on", "alarms", "notices", "good_for_s"}
"""What a status file must have to be one of ours."""


RAISE_ENDS = "`hygrohold raise --end` ends it"


def raised_words(plain: dict[str, Any], now: datetime) -> str:
    """The raised target that stands by a status file; "" where none does."""
    raised = plain.get("raised")
    if not raised:
        return ""
    until = datetime.fromisoformat(raised["until"]).astimezone(now.tzinfo)
    by = f" by {raised['by']}" if raised["by"] else ""
    return f"raised by {raised['rh_pct']:g} %RH{by} until {when(until, now)}" if until > now else ""


def _raised(decision: Decision) -> dict[str, Any] | None:
    raised = decision.raised
    if raised is None:
        return None
    until = decision.at.wall + timedelta(seconds=raised.left_s)
    return {"rh_pct": raised.rh_pct, "by": raised.by, "until": until.isoformat(timespec="seconds")}


def _message(message: Any) -> dict[str, str]:
    return {
        "code": message.code,
        "since": message.since.isoformat(timespec="seconds"),
        "words": message_words(message),
        "clears": clears_words(message),
        "acked_by": message.acked_by,
    }


def to_do(decision: Decision) -> str:
    """What a person should do now, in one sentence."""
    for message in decision.alarms:
        if not message.acked_by:
            return message_words(message)
    for message in decision.notices:
        if message.code != "wall_estimate" and (check := check_words(message)):
            return check
    if decision.tank_l is None:
        return "Fill the tank and say `hygrohold note refilled`: how much is in it is not known."
    return "Nothing to do."


def read_status(path: Path) -> dict[str, Any] | None:
    """The file's content; None when there is none or it is not one of ours."""
    try:
        plain = json.loads(read_small(path, LARGEST_BYTES))
        if plain.keys() >= KEYS and datetime.fromisoformat(plain["at"]).tzinfo is not None:
            as_text(plain, datetime.now(UTC)).encode()  # whoever reads it can rely on every figure in it
            return dict(plain)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        pass
    return None


def age_s(plain: dict[str, Any], now: datetime) -> float:
    return (now - datetime.fromisoformat(plain["at"])).total_seconds()


def is_stale(plain: dict[str, Any], now: datetime) -> bool:
    age = age_s(plain, now)
    return not -STALE_S <= age <= float(plain["good_for_s"])


def runs(plain: dict[str, Any] | None, now: datetime, state: Path) -> bool:
    """Whether a program stands behind a status file. One that was killed leaves a fresh one, but no lock."""
    return plain is not None and not is_stale(plain, now) and room_lock.is_held(state) is not False


def as_text(plain: dict[str, Any], now: datetime, running: bool = True) -> str:
    """First why, then what to do, then the figures. ``running``: as far as anything but its age tells."""
    lines = [plain["sentence"], plain["to_do"], ""]
    if not running or is_stale(plain, now):
        lines.insert(0, f"The program is not running: this is what it said {_ago(age_s(plain, now))}.")
    lines += [_row(name, words) for name, words in figures(plain, now)]
    lines += [_row("Alarm", told(item, now)) for item in plain["alarms"]]
    lines += [_row("Notice", told(item, now)) for item in plain["notices"]]
    return "\n".join(lines)


def figures(plain: dict[str, Any], now: datetime) -> list[tuple[str, str]]:
    """The figures, each with its name, in the order in which they are shown."""
    rh, temp = plain["rh_pct"], plain["temp_c"]
    seen = f"{when(datetime.fromisoformat(plain['at']).astimezone(now.tzinfo), now)}"
    part = "day" if plain["is_day"] else "night"
    ceiling = f"no mist at {plain['ceiling_rh_pct']:.1f} or above"
    found = [
        ("Room", f"not known at {seen}" if rh is None else f"{rh:.1f} %RH, {temp:.1f} °C at {seen}"),
        ("Target", f"{plain['target_rh_pct']:.1f} %RH ({part}); {ceiling}"),
    ]
    if words := raised_words(plain, now):
        found.append(("", f"{words}; {RAISE_ENDS}"))
    if plain["duty"] is not None:
        found.append(("Duty", f"{100 * plain['duty']:.0f} %"))
    found.append(("Humidifier", _humidifier(plain, now)))
    found.append(("Ran", f"{plain['used_h_in_24']:.1f} h in the last 24"))
    found.append(("Tank", tank_words(plain, now)))
    if plain.get("output_counts"):
        found.append(("Output", _output(plain)))
    if plain.get("surface_c") is not None:
        found.append(("Coldest", _surface(plain)))
    return [*found, *(("Learned", words) for words in plain.get("learned", ()))]


LAST_END_TOLD = timedelta(days=7)


def ended_words(noted: dict[str, Any], now: datetime, running: bool) -> str:
    """What the service noted of an end that nobody wished for; "" when that is long over."""
    at = datetime.fromisoformat(noted["at"]).astimezone(now.tzinfo)
    if running and not timedelta() <= now - at <= LAST_END_TOLD:
        return ""
    times = int(noted["times"])
    often = f", {times} times in a day" if times > 1 else ""
    after = "it is started again"
    if running:
        after = "it runs again"
    elif noted["gave_up"]:
        after = "it will not be started again by itself"
    return _row("Service", f"{noted['why']} ({at:%Y-%m-%d %H:%M}{often}); {after}")


def _row(name: str, words: str) -> str:
    return f"{name:<11} {words}"


def _humidifier(plain: dict[str, Any], now: datetime) -> str:
    if plain.get("by_hand"):
        return "by hand: the outlet is live"
    if plain["relay_on"]:
        return "on, running"
    if plain["next_possible_on"] is None:
        return "off, until the reason above clears"
    may_run = datetime.fromisoformat(plain["next_possible_on"]).astimezone(now.tzinfo)
    return f"off, may run from {when(may_run, now)}"


def tank_words(plain: dict[str, Any], now: datetime) -> str:
    """By the clock where the last day tells; else hours of running."""
    tank = plain["tank_l"]
    if tank is None:
        return "not known"
    if plain.get("refill"):
        middle, early, late = (datetime.fromisoformat(at).astimezone(now.tzinfo) for at in plain["refill"])
        return f"about {tank:.1f} L left, {empty_words(Outlook(middle, early, late), now)}"
    return f"about {tank:.1f} L, {plain['tank_on_h']:.1f} h of mist"


def _output(plain: dict[str, Any]) -> str:
    rate, off, counts = plain["output_l_per_h"], 2.0 * plain["output_sd_l_per_h"], plain["output_counts"]
    fillings = "one filling or dry tank" if counts == 1 else f"{counts} fillings or dry tanks"
    words = f"about {rate:.2g} L an hour, give or take {off:.1g} L, learned from {fillings}"
    return f"{words}; the settings say {plain['settings_l_per_h']:.2g} L an hour"


def _surface(plain: dict[str, Any]) -> str:
    how = "measured" if plain["surface_measured"] else "by an estimate"
    wet = f"{plain['surface_rh_pct']:.0f} %RH on it" if plain["surface_rh_pct"] < 100.0 else "wet"
    index = plain["mould_index"]
    grown = "may be visible" if index >= SEEN_INDEX else "growth too fine to see"
    grown = grown if index >= BEGINS_INDEX else "no growth"
    return f"wall {plain['surface_c']:.1f} °C, {how}: {wet}; mould by the model: {index:.1f} of 6, {grown}"


def told(item: dict[str, str], now: datetime) -> str:
    words = f"{item['words']} (since {_since(item, now)}"
    if item.get("clears"):
        words += f"; over with {item['clears']}"
    if item.get("acked_by"):
        words += f"; {item['acked_by']} knows"
    return words + ")"


def _since(item: dict[str, str], now: datetime) -> str:
    return f"{datetime.fromisoformat(item['since']).astimezone(now.tzinfo):%Y-%m-%d %H:%M}"


def _ago(seconds: float) -> str:
    return f"{duration_words(seconds)} ago" if seconds > 0 else "in the future (a clock has jumped)"
