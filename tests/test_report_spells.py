"""Spells of a report: runs, dry spells, alarms; what a power cut or a new life of the program makes of it."""

from __future__ import annotations

import pytest

from controller.dry_spell import DryWatch
from controller.history.rows import Event, Note, RecordedMessage, Switching
from controller.reporting.spells import message_spells, runs, starts
from controller.tally import Row


def switched(at_s: float, on: bool, because: str = "enough") -> Switching:
    return Switching(at_s, True, on, because)


def told(
    at_s: float, raised: bool, code: str = "no_mist", kind: str = "alarm", since_s: float = 0.0
) -> RecordedMessage:
    return RecordedMessage(at_s, True, kind, code, raised, since_s, None, None, "")


def acknowledged(at_s: float, by: str = "Ann", done: bool = True) -> Note:
    return Note(at_s, True, "acknowledge", "", by, None, None, None, None, done, "")


def minutes(*rh_pct: float | None, from_s: float = 0.0) -> list[Row]:
    return [(from_s + 60.0 * n, 1, rh, 24.0, 1, 0.0, None, "") for n, rh in enumerate(rh_pct, 1)]


def test_a_run_lasts_from_on_to_off() -> None:
    found = runs([switched(0, False), switched(100, True, "demand"), switched(700, False, "enough")], [])
    assert [tuple(run) for run in found] == [(100, 700, "demand", "enough")]
    assert found[0].minutes == 10.0


def test_a_run_across_a_new_start_has_no_known_end() -> None:
    """The power was cut: when the next life says off, the outlet has long been dead."""
    found = runs([switched(100, True, "demand"), switched(90000, False)], [89990.0])
    assert [tuple(run) for run in found] == [(100, None, "demand", "")]
    assert found[0].minutes is None


@pytest.mark.parametrize(
    "rows",
    [
        [switched(100, True, "demand")],  # it still runs
        [switched(100, True, "demand"), switched(50, False)],  # the clock stepped back
    ],
)
def test_a_run_without_a_known_end(rows: list[Switching]) -> None:
    assert [run.to_s for run in runs(rows, [])] == [None]


def test_on_twice_is_two_runs() -> None:
    found = runs([switched(100, True), switched(300, True), switched(400, False)], [])
    assert [(run.from_s, run.to_s) for run in found] == [(100, None), (300, 400)]


def test_starts_are_events_of_that_kind() -> None:
    assert starts([Event(1.0, True, "start", ""), Event(2.0, True, "stop", "")]) == [1.0]


def longest(*batches: list[Row], low: float = 60.0) -> tuple[float, float, int] | None:
    watch = DryWatch(low)
    for batch in batches:
        watch.add_rows(batch)
    return None if watch.longest is None else tuple(watch.longest)


def test_the_longest_dry_spell() -> None:
    rows = minutes(59.9, 60.0, 50.0, 51.0, 52.0, 60.0, 40.0, 41.0)
    assert longest(rows) == (120.0, 300.0, 3)  # the edge itself is in the band
    assert longest(rows[:4], rows[4:]) == (120.0, 300.0, 3)  # whatever the batches
    assert longest(minutes(60.0, 70.0)) is None
    assert longest([]) is None


def test_a_hole_or_an_unknown_minute_ends_a_dry_spell() -> None:
    assert longest(minutes(50.0, 50.0, None, 50.0)) == (0.0, 120.0, 2)
    assert longest(minutes(50.0, 50.0), minutes(50.0, from_s=120.0 + 31.0)) == (0.0, 120.0, 2)
    assert longest(minutes(50.0, 50.0), minutes(50.0, from_s=120.0 + 30.0)) == (0.0, 210.0, 3)
    assert longest(minutes(50.0, 50.0), minutes(50.0, from_s=0.0)) == (
        0.0,
        120.0,
        2,
    )  # the clock stepped back


def test_an_alarm_from_raised_to_cleared() -> None:
    (spell,) = message_spells([told(100, True, since_s=40), told(900, False)], [], [])
    assert (spell.since_s, spell.raised_s, spell.cleared_s, spell.lost_s) == (40, 100, 900, None)
    assert (spell.acknowledged_s, spell.acknowledged_by) == (None, "")


def test_acknowledging_is_for_the_alarms_that_stand() -> None:
    rows = [
        *(told(100, True, "no_mist"), told(110, True, "tank_dry", "notice"), told(120, True, "room_cold")),
        *(told(300, False, "no_mist"), told(400, False, "room_cold"), told(500, True, "probe_lost")),
    ]
    found = message_spells(
        rows,
        [acknowledged(90), acknowledged(200), acknowledged(350, "Ben"), acknowledged(600, done=False)],
        [],
    )
    assert {each.code: (each.acknowledged_s, each.acknowledged_by) for each in found} == {
        "no_mist": (200, "Ann"),
        "tank_dry": (None, ""),
        "room_cold": (200, "Ann"),
        "probe_lost": (None, ""),
    }


def test_told_again_by_the_next_life_is_one_alarm() -> None:
    rows = [told(100, True, since_s=40), told(1010, True, since_s=40), told(2000, False)]
    (spell,) = message_spells(rows, [], [1000.0])
    assert (spell.raised_s, spell.cleared_s) == (100, 2000)


def test_an_alarm_that_the_next_life_does_not_tell_ended_unseen() -> None:
    (spell,) = message_spells([told(100, True, since_s=40)], [], [50.0, 1000.0, 2000.0])
    assert (spell.cleared_s, spell.lost_s) == (None, 1000.0)
    first, second = message_spells(
        [told(100, True, since_s=40), told(5000, True, since_s=4000)], [], [1000.0]
    )
    assert (first.lost_s, second.lost_s, second.raised_s) == (1000.0, None, 5000)


def test_cleared_without_being_raised_is_nothing() -> None:
    assert message_spells([told(100, False)], [], []) == []
