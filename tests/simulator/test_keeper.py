"""The simulated keeper: rounds, fillings, what he tells and what he keeps to himself."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from math import inf
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.records import Answer, Request
from controller.simulator.keeper import SimulatedKeeper
from controller.simulator.room import Room
from controller.simulator.settings import BenchKeeper, BenchSettings

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
ZONES = ("UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu")


def keeper(start: datetime = NOON, **over: Any) -> SimulatedKeeper:
    return SimulatedKeeper(BenchKeeper(**over), 4.0, start)


def room(tank_l: float) -> Room:
    return Room(BenchSettings(), 0.4, tank_l)


def test_he_begins_with_a_full_tank_and_says_so_once() -> None:
    him = keeper()
    (told,) = him.poll(NOON)
    assert (told.kind, told.litres, told.at) == ("refilled", None, None)
    assert him.poll(NOON) == ()
    assert him.fillings == 0


@pytest.mark.parametrize(("left_l", "fills"), [(2.4, True), (2.5, False), (4.0, False), (0.0, True)])
def test_he_fills_to_the_top_below_his_mark(left_l: float, fills: bool) -> None:
    him, it = keeper(fills_below_l=2.5), room(left_l)
    him.poll(NOON)
    him.look_in(it, him.next_look)
    assert it.tank_l == (4.0 if fills else left_l)
    assert him.fillings == fills
    assert [request.kind for request in him.poll(NOON)] == (["refilled"] if fills else [])


def test_a_silent_keeper_fills_and_tells_nothing() -> None:
    him, it = keeper(tells=False), room(1.0)
    assert him.poll(NOON) == ()
    him.look_in(it, him.next_look)
    assert (it.tank_l, him.fillings, him.poll(NOON)) == (4.0, 1, ())


def test_a_request_left_with_him_is_handed_on_in_order() -> None:
    him = keeper()
    pause = Request("pause", for_s=60.0)
    him.ask(pause)
    handed = him.poll(NOON)
    assert [request.kind for request in handed] == ["refilled", "pause"]
    him.answer([Answer(pause, True, "")])  # he reads no replies
    assert him.poll(NOON) == ()


def test_his_rounds_are_the_set_times_in_order() -> None:
    him = keeper(looks_in=(time(19, 0), time(8, 0)))
    seen = []
    for _ in range(4):
        seen.append(him.next_look)
        him.look_in(room(4.0), him.next_look)
    # by the calendar: noon on the 10th, so 19:00, then 08:00 and 19:00 of the 11th, 08:00 of the 12th
    assert [f"{at:%d %H:%M}" for at in seen] == ["10 19:00", "11 08:00", "11 19:00", "12 08:00"]


def test_a_keeper_without_rounds_never_comes() -> None:
    assert keeper(looks_in=()).next_look.timestamp() > NOON.timestamp() + 1000 * 366 * 86400


def test_a_late_look_does_not_bring_the_missed_ones_after_it() -> None:
    him = keeper(looks_in=(time(8, 0),))
    him.look_in(room(4.0), NOON + timedelta(days=5))
    assert him.next_look == datetime(2026, 1, 16, 8, 0, tzinfo=UTC)


@given(
    st.sampled_from(ZONES),
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 30)),  # noqa: DTZ001
    st.lists(st.times().map(lambda at: at.replace(microsecond=0)), min_size=1, max_size=5, unique=True),
)
def test_the_next_look_is_the_first_set_time_ahead(zone: str, now: datetime, looks: list[time]) -> None:
    """Against a count minute by minute would be slow; so against every candidate of four days."""
    here = now.replace(tzinfo=ZoneInfo(zone))
    next_look = keeper(here, looks_in=tuple(looks)).next_look
    ahead = inf
    for day in range(-1, 3):
        for at in looks:
            local = datetime.combine((now + timedelta(days=day)).date(), at, ZoneInfo(zone))
            if here.timestamp() < local.timestamp() < ahead:
                ahead = local.timestamp()
    assert next_look.timestamp() == ahead


def test_a_time_that_comes_twice_at_the_change_of_the_clocks_is_looked_at_once() -> None:
    """25 October 2026 in Berlin: 02:00 to 03:00 comes twice."""
    berlin = ZoneInfo("Europe/Berlin")
    him = keeper(datetime(2026, 10, 24, 12, 0, tzinfo=berlin), looks_in=(time(2, 45),))
    assert him.next_look.timestamp() == datetime(2026, 10, 25, 0, 45, tzinfo=UTC).timestamp()
    him.look_in(room(4.0), datetime(2026, 10, 25, 2, 45, tzinfo=berlin))
    assert him.next_look.date().day == 26
    him.look_in(room(4.0), datetime(2026, 10, 25, 2, 30, fold=1, tzinfo=berlin))
    assert him.next_look.date().day == 26
