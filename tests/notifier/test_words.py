"""Letters: the short line first, then what is done, what to check, since when, how to acknowledge."""

from __future__ import annotations

from datetime import timedelta

import pytest

from controller.core.alarms import is_fault
from controller.core.messages import MESSAGES
from controller.notifier import words
from controller.notifier.words import LONGEST_LINE, letter, trial, was
from tests.notifier.helpers import NOON, message

LATER = NOON + timedelta(hours=3)


def test_an_alarm() -> None:
    written = letter("larch", words.ALARM, message("probe_lost", detail="it does not answer"), NOON)
    assert written.words.split("\n") == [
        "larch: Alarm - Probe: it does not answer.",
        "No mist is asked for.",
        "Check its plug and cable, then `hygrohold check`.",
        "It ends with a few good samples in a row.",
        "Since 2026-01-10 12:00.",
        "If you know of it, say so on the board, and the reminders end: hygrohold acknowledge",
    ]
    assert written.stands


def test_what_is_over_says_from_when_to_when_and_asks_for_nothing() -> None:
    written = letter("larch", words.OVER, message("probe_lost", detail="it does not answer"), LATER)
    assert written.words.split("\n") == [
        "larch: Over - Probe: it does not answer.",
        "From 2026-01-10 12:00 to 2026-01-10 15:00.",
    ]
    assert not written.stands


def test_the_second_person_and_a_reminder_hear_for_how_long() -> None:
    for kind in (words.SECOND, words.STILL):
        text = letter("larch", kind, message("tank_dry"), LATER).words
        assert "It has stood for 3 h, and nobody has acknowledged it." in text
        assert "hygrohold acknowledge" in text
    assert "It comes and goes" in letter("larch", words.SECOND, message("tank_dry"), LATER, times=4).words


@pytest.mark.parametrize(("over", "now"), [(True, "Now it is over."), (False, "Now it stands.")])
def test_a_sum(over: bool, now: str) -> None:
    written = letter("larch", words.SUMMARY, message("tank_dry"), LATER, times=9, over=over)
    assert f"It came 9 more times since the last message. {now}" in written.words
    assert written.stands is not over
    assert ("hygrohold acknowledge" in written.words) is not over
    assert "1 more time since" in letter("larch", words.SUMMARY, message("tank_dry"), LATER, times=1).words


def test_a_notice_asks_for_no_acknowledgement() -> None:
    text = letter("larch", words.NOTICE, message("tank_low", seen=0.7, limit=2.0), NOON).words
    assert text.startswith("larch: Notice - Tank: about 0.7 L left, less than 2.0 h of mist.\nRefill soon.\n")
    assert "acknowledge" not in text


def test_a_long_first_line_is_cut_and_said_in_full_below() -> None:
    detail = "larch.toml:3: " + "something is wrong " * 20 + "\nand\tmore\x00\x1b[31m"
    first, second, *_ = letter(
        "larch", words.ALARM, message("settings_refused", detail=detail), NOON
    ).words.split("\n")
    assert len(first) == LONGEST_LINE
    assert first.endswith("...")
    assert second.endswith("something is wrong and more [31m")


def test_what_was_lost_is_said() -> None:
    assert (
        "(7 earlier changes were not passed on"
        in letter("larch", words.ALARM, message("tank_dry"), NOON, lost=7).words
    )


def test_an_unknown_code_is_said_as_it_is() -> None:
    assert (
        letter("larch", words.ALARM, message("of_tomorrow"), NOON).first_line == "larch: Alarm - of_tomorrow"
    )


def test_over_before_it_could_be_sent_is_one_letter() -> None:
    missed = letter("larch", words.ALARM, message("tank_dry"), NOON)
    both = was(missed, letter("larch", words.OVER, message("tank_dry"), LATER))
    assert both.words.split("\n") == [
        "larch: Over before it could be sent - Tank: empty by estimate.",
        "From 2026-01-10 12:00 to 2026-01-10 15:00.",
    ]
    assert not both.stands


def test_a_trial_says_that_it_is_one() -> None:
    assert trial("larch", " Does\nthis arrive? ", NOON).words == (
        "larch: Trial - Does this arrive?\nSent 2026-01-10 12:00."
    )
    assert "nothing is wrong" in trial("larch", "", NOON).first_line


@pytest.mark.parametrize("code", sorted(MESSAGES))
def test_every_alarm_and_notice_can_be_sent(code: str) -> None:
    kind = words.ALARM if is_fault(code) else words.NOTICE
    written = letter("larch", kind, message(code), NOON)
    assert written.words.startswith(f"larch: {words.HEADS[kind]} - ")
    assert len(written.first_line) <= LONGEST_LINE
    assert len(written.words.encode()) < 4096
