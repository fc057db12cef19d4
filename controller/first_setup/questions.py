"""QUESTIONS: all that is asked, in order: of the room, the animals, the humidifier; then of the board.

In:    nothing.
Out:   ``QUESTIONS``.
Never: asks for what only an engineer could know.
"""

from __future__ import annotations

from datetime import time

from controller.first_setup import measures
from controller.first_setup.answers import BELOW_CEILING_RH_PCT, Answers
from controller.first_setup.machine import Machine
from controller.first_setup.person import Nonsense
from controller.first_setup.question import Question, choice, simply, truth, unit
from controller.first_setup.questions_board import BOARD, NAMES
from controller.simulator.climate import CLIMATES

LARGEST_M3 = 2000.0
CLOSEST_MINUTES = 60
LOWEST_TARGET, HIGHEST_TARGET, HIGHEST_CEILING = 20, 90, 95
"""%RH. Own choices: outside of them a slip of the finger is likelier than a species."""
STRONGEST_L_PER_H = 2.0
"""Common practice, no source: what is sold for a room gives some tenths of a litre an hour, a big one one."""
FASTEST_RH_PCT_PER_MIN = 10.0
"""Own choice, no source: so fast that a shortest run of two minutes outruns every usual ceiling."""

BUILDINGS = {
    "tight-cellar": "tight: an inner room or a cellar, seals that close, walls that take up much moisture",
    "spare-bedroom": "ordinary: one outside wall, a window, a door that closes",
    "leaky-attic": "draughty: an attic or an old house, gaps that are felt in winter",
}
"""By the named rooms of a rehearsal."""
WINTERS = {name: climate.words for name, climate in CLIMATES.items()}


def _size(value: tuple[float, bool], machine: Machine) -> str:
    amount, is_volume = value
    return f"{amount:g} {'m3' if is_volume else 'm2'}"


def _room_is_no_hall(value: float, answers: Answers) -> None:
    if answers.size[0] * value > LARGEST_M3:
        raise Nonsense(
            f"{answers.size[0]:g} m² of floor, {value:g} m high, are more than {LARGEST_M3:g} m³: too much."
        )


def _clock(value: time, machine: Machine) -> str:
    return f"{value:%H:%M}"


def _clocks(value: tuple[time, ...], machine: Machine) -> str:
    return " ".join(f"{each:%H:%M}" for each in value)


def _day_and_night_last(value: time, answers: Answers) -> None:
    begins = answers.day_begins
    apart = abs((value.hour - begins.hour) * 60 + value.minute - begins.minute)
    if min(apart, 1440 - apart) < CLOSEST_MINUTES:
        raise Nonsense(f"The day begins at {begins:%H:%M}. Each must last {CLOSEST_MINUTES} minutes or more.")


def _target(text: str) -> float:
    return measures.rh_pct(text, LOWEST_TARGET, HIGHEST_TARGET)


def _above_the_targets(value: float, answers: Answers) -> None:
    if value < answers.lowest_ceiling:
        raise Nonsense(
            f"For targets of {answers.day_target:g} and {answers.night_target:g} % it must be "
            f"{answers.lowest_ceiling:g} % or more: a probe may err by some %. With {value:g} %, no target "
            f"may be above {value - BELOW_CEILING_RH_PCT:g} %: write back to come to the targets again."
        )


def _lasts(text: str, answers: Answers, machine: Machine) -> float:
    output = measures.output_l_per_h(text)
    return measures.hours(text if output is None else f"{answers.tank / output:.1f}", 0.2, 1000)


def _hardly_meant(answers: Answers) -> str:
    output, rise = answers.output_l_per_h, answers.most_rh_pct_per_min
    words = f"{answers.tank:g} L in {answers.tank_lasts:g} h are {output:.3g} L/h"
    if output > STRONGEST_L_PER_H:
        words += (
            f": more than a room humidifier gives, which is {STRONGEST_L_PER_H:g} L/h at the very most "
            "(common practice, no source)"
        )
    if rise > FASTEST_RH_PCT_PER_MIN:
        words += (
            f". In {answers.volume_m3:g} m³ of air that is up to {rise:.0f} %RH a minute: far too wet before "
            "a probe has seen it"
        )
    return f"{words}." if output > STRONGEST_L_PER_H or rise > FASTEST_RH_PCT_PER_MIN else ""


def _hours(text: str) -> float:
    return measures.hours(text, 0.5, 24)


ROOM = (
    Question(
        "size",
        "How big is the room? Its floor (12, 3 x 4 m, 130 sq ft) or its volume (30 m3).",
        "More air takes more water.",
        simply(measures.floor_or_volume),
        _size,
        then="height",
    ),
    Question(
        "height",
        "How high is it, in metres (or 8 ft)?",
        "With the floor it makes the volume.",
        simply(measures.metres),
        unit("m"),
        check=_room_is_no_hall,
        asked=lambda answers, machine: not answers.size[1],
    ),
    choice(
        "building",
        "What kind of room is it?",
        "The air that leaks out takes the moisture along. Nobody has measured yours: the nearest will do.",
        BUILDINGS,
    ),
    choice("winter", "What is the weather like?", "For the rehearsal. All of them are invented.", WINTERS),
    Question(
        "day_warmth",
        "How warm is it held by day, in °C (or 77 F)?",
        "Warm air holds more water.",
        simply(measures.celsius),
        unit("°C"),
    ),
    Question("night_warmth", "And by night?", "", simply(measures.celsius), unit("°C")),
)

ANIMALS = (
    Question(
        "day_target",
        "Which humidity is wanted by day, in %?",
        "Ask a veterinarian for your species; what stands in the brackets is only an example.",
        simply(_target),
        unit("%"),
    ),
    Question("night_target", "And by night?", "", simply(_target), unit("%")),
    Question(
        "day_begins",
        "When does the day begin (07:30, 7 am)?",
        "By the room's clock. The heating is taken to change with it.",
        simply(measures.time_of_day),
        _clock,
        then="night_begins",
    ),
    Question(
        "night_begins",
        "And when the night?",
        "",
        simply(measures.time_of_day),
        _clock,
        check=_day_and_night_last,
    ),
    Question(
        "ceiling",
        "What is the most it may ever be, in %? Above it there is never mist.",
        "Air held too wet harms, too. No published figure carries it: agree it with a veterinarian.",
        simply(lambda text: measures.rh_pct(text, LOWEST_TARGET, HIGHEST_CEILING)),
        unit("%"),
        check=_above_the_targets,
        default=lambda answers: max(answers.ceiling, answers.lowest_ceiling),
    ),
)

HUMIDIFIER = (
    Question(
        "tank",
        "How much does the humidifier's tank hold (4, 3.8 l, 1 gal)?",
        "How much is left is worked out, to tell you before it is empty. Gallons are US gallons.",
        simply(measures.litres),
        unit("L"),
        then="tank_lasts",
    ),
    Question(
        "tank_lasts",
        "How many hours does a full tank last on the setting in use? Or its output, like 300 ml/h.",
        "Best measured once with a watch: a plate often promises too much (common practice, no source).",
        _lasts,
        unit("h"),
        doubt=_hardly_meant,
        back="tank",
    ),
    truth(
        "dry_cutout",
        "Does the humidifier switch itself off when its tank is dry? If you do not know: n.",
        "If it does not, it is never tried on a tank that may be empty.",
    ),
    Question(
        "most_hours",
        "How many hours in any 24 may it run at most?",
        "It stands behind all else: a probe that errs cannot soak the room day and night.",
        simply(_hours),
        unit("h"),
    ),
    Question(
        "visits",
        "When do you look at the tank (08:00 19:00)?",
        "For the rehearsal: does the water last from one look to the next?",
        simply(measures.times_of_day),
        _clocks,
    ),
)

QUESTIONS = (*NAMES, *ROOM, *ANIMALS, *HUMIDIFIER, *BOARD)
NUMBERS = {question.key: number for number, question in enumerate(QUESTIONS, 1)}
"""By which an answer is changed afterwards."""
BY_KEY = {question.key: question for question in QUESTIONS}
