"""What the lamps say of a decision."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from controller import shelf
from controller.shelf import Signs
from tests.shelf.helpers import decision


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({}, Signs()),
        ({"on": True}, Signs(running="steady")),
        ({"alarms": ("relay_stuck_on",)}, Signs(running="steady", alarm="blink")),
        ({"notices": ("cap_reached",)}, Signs()),
        ({"notices": ("tank_low",)}, Signs(refill="steady")),
        ({"alarms": ("tank_dry",)}, Signs(refill="blink", alarm="blink")),
        ({"acked": ("tank_dry",)}, Signs(refill="blink", alarm="steady")),
        ({"reasons": ("paused", "tank_empty")}, Signs(refill="blink")),
        ({"alarms": ("probe_lost",)}, Signs(alarm="blink")),
        ({"acked": ("probe_lost",)}, Signs(alarm="steady")),
        ({"alarms": ("probe_lost",), "acked": ("mist_weak",)}, Signs(alarm="blink")),
    ],
)
def test_signs(told: dict[str, Any], expected: Signs) -> None:
    assert shelf.signs(decision(**told)) == expected


def test_a_pause_is_seen_among_the_reasons() -> None:
    assert shelf.paused(decision(reasons=("untrusted", "paused")))
    assert not shelf.paused(decision(reasons=("untrusted",)))


def test_a_blink_is_slow() -> None:
    """IEC 60073's slow flash rate is 0.4 to 0.8 Hz (from memory)."""
    looks = [shelf.lit("blink", n / 100) for n in range(6000)]
    turned_on = sum(not before and after for before, after in pairwise(looks))
    assert 0.4 * 60 <= turned_on + 1 <= 0.8 * 60
    assert sum(looks) == pytest.approx(3000, abs=50)
    assert (shelf.lit("steady", 1.5), shelf.lit("", 0.5)) == (True, False)


@pytest.mark.parametrize(
    ("pattern", "count"), [(shelf.DONE["short"], 2), (shelf.DONE["long"], 1), (shelf.REFUSED, 5)]
)
def test_the_answers_can_be_told_apart(pattern: tuple[float, ...], count: int) -> None:
    looks = [shelf.flash(pattern, n / 100) for n in range(400)]
    over = looks.index(None)
    assert set(looks[over:]) == {None}
    assert looks[0] is False
    assert sum(not a and bool(b) for a, b in pairwise(looks[:over])) == count
    assert count / (over / 100) < 3  # no more than three flashes a second: WCAG 2.2, criterion 2.3.1
