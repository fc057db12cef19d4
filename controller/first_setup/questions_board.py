"""QUESTIONS of names and of the board: the room's name and zone, which probe, which pin.

In:    nothing; the machine comes with each answer.
Out:   ``NAMES`` and ``BOARD``.
Never: takes a probe or a chip that is not there.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from zoneinfo import available_timezones

from controller.devices.boards import board_words
from controller.devices.settings import HIGHEST_PI_PIN
from controller.first_setup.answers import Answers, Line
from controller.first_setup.machine import Machine, Seen, number_of
from controller.first_setup.person import Nonsense
from controller.first_setup.question import Question, simply, truth

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
NONE = ("none", "no", "n")
RESERVED_PINS = 3
"""GPIO 0 and 1 identify add-on boards, 2 and 3 are the bus with fixed pull-up resistors: Raspberry Pi
documentation, "GPIO"."""
HIGHEST_LINE = 511


def slug(text: str) -> str:
    """The nearest allowed name; "" where there is none."""
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-")[:40]


def _name(text: str) -> str:
    if not NAME.fullmatch(text):
        near = slug(text)
        perhaps = f" Perhaps {near}?" if near else ""
        raise Nonsense(f"A name is 1 to 40 small letters, digits and hyphens.{perhaps}")
    return text


def _zone(text: str) -> str:
    wanted = text.replace(" ", "_").casefold()
    known = available_timezones()
    for zone in sorted(known):
        if zone.casefold() == wanted:
            return zone
    near = sorted(zone for zone in known if zone.casefold().rpartition("/")[2] == wanted)[:3]
    near = near or difflib.get_close_matches(text, sorted(known), 3)
    perhaps = f" Perhaps {' or '.join(near)}?" if near else ""
    raise Nonsense(f'There is no time zone "{text}". They look like Europe/Oslo or America/Denver.{perhaps}')


def _zone_words(value: str, machine: Machine) -> str:
    return value or "as this machine"


def _probes(text: str, answers: Answers, machine: Machine) -> tuple[Seen, ...]:
    if text.casefold() in (*NONE, "0"):
        return ()
    most = len(machine.probes)
    numbers = [int(part) for part in re.findall(r"\d{1,3}", text)]
    if not re.fullmatch(r"[\d\s,]+|\d+ and \d+", text) or not all(1 <= each <= most for each in numbers):
        raise Nonsense(f'"{text}" is not in the list. Write a number from 1 to {most}, or 0 for none.')
    if len(set(numbers)) != len(numbers) or len(numbers) > 2:
        raise Nonsense("One or two different probes can be used: like 1, or 1 2.")
    return tuple(machine.probes[each - 1] for each in numbers)


def _probe_numbers(value: tuple[Seen, ...], machine: Machine) -> str:
    return " ".join(str(machine.probes.index(seen) + 1) for seen in value) or "0"


def _probe_words(value: tuple[Seen, ...], machine: Machine) -> str:
    return ", ".join(_named(seen) for seen in value) or "simulated: no probe yet"


def _named(seen: Seen) -> str:
    return f"{seen.name or seen.kind} at {seen.address}"


def _line(text: str, answers: Answers, machine: Machine) -> Line | None:
    if text.casefold() in NONE:
        return None
    return _header_pin(text, machine) if machine.raspberry_pi else _any_line(text, machine)


def _header_pin(text: str, machine: Machine) -> Line:
    found = re.fullmatch(r"(?:gpio\s*)?(\d{1,2})", text.casefold())
    if not found or int(found[1]) > HIGHEST_PI_PIN:
        raise Nonsense(f'"{text}" is no GPIO number from {RESERVED_PINS + 1} to {HIGHEST_PI_PIN}, or none.')
    if int(found[1]) <= RESERVED_PINS:
        raise Nonsense(
            f"GPIO 0 to {RESERVED_PINS} belong to the bus and have pull-up resistors: the relay could be on "
            "by itself. Take another, best one from 9 on."
        )
    return Line(machine.header_chip, int(found[1]))


def _any_line(text: str, machine: Machine) -> Line:
    boards = {number_of(board): board for board in machine.chips}
    found = re.fullmatch(r"(?:(\d{1,2})\s*:\s*)?(\d{1,3})", text)
    chip = int(found[1]) if found and found[1] else min(boards)
    if not found or (found[1] is None and len(boards) > 1):
        raise Nonsense(
            f'"{text}" is no line. Write chip and line with a colon, like {min(boards)}:17, or none.'
        )
    if chip not in boards:
        raise Nonsense(f"There is no gpiochip{chip}. There is {', '.join(f'gpiochip{n}' for n in boards)}.")
    last = boards[chip].lines - 1 if boards[chip].lines else HIGHEST_LINE
    if int(found[2]) > min(last, HIGHEST_LINE):
        raise Nonsense(f"gpiochip{chip} has the lines 0 to {min(last, HIGHEST_LINE)}.")
    return Line(chip, int(found[2]))


def _line_typed(value: Line | None, machine: Machine) -> str:
    if value is None:
        return "none"
    return str(value.pin) if machine.raspberry_pi else f"{value.chip}:{value.pin}"


def _line_words(value: Line | None, machine: Machine) -> str:
    if value is None:
        return "simulated: nothing is switched"
    return f"GPIO{value.pin}" if machine.raspberry_pi else f"line {value.pin} of gpiochip{value.chip}"


def _chips(machine: Machine) -> Iterable[str]:
    return () if machine.raspberry_pi else map(board_words, machine.chips)


def _found(machine: Machine) -> Iterable[str]:
    yield from (f"{number}  {_named(seen)}: {seen.words}" for number, seen in enumerate(machine.probes, 1))
    yield "0  none of them yet: simulated"


NAMES = (
    Question(
        "name",
        "What is the room called?",
        "Its record and its service are named so. Small letters, digits and hyphens.",
        simply(_name),
    ),
    Question(
        "time_zone",
        "In which time zone is it?",
        "Day and night go by the room's clock.",
        simply(_zone),
        _zone_words,
    ),
)

BOARD = (
    Question(
        "probe",
        "Which probe hangs in the room? Two numbers, like 1 2, where two do.",
        "These have a driver here, and show this now. Breathe on one to know it.",
        _probes,
        _probe_numbers,
        _probe_words,
        choices=_found,
        asked=lambda answers, machine: bool(machine.probes),
        otherwise="No probe with a driver is found on this machine: it stays simulated for now.",
    ),
    Question(
        "relay_pin",
        "Which pin switches the relay? On a Raspberry Pi its GPIO number, not its place; or none yet.",
        "Only named here: nothing is switched. Without a relay it stays simulated.",
        _line,
        _line_typed,
        _line_words,
        choices=_chips,
        asked=lambda answers, machine: machine.raspberry_pi or bool(machine.chips),
        otherwise="No GPIO chip is found on this machine: the relay stays simulated for now.",
        then="switches_on_high",
    ),
    truth(
        "switches_on_high",
        "Does the relay board switch on at a high level?",
        "Take one that does. One that switches on at a low level can be on while nothing drives it.",
        asked=lambda answers, machine: answers.relay_pin is not None,
    ),
)
