"""MESSAGES: four parts each, in a keeper's words."""

from __future__ import annotations

import re

import pytest

from controller.core import alarms
from controller.core.messages import MESSAGES, check_words, clears_words, message_words
from controller.core.records import Message
from controller.core.words import DOUBTS
from tests.core.helpers import NOON

SENTENCE_ENDS = (".", "?", "!")
PYTHON = re.compile(
    r"\b(None|True|False|nan|inf|Traceback|NoneType|lambda|dict|tuple|self)\b|[<>{}]|\w+\(\)|_\w"
)
FIGURES = [None, 0.0, 12.345, 7200.0, 1e9, -3.0]


def parts(
    code: str, figure: float | None = 12.3, detail: str = "the card is full"
) -> tuple[str, str, str, str]:
    told = MESSAGES[code]
    return told.seen(Message(code, NOON, figure, figure, detail)), told.does, told.check, told.clears


@pytest.mark.parametrize("code", sorted(MESSAGES))
def test_each_part_says_what_it_should(code: str) -> None:
    seen, does, check, clears = parts(code)
    assert seen.endswith(SENTENCE_ENDS) or code == "settings_refused"  # that one ends as the detail does
    for part in (seen, does, check):
        assert not part or part[0].isupper()
    for part in (does, check):
        assert not part or part.endswith(SENTENCE_ENDS)
    assert not clears.endswith(".")
    if alarms.is_fault(code):
        assert does
        assert check
        assert clears
    assert message_words(Message(code, NOON, 12.3, 12.3, "x")).count("  ") == 0


@pytest.mark.parametrize("code", sorted(MESSAGES))
@pytest.mark.parametrize("figure", FIGURES)
def test_they_hold_no_word_of_the_programs_own(code: str, figure: float | None) -> None:
    for detail in ("", "the card is full", *DOUBTS):
        for part in parts(code, figure, detail):
            without_commands = re.sub(r"`[^`]*`", "", part)
            # A detail may be a doubt's own code only where the doubt has no words: it has.
            said = (
                without_commands.replace(detail, "") if detail and detail not in DOUBTS else without_commands
            )
            if detail not in DOUBTS or code in ("probe_lost", "one_probe_lost"):
                assert not PYTHON.search(said.replace("probe.calibrated_on", "")), said


def test_what_clears_it_is_said_of_every_fault() -> None:
    for code in MESSAGES:
        message = Message(code, NOON)
        assert clears_words(message) == MESSAGES[code].clears
        assert check_words(message) == MESSAGES[code].check
    assert clears_words(Message("new", NOON)) == check_words(Message("new", NOON)) == ""
    assert message_words(Message("new", NOON)) == "new"


def test_a_bypass_says_how_long_where_it_ends_by_itself() -> None:
    assert "another 2 h" in message_words(Message("bypassed", NOON, 7200.0, detail="hand")) or "120 min" in (
        message_words(Message("bypassed", NOON, 7200.0, detail="hand"))
    )
    assert "another" not in message_words(Message("bypassed", NOON, None, detail="hand"))


def test_the_cap_says_when_where_it_is_known() -> None:
    assert "about 17:30" in message_words(Message("cap_reached", NOON, 2.0, 2.0, "17:30"))
    assert "about" not in message_words(Message("cap_reached", NOON, 2.0, 2.0, ""))
