"""WALK: the questions, the summary, the rehearsal, and back to any answer until all is right.

In:    a person, the machine, a way to rehearse, answers given beforehand, a way to keep answers.
Out:   what was made of the answers; None where the person left without writing.
Never: writes a file, switches anything, or knows how a rehearsal is run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from controller.devices.relay_words import caution
from controller.errors import SettingsError
from controller.first_setup.answers import Answers, Made, settings_of
from controller.first_setup.before import Before, Clash
from controller.first_setup.machine import Machine
from controller.first_setup.person import Nonsense, Person, yes_or_no
from controller.first_setup.question import Question
from controller.first_setup.questions import BY_KEY, NUMBERS, QUESTIONS
from controller.first_setup.questions_board import slug
from controller.settings import Settings

Rehearse = Callable[[Settings], Iterable[str]]
"""What a rehearsal of these settings finds, in lines for the keeper."""
Keep = Callable[[Mapping[str, str]], None]
"""Is given all answers so far, as they would be typed, after each one."""

INTRO = (
    "First setup of a room. Enter takes what stands in the brackets. Nothing is switched, and the settings "
    "file is not written before the end. back comes to the question before. Ctrl-C stops, and keeps your "
    "answers for another time. Every figure can be changed afterwards."
)
AGAIN = (
    "What stands in the brackets is what {file} has now, and Enter keeps it. What is not asked stays as it "
    "is. Nothing is switched, and the file is not written before the end, where you see which lines change. "
    "back comes to the question before. Ctrl-C stops, and keeps your answers for another time."
)
BACK = "back"
WRITE, LEAVE = ("", "write", "w", "y", "yes"), ("q", "quit", "n", "no")


class _Back(Exception):
    """The person wants the question before."""


def start(machine: Machine, called: str) -> Answers:
    """What Enter means everywhere. ``called``: the name of the file that is to be written."""
    answers = Answers(time_zone=machine.timezone, probe=machine.probes[:1])
    return answers._replace(name=slug(called) or answers.name)


def walk(
    person: Person,
    machine: Machine,
    called: str,
    rehearse: Rehearse,
    given: Mapping[str, str] | None = None,
    keep: Keep = lambda texts: None,
    before: Before | None = None,
) -> Made | None:
    """Asks and asks again. ``given``: answers of a draft, which are not asked for. Raises Ended.

    ``before``: the file that is there already, whose values are what Enter means.
    """
    person.say(AGAIN.format(file=before.name) if before else INTRO)
    machine = before.on(machine) if before else machine
    answers = before.answers(machine) if before else start(machine, called)
    given = given or {}
    for number, question in enumerate(QUESTIONS, 1):
        known = _known(person, machine, question, answers, given)
        answers = known or _asked(person, machine, question, answers)
        if known is None and question.asked(answers, machine):
            later = {each.key: given[each.key] for each in QUESTIONS[number:] if each.key in given}
            keep({**_texts(QUESTIONS[:number], answers, machine), **later})
    while True:
        try:
            made = _shown(person, machine, answers, rehearse, before)
        except Clash as clash:
            made = None
            person.say(f"  These do not go together with what else stands in the file. {clash}.")
            person.say(
                "\nNumbers, like 15 or 12 18, change those answers; q leaves, to mend the file by hand."
            )
        else:
            person.say("\nEnter writes the file. Numbers, like 15 or 12 18, change those answers; q leaves.")
        chosen = person.ask("write" if made else "leave", _choice if made else _choice_or_leave)
        if chosen is None:
            return None
        if not chosen:
            return made
        answers = _changed(person, machine, chosen, answers)
        keep(_texts(QUESTIONS, answers, machine))


def prepared(
    person: Person, machine: Machine, called: str, rehearse: Rehearse, given: Mapping[str, str], file: str
) -> Made:
    """The same with answers from a file, and Enter for the rest; nobody is asked. Raises SettingsError."""
    unknown = sorted(set(given) - set(NUMBERS))
    if unknown:
        raise SettingsError(f"{file}: there is no answer {unknown[0]!r}; there are {', '.join(NUMBERS)}")
    answers = start(machine, called)
    for question in QUESTIONS:
        if question.asked(answers, machine):
            try:
                value = question.understood(given.get(question.key, "").strip(), answers, machine)
            except Nonsense as nonsense:
                raise SettingsError(f"{file}: {question.key}: {nonsense}") from None
            answers = answers._replace(**{question.key: value})
        elif question.key in given:
            words = question.otherwise or "It does not go with the other answers."
            raise SettingsError(f"{file}: {question.key}: {words}")
    return _shown(person, machine, answers, rehearse)


def _asked(person: Person, machine: Machine, question: Question, answers: Answers) -> Answers:
    if not question.asked(answers, machine):
        if question.otherwise:
            person.say(f"\n{NUMBERS[question.key]:>2}. {_not_asked(question, answers, machine)}")
        return answers
    person.say(f"\n{NUMBERS[question.key]:>2}. {question.asks}")
    if question.why:
        person.say(f"    {question.why}")
    for line in question.choices(machine):
        person.say(f"      {line}")
    default = question.typed(question.value(answers), machine)
    earlier = _earlier(question, answers, machine)
    try:
        value = person.ask(default, lambda text: _read(text, question, answers, machine, earlier))
    except _Back:
        answers = _asked(person, machine, earlier or question, answers)
        return _asked(person, machine, question, answers)
    told = answers._replace(**{question.key: value})
    doubt = question.doubt(told)
    if not doubt or _sure(person, doubt):
        return told
    if question.back:
        answers = _asked(person, machine, BY_KEY[question.back], answers)
    return _asked(person, machine, question, answers)


def _not_asked(question: Question, answers: Answers, machine: Machine) -> str:
    if not getattr(answers, question.key):
        return question.otherwise
    return f"Not asked on this machine; it stays as in the file: {question.in_summary(answers, machine)}."


def _earlier(question: Question, answers: Answers, machine: Machine) -> Question | None:
    """The one that is asked before it; None before the first."""
    before = QUESTIONS[: NUMBERS[question.key] - 1]
    return next((each for each in reversed(before) if each.asked(answers, machine)), None)


def _read(text: str, question: Question, answers: Answers, machine: Machine, earlier: Question | None) -> Any:
    """The answer. Raises _Back, Nonsense."""
    if earlier is not None and text.casefold() == BACK:
        raise _Back
    return question.understood(text, answers, machine)


def _sure(person: Person, doubt: str) -> bool:
    person.say(f"   {doubt}")
    person.say("   Is it so? y keeps it; Enter asks again.")
    return person.ask("n", lambda text: bool(text) and yes_or_no(text))


def _known(
    person: Person, machine: Machine, question: Question, answers: Answers, given: Mapping[str, str]
) -> Answers | None:
    """With the draft's answer; None where it has none that fits."""
    if question.key not in given or not question.asked(answers, machine):
        return None
    try:
        value = question.understood(given[question.key].strip(), answers, machine)
    except Nonsense as nonsense:
        person.say(f"\nThe draft's answer does not fit: {nonsense}")
        return None
    return answers._replace(**{question.key: value})


def _texts(questions: Iterable[Question], answers: Answers, machine: Machine) -> dict[str, str]:
    """The answers to these, as they would be typed; "" where only Enter means it. Others are left out."""
    texts = {}
    for question in questions:
        if question.asked(answers, machine):
            value = getattr(answers, question.key)
            text = question.typed(value, machine)
            try:
                same = question.read(text, answers, machine) == value
            except Nonsense:
                same = False
            if same or value == "":
                texts[question.key] = text if same else ""
    return texts


def _shown(
    person: Person, machine: Machine, answers: Answers, rehearse: Rehearse, before: Before | None = None
) -> Made:
    """The summary, and what follows from it. Raises Clash."""
    person.say("\nYour answers")
    for question in QUESTIONS:
        if question.asked(answers, machine) or question.otherwise:
            title = question.key.replace("_", " ")
            words = question.in_summary(answers, machine)
            person.say(f"  {NUMBERS[question.key]:>2}  {title:<18}{words}")
    made = before.made(answers, machine) if before else settings_of(answers, machine)
    target = made.settings.target
    low, high = target.band_low_rh_pct, target.band_high_rh_pct
    person.say(
        f"  Below {low:g} % counts as too dry, above {high:g} % as too wet. "
        f"The humidifier gives {answers.output_l_per_h:.3g} L/h."
    )
    doubts = [question.doubt(answers) for question in QUESTIONS]
    for words in (*filter(None, doubts), *_warnings(machine, made.settings)):
        person.say(f"  Mind: {words}")
    person.say()
    for line in rehearse(made.settings):
        person.say(line)
    if before:
        changes = before.changes(made.settings)
        person.say(f"\nOf {before.name} this changes" + (":" if changes else " nothing."))
        for line in changes:
            person.say(f"  {line}")
    return made


def _warnings(machine: Machine, settings: Settings) -> Iterable[str]:
    """What is allowed, and yet not well."""
    yield from filter(None, (caution(settings.relay), machine.relay_trouble(settings.relay)))
    lowest_c = settings.guards.lowest_temp_c
    room = settings.bench.room
    if min(room.warm_temp_c, room.cool_temp_c) < lowest_c:
        yield f"no mist is given into a room colder than {lowest_c:g} °C (guards.lowest_temp_c)."
    if settings.room.timezone in ("UTC", "Etc/UTC"):
        yield "the time zone is UTC, as on many fresh boards. Is it the room's?"


def _choice_or_leave(text: str) -> tuple[Question, ...] | None:
    """The same where nothing can be written: Enter leaves."""
    return None if text.casefold() in WRITE else _choice(text)


def _choice(text: str) -> tuple[Question, ...] | None:
    """Questions to ask again; none = write; None = leave."""
    wanted = text.casefold()
    if wanted in WRITE:
        return ()
    if wanted in LEAVE:
        return None
    named = {str(NUMBERS[question.key]): question for question in QUESTIONS}
    parts = wanted.replace(",", " ").split()
    if not parts or any(part not in named for part in parts):
        raise Nonsense(f'"{text}" is no number from 1 to {len(QUESTIONS)}. Enter writes the file; q leaves.')
    return tuple(question for number, question in named.items() if number in parts)


def _changed(person: Person, machine: Machine, chosen: tuple[Question, ...], answers: Answers) -> Answers:
    """Asks again, and what hangs on it; then whatever no longer fits."""
    again = {question.key for question in chosen}
    for question in QUESTIONS:
        if question.key in again or not _fits(question, answers, machine):
            if not question.asked(answers, machine) and question in chosen and not question.otherwise:
                person.say(f"\n{NUMBERS[question.key]:>2}. Not asked: it does not go with the other answers.")
            answers = _asked(person, machine, question, answers)
            again.add(question.then)
    return answers


def _fits(question: Question, answers: Answers, machine: Machine) -> bool:
    if not question.asked(answers, machine):
        return True
    try:
        question.check(getattr(answers, question.key), answers)
    except Nonsense:
        return False
    return True
