"""MESSAGES: every alarm and notice in a keeper's language, in four parts. Those about walls stand beside.

In:    messages.
Out:   what was seen, what the program does about it, what to check, how it clears.
Never: decides anything.
"""

from __future__ import annotations

from controller.core.keeper import duration_words
from controller.core.messages_of_walls import MESSAGES_OF_WALLS
from controller.core.records import Message
from controller.core.told import Told, f
from controller.core.words import DOUBTS


def _doubt(message: Message) -> str:
    return DOUBTS.get(message.detail, message.detail)


NO_MIST = "No mist is asked for."
GOES_ON = "Control goes on."

MESSAGES: dict[str, Told] = {
    "probe_lost": Told(
        lambda m: f"Probe: {_doubt(m)}.",
        NO_MIST,
        "Check its plug and cable, then `hygrohold check`.",
        "a few good samples in a row",
    ),
    "one_probe_lost": Told(
        lambda m: f"One of the two probes: {_doubt(m)}.",
        "The other one is used alone.",
        "Check the first one's plug and cable.",
        "a few good samples of both",
    ),
    "probes_apart": Told(
        lambda m: f"The two probes are {f(m.seen)} %RH apart (limit {f(m.limit)}).",
        "The ceiling obeys the higher.",
        "Hang both side by side for an hour, then calibrate or replace one.",
        "both within the limit",
    ),
    "probes_drifted": Told(
        lambda m: f"The two probes are {f(m.seen)} %RH apart in the mean of a day (limit {f(m.limit)}).",
        "The ceiling obeys the higher.",
        "One of them drifts, or they hang in different air. Compare both side by side, then calibrate.",
        "the mean of a day within the limit",
    ),
    "probe_unsteady": Told(
        lambda m: f"Probe: doubted for {f(m.seen, 0)} % of the last hours, though not for long at a time.",
        "Good samples bridge the bad ones.",
        "Check its plug, the cable's length, and whether it hangs in the mist or gets wet.",
        "good samples for some hours",
    ),
    "no_mist": Told(
        lambda m: "Humidifier: on, and the air does not get wetter, or a window or door stands open.",
        "The tank counts as empty: trial pulses look whether mist comes again.",
        "Water in the tank? The humidifier's own switch on, also after a power cut? Does mist come out? "
        "Is the outlet live, are window and door shut?",
        "a trial that raises the air, or `hygrohold note refilled`",
    ),
    "stray_mist": Told(
        lambda m: "Humidifier: off, and the air gets wetter as if it ran.",
        "It stays off.",
        "Is the relay stuck (humidifier running: unplug it), or does somebody mist, water or dry laundry?",
        "air that behaves as without mist",
    ),
    "mist_weak": Told(
        lambda m: f"Humidifier: gives about {f(m.seen, 0)} % of what it once gave.",
        GOES_ON,
        "Clean and descale it, look at its dial and its wick; `hygrohold acknowledge` takes its output as "
        "the new measure.",
        "more mist",
    ),
    "below_band": Told(
        lambda m: f"The room stays at {f(m.seen)} %RH, below {f(m.limit)}, although the humidifier is on.",
        "It goes on humidifying, as long as the limits let it.",
        "Does mist come out, is a window open, is the humidifier large enough for the room?",
        "humidity in the band",
    ),
    "room_cold": Told(
        lambda m: f"The room is at {f(m.seen)} °C, below {f(m.limit)}: cold and wet together harm.",
        NO_MIST,
        "Look at the heating now. The animals come first: ask a veterinarian if they were cold for long.",
        "a room warm enough",
    ),
    "clock_doubted": Told(
        lambda m: "The clock is not known to be right.",
        "Day and night may be shifted; every limit is kept by a clock that does not need it.",
        "Network or battery clock of the board; `timedatectl` tells.",
        "a clock set from the network",
    ),
    "restart_loop": Told(
        lambda m: f"The program was begun {f(m.seen, 0)} times in {f(m.limit, 0)} minutes.",
        "It starts each time with the relay off.",
        "Power supply and plug of the board; the log (`journalctl -u 'hygrohold@*'`).",
        "half an hour without a start",
    ),
    "tank_dry": Told(
        lambda m: "Tank: empty by estimate.",
        "Trial pulses look whether somebody filled it.",
        "Fill it, then `hygrohold note refilled`.",
        "the note, or a trial that finds water",
    ),
    "relay_stuck_on": Told(
        lambda m: "Relay: seen on although commanded off.",
        "It is commanded off again and again.",
        "Unplug the humidifier; the relay or its wiring is at fault.",
        "a relay that obeys",
    ),
    "relay_no_answer": Told(
        lambda m: "Relay: seen off although commanded on.",
        GOES_ON,
        "Check the outlet's own switch, the low-voltage wires and the relay.",
        "a relay that obeys",
    ),
    "state_lost": Told(
        lambda m: f"Kept state could not be read ({m.detail}).",
        "Half the runtime cap counts as used and the tank as unknown, unless it was empty.",
        "Note the next filling; check the storage card.",
        "24 hours",
    ),
    "state_restored": Told(
        lambda m: f"This room was put back from a backup: {m.detail}.",
        "As nobody counted since then, up to half the runtime cap counts as used for a day, and the tank as "
        "unknown, unless it was empty.",
        "Note the next filling.",
        "",
    ),
    "record_anew": Told(
        lambda m: f"The record was damaged: {m.detail}.",
        "A new one was begun.",
        "Check the storage card.",
        "the next start",
    ),
    "state_unkept": Told(
        lambda m: f"Kept state cannot be written: {m.detail}.",
        "Control goes on, but a restart would not know the runtime and the tank.",
        "Is the storage card full, or read-only?",
        "a write that succeeds",
    ),
    "record_broken": Told(
        lambda m: f"The record cannot be written: {m.detail}.",
        GOES_ON,
        "Is the storage card full, or read-only?",
        "a write that succeeds",
    ),
    "notifier_failed": Told(
        lambda m: f"Messages to people outside do not get through: {m.detail}.",
        "Control goes on, and it is tried again, each time after a longer while.",
        "The board's network and [notify] in the settings; then `hygrohold tell`.",
        "a message that gets through",
    ),
    "settings_refused": Told(
        lambda m: f"The settings file was refused: {m.detail}",
        "The last good copy rules.",
        "Mend the file, then restart; `hygrohold check` tells what is wrong.",
        "a start with a file that is accepted",
    ),
    "tank_low": Told(
        lambda m: (
            f"Tank: about {f(m.seen)} L left, less than {f(m.limit)} h of mist"
            + (f"; empty at about {m.detail}." if m.detail else ".")
        ),
        "",
        "Refill soon.",
        "",
    ),
    "cap_reached": Told(
        lambda m: (
            f"The runtime cap of {f(m.limit)} h in any 24 is used up"
            + (f"; mist is possible again from about {m.detail}." if m.detail else ".")
        ),
        "",
        "",
        "",
    ),
    "outrun": Told(
        lambda m: (
            f"The room stays at {f(m.seen)} %RH, below {f(m.limit)}: the humidifier works, and the room "
            "loses more than it gives."
        ),
        "It goes on humidifying.",
        "Close gaps, insulate, or take a larger humidifier: `hygrohold size` reckons.",
        "",
    ),
    "stands_open": Told(
        lambda m: (
            "The room loses moisture faster than it did"
            + (f" before {m.detail}" if m.detail else "")
            + ", as through an open door or window."
        ),
        GOES_ON,
        "Does something stand open? Or has it become much drier outdoors?",
        "",
    ),
    "too_humid": Told(
        lambda m: (
            f"The room is at {f(m.seen)} %RH, above the ceiling of {f(m.limit)}, and the humidifier is "
            "off all that time: the program can only wait."
        ),
        "",
        "Air the room when it is drier outdoors; dry wet substrate.",
        "",
    ),
    "power_was_out": Told(
        lambda m: f"The board was away: without power, or restarted, some time between {m.detail}.",
        "",
        "Does the humidifier run again after a power cut?",
        "",
    ),
    "bypassed": Told(
        lambda m: (
            f"The outlet's own switch stands at {m.detail or '?'}"
            + (f", taken so for another {duration_words(m.seen)}." if m.seen is not None else ".")
        ),
        "By hand its time counts as run; nothing here limits it.",
        "Turn it to auto, then `hygrohold bypass auto`.",
        "",
    ),
    "cleaning_due": Told(
        lambda m: f"The humidifier was last noted as cleaned {f(m.seen, 0)} days ago.",
        "",
        "Unplug, empty, clean and rinse it (US EPA: every third day), then `hygrohold note cleaned`.",
        "",
    ),
    "calibration_due": Told(
        lambda m: f"A probe was last compared {f(m.seen, 0)} days ago.",
        "",
        "Compare it: `hygrohold calibrate`.",
        "",
    ),
    "probe_not_back": Told(
        lambda m: (
            f"Probe {m.detail or '?'} went away for its calibration, and nobody has said that it is back."
        ),
        "It is not believed. Where it is the only one, no mist is asked for.",
        "Put it back into its place, then `hygrohold calibrate back`.",
        "that word",
    ),
    "calibrating": Told(
        lambda m: f"Probe {m.detail or '?'} is away for its calibration and not believed until it is back.",
        "Where it is the only probe there is no mist meanwhile, and no humidity in the record.",
        "When it is in its place again: `hygrohold calibrate back`.",
        "",
    ),
    "probe_returns": Told(
        lambda m: f"Probe {f(m.seen, 0)} is back in its place, and believed again at {m.detail or '?'}.",
        "It first takes on the room's air.",
        "",
        "",
    ),
    **MESSAGES_OF_WALLS,
}
"""Code -> its four parts."""


def message_words(message: Message) -> str:
    """What was seen, what is done, what to check: a few sentences."""
    told = MESSAGES.get(message.code)
    if told is None:
        return message.code
    return " ".join(part for part in (told.seen(message), told.does, told.check) if part)


def check_words(message: Message) -> str:
    """What a person should look at or do; "" when there is nothing."""
    told = MESSAGES.get(message.code)
    return told.check if told is not None else ""


def clears_words(message: Message) -> str:
    """What ends it; "" where that goes without saying."""
    told = MESSAGES.get(message.code)
    return told.clears if told is not None else ""
