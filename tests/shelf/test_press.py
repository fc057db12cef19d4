"""The press logic: whatever a contact does, nothing but a press of a finger becomes a wish."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import shelf
from controller.shelf import LONG, SHORT, STUCK, Button, look

LONG_S = 2.0
LOOK_S = 0.02

Edges = list[tuple[float, bool]]


def told(
    edges: Edges, until_s: float, look_s: float = LOOK_S, phase_s: float = 0.0
) -> list[tuple[float, str]]:
    """What a contact that turns at ``edges`` says when it is looked at every ``look_s``; up before them."""
    button, found, number = Button(), [], 0
    contact, coming = False, list(reversed(edges))
    while (now_s := phase_s + number * look_s) <= until_s:
        number += 1
        while coming and coming[-1][0] <= now_s:
            contact = coming.pop()[1]
        button, word = look(button, contact, now_s, LONG_S)
        if word:
            found.append((now_s, word))
    return found


def words(edges: Edges, until_s: float, **more: float) -> list[str]:
    return [word for _, word in told(edges, until_s, **more)]


PHASE = st.floats(0.0, LOOK_S)


@given(PHASE, st.floats(0.08, LONG_S - 0.05))
def test_a_short_press_is_a_short_press(phase_s: float, held_s: float) -> None:
    assert words([(1.0, True), (1.0 + held_s, False)], 40, phase_s=phase_s) == [SHORT]


@given(PHASE, st.floats(LONG_S + 0.05, shelf.STUCK_S - 0.1))
def test_a_long_press_is_told_when_it_is_let_go_of(phase_s: float, held_s: float) -> None:
    ((at_s, word),) = told([(1.0, True), (1.0 + held_s, False)], 40, phase_s=phase_s)
    assert word == LONG
    assert 1.0 + held_s <= at_s <= 1.0 + held_s + shelf.BOUNCE_S + 2 * LOOK_S


@given(PHASE, st.floats(0.0001, 0.028))
def test_a_spike_is_no_press(phase_s: float, held_s: float) -> None:
    assert words([(1.0, True), (1.0 + held_s, False)], 40, phase_s=phase_s) == []


@pytest.mark.parametrize("held_s", [30.2, 31.0, 300.0])
def test_a_stuck_button_asks_for_nothing_and_is_told_once(held_s: float) -> None:
    found = told([(1.0, True), (1.0 + held_s, False)], held_s + 5)
    assert [word for _, word in found] == [STUCK]
    assert found[0][0] == pytest.approx(1.0 + shelf.STUCK_S, abs=2 * LOOK_S)


def test_stuck_again_is_told_again_and_then_it_works_again() -> None:
    edges = [(1.0, True), (50.0, False), (60.0, True), (100.0, False), (110.0, True), (110.2, False)]
    assert words(edges, 120) == [STUCK, STUCK, SHORT]


def test_a_button_held_from_the_start_is_no_press() -> None:
    assert words([(-1.0, True), (5.0, False), (6.0, True), (6.2, False)], 40) == [SHORT]
    assert words([(-1.0, True)], 100) == [STUCK]


BOUNCES = st.lists(st.floats(0.0, 0.012), max_size=6)


@given(PHASE, st.floats(0.15, 1.9), BOUNCES, BOUNCES)
def test_bounces_at_either_end_make_no_second_press(
    phase_s: float, held_s: float, down: list[float], up: list[float]
) -> None:
    """Contacts that bounce for up to 12 ms: within what switches do (common practice, no source)."""
    edges = [(1.0, True), *_shaken(1.0, down, True), *_shaken(1.0 + held_s, up, False)]
    assert words(edges, 40, phase_s=phase_s) == [SHORT]


def _shaken(at_s: float, offsets: list[float], settles: bool) -> Edges:
    turns = [(at_s + offset, number % 2 == 0) for number, offset in enumerate(sorted(offsets))]
    return [*turns, (at_s + 0.0121, settles)]


STRETCHES = st.lists(st.floats(0.001, 40.0), min_size=1, max_size=12)


@given(STRETCHES, PHASE, st.sampled_from([0.02, 0.05, 0.25]))
def test_whatever_the_contact_does(stretches: list[float], phase_s: float, look_s: float) -> None:
    """Never more wishes than presses, and none while it is held; long and stuck only after that long."""
    edges: Edges = []
    at_s, down = 1.0, True
    for stretch_s in stretches:
        edges.append((at_s, down))
        at_s, down = at_s + stretch_s, not down
    edges.append((at_s, False))
    found = told(edges, at_s + 1.0, look_s, phase_s)
    blur_s = shelf.BOUNCE_S + 2 * look_s
    holds = _holds(edges, at_s, blur_s)
    wishes = [(now_s, word) for now_s, word in found if word != STUCK]
    assert len(wishes) <= sum(down for _, down in edges)
    for now_s, word in wishes:
        assert not [down for at_s, down in edges if at_s <= now_s][-1]
        begun_s, _ = [hold for hold in holds if hold[0] <= now_s][-1]
        assert word == SHORT or now_s - begun_s >= LONG_S
    stuck = [now_s for now_s, word in found if word == STUCK]
    assert len(stuck) <= sum(int((ended - begun) / (shelf.STUCK_S - blur_s)) for begun, ended in holds)


def _holds(edges: Edges, end_s: float, blur_s: float) -> list[tuple[float, float]]:
    """From when to when it was held; two holds that the looks cannot tell apart are one."""
    holds: list[tuple[float, float]] = []
    for (begun_s, down), (ended_s, _) in zip(edges, [*edges[1:], (end_s, False)], strict=True):
        if down and holds and begun_s - holds[-1][1] <= blur_s:
            holds[-1] = holds[-1][0], ended_s
        elif down:
            holds.append((begun_s, ended_s))
    return holds


def test_nobody_knows_what_happened_during_a_gap() -> None:
    button, now_s = Button(), 0.0
    for _ in range(5):
        button, _ = look(button, False, now_s, LONG_S)
        now_s += LOOK_S
    for _ in range(5):
        button, _ = look(button, True, now_s, LONG_S)
        now_s += LOOK_S
    assert button.counts
    now_s += 1.0  # longer than GAP_S
    for contact in (*[True] * 5, *[False] * 5):
        button, word = look(button, contact, now_s, LONG_S)
        assert word == ""
        now_s += LOOK_S


def test_a_stuck_button_is_not_told_again_after_each_gap() -> None:
    button, found = Button(), []
    for now_s in (*[n * 0.1 for n in range(400)], *[60 + n * 0.1 for n in range(400)]):
        button, word = look(button, True, now_s, LONG_S)
        found += [word] if word else []
    assert found == [STUCK]


def test_a_clock_that_goes_back_makes_no_press() -> None:
    button = Button()
    for now_s in (10.0, 10.02, 10.04, 10.06):
        button, _ = look(button, False, now_s, LONG_S)
    for now_s in (10.08, 10.1, 10.12, 10.14):
        button, _ = look(button, True, now_s, LONG_S)
    for now_s in (9.0, 9.02, 9.04, 9.06):
        button, word = look(button, False, now_s, LONG_S)
        assert word == ""


def test_when_to_let_go_and_when_to_look_often() -> None:
    held = Button(down=True, down_s=0.0, counts=True, looked_s=1.0)
    assert not shelf.long_enough(held, 1.9, LONG_S)
    assert shelf.long_enough(held, 2.0, LONG_S)
    assert not shelf.long_enough(held, 31.0, LONG_S)
    assert not shelf.long_enough(held._replace(counts=False), 3.0, LONG_S)
    assert not shelf.quiet(held)
    assert shelf.quiet(held._replace(told=True))
    assert shelf.quiet(Button(down=False))
    assert not shelf.quiet(Button(down=False, turned_s=1.0))
