"""WORDS: every code that the core can say has words, and they can be said whatever the figures."""

from __future__ import annotations

import ast
import random
from datetime import timedelta
from math import inf, nan
from pathlib import Path

import pytest

from controller.core import alarms, guards, messages, refill, words
from controller.core.records import Action, Inputs, Message, Reading, Reason
from controller.core.trust import ProbeMemory
from tests.core.helpers import NOON, Embedder, Rig, on, quick
from tests.core.test_never import some_rules, wild_inputs

CORE = Path(guards.__file__).parent
FIGURES = [None, 0.0, 12.345, 1e9, -3.0]


def said_in_the_code(kind: str) -> set[str]:
    """The codes written as the first argument of each ``Reason(...)`` or ``Condition(...)``."""
    found = set()
    for path in CORE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == kind and node.args:
                first = node.args[0]
                found |= {
                    c.value
                    for c in ast.walk(first)
                    if isinstance(c, ast.Constant) and isinstance(c.value, str)
                }
    return found


def test_every_reason_has_words() -> None:
    codes = said_in_the_code("Reason")
    assert {"clock", "paused", "untrusted", "ceiling", "enough"} <= codes
    assert codes == set(words.REASONS)


def test_every_alarm_and_notice_has_words() -> None:
    codes = said_in_the_code("Condition") | alarms.NOTICES | set(alarms.PATIENCE_S)
    assert {"probe_lost", "tank_low", "wall_wet", "wall_estimate"} <= codes | {"wall_wet"}
    assert codes <= set(messages.MESSAGES)


def test_a_wild_room_says_nothing_without_words() -> None:
    seen_on, seen_doubts = set(), {ProbeMemory().doubt}
    for seed in range(12):
        rng = random.Random(seed)
        caller = Embedder(some_rules(rng))
        rh = 60.0
        for _ in range(300):
            was_on = caller.pass_time(rng.uniform(1, 120))
            rh = min(max(rh + rng.gauss(0, 1.5), 40.0), 85.0)
            now = caller.now(True)
            decision = caller.step(wild_inputs(rng, rh, 22.0, now.wall, was_on), now)
            assert {reason.code for reason in decision.reasons} <= set(words.REASONS)
            said = {message.code for message in (*decision.alarms, *decision.notices)}
            assert said <= set(messages.MESSAGES)
            seen_on |= {decision.on_because} - {""}
            seen_doubts |= {probe.doubt for probe in caller.controller.state.probes}
            sentence = words.sentence(decision)
            assert sentence.startswith("On: " if decision.relay_on else ("Off: ", "By hand: "))
            assert sentence.endswith(".")
            assert "?" not in sentence or decision.reasons[0].code == "untrusted"
    assert seen_on <= set(words.ON)
    assert seen_doubts - {""} <= set(words.DOUBTS)
    assert "demand" in seen_on


@pytest.mark.parametrize("figure", FIGURES)
def test_they_can_be_said_whatever_the_figures(figure: float | None) -> None:
    for code in words.REASONS:
        said = words.reason_words(Reason(code, Action.OFF, figure, figure, figure, figure))
        assert said
        assert said != code
    for code in messages.MESSAGES:
        said = messages.message_words(Message(code, NOON, figure, figure, "the card"))
        assert said.endswith((".", "card", "?"))


@pytest.mark.parametrize("figure", [nan, inf, -inf])
def test_they_can_be_said_of_broken_figures(figure: float) -> None:
    # The step bears a state with such figures, so its words must too.
    for code in words.REASONS:
        assert words.reason_words(Reason(code, Action.OFF, figure, figure, figure, figure))


def test_an_unknown_code_is_said_as_it_is() -> None:
    assert words.reason_words(Reason("new", Action.OFF)) == "new"
    assert words.reason_name("new") == "new"
    assert messages.message_words(Message("new", NOON)) == "new"
    assert words.reason_name("cap") != "cap"


def test_one_sentence_for_the_common_cases() -> None:
    rig = Rig(quick())
    assert "not to be trusted" in words.sentence(rig.step())
    rig.until(on, most_s=60)
    decision = rig.step()
    assert words.sentence(decision) == f"On: {words.ON['demand']}, 50.0 %RH where 65.0 is the target."
    assert words.sentence(rig.ask("humidify_now", 70.0)._replace(on_because="humidify_now")) != ""
    assert "paused" in words.sentence(rig.ask("pause"))
    assert words.sentence(decision._replace(relay_on=False)) == "Off."
    lost = decision._replace(on_because="shortest_on", rh_pct=None)
    assert words.sentence(lost) == f"On: {words.ON['shortest_on']}."
    failed = rig.step(readings=(Reading(failure="checksum"),))
    assert failed.relay_on is False


def test_moments_near_now_are_short() -> None:
    assert refill.when(NOON + timedelta(hours=3), NOON) == "15:00"
    assert refill.when(NOON + timedelta(hours=13), NOON) == "tomorrow 01:00"
    assert refill.when(NOON + timedelta(days=3), NOON) == "2026-01-13 12:00"


def test_an_embedders_empty_inputs_have_words_too() -> None:
    caller = Embedder(quick())
    assert words.sentence(caller.step(Inputs(), caller.now(False))).startswith(
        "Off: the probe is not to be trusted"
    )


def test_a_wall_past_saturation_is_called_wet_and_given_no_impossible_humidity() -> None:
    since = NOON
    for code in ("wall_estimate", "wall_wet"):
        assert "at 86.5 %RH" in messages.message_words(Message(code, since, 86.5, 58.0))
        wet = messages.message_words(Message(code, since, 107.0, 58.0))
        assert "water condenses" in wet
        assert "107" not in wet
