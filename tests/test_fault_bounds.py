"""A quick part of the fault matrix: what may at most come of a fault in the judged room.

The bounds are the project's own acceptance, not those of a standard. The rest of the matrix, with more rooms,
times of day and slow faults, is made by hand: ``tests/long/fault_matrix.py``.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from controller.core import effect, restart, trust
from controller.core.effect import EffectMemory
from controller.core.records import Instant, Reading
from controller.core.state import State
from controller.core.trust import CorrectionLimits, ProbeMemory, TrustLimits
from controller.settings import Settings
from controller.wiring import make_rehearsal
from tests.core import mist_room
from tests.long.fault_matrix import (
    FAULTS,
    HOUR_S,
    Reference,
    Row,
    Seen,
    Watch,
    broken,
    lasted,
    named,
    reference_key,
    run_reference,
    run_row,
)

LASTS_H = 9.0
NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)
FAULT = {fault.name: fault for fault in FAULTS}
BOTH_WAYS = (
    "probe silent, just after mist began",
    "probe frozen, just after mist began",
    "single readings +30 %RH",
    "relay welded, unseen",
    "relay dead, unseen",
    "tank empty, the estimate says full",
)
ONE_WAY = (
    "probe gives NaN, just after mist began",
    "probe gives all ones, just after mist began",
    "probe gives zeros, just after mist began",
    "relay dead, seen by the board",
    "relay wired backwards, unseen",
    "clock jumps by +6 h",
    "program killed every hour",
)
QUICK = [
    *((name, method) for name in BOTH_WAYS for method in ("hysteresis", "pid")),
    *((name, "hysteresis") for name in ONE_WAY),
]


def quick_row(name: str, method: str) -> Row:
    return Row(FAULT[name]._replace(lasts_h=LASTS_H), "judged", method, "early")


REFERENCES: dict[tuple[object, ...], Reference] = {}


def reference_of(row: Row) -> Reference:
    """Each is run once."""
    key = reference_key(row)
    if key not in REFERENCES:
        REFERENCES[key] = run_reference(row)
    return REFERENCES[key]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "method"), QUICK)
def test_a_fault_keeps_its_bounds(name: str, method: str) -> None:
    row = quick_row(name, method)
    reference = reference_of(row)
    seen = run_row(row, reference)
    assert broken(row, seen, reference) == []
    assert seen.began_s < 40 * HOUR_S  # or nothing of it was seen
    if row.fault.names_it:
        assert named(row, seen) is not None


# --- what the matrix brought up in the core ------------------------------------------------------


LIVELY = [Reading(60.0 + 0.1 * (number % 3), 24.0) for number in range(4000)]


def watched(readings: list[Reading], on_s: float, memory: ProbeMemory, t: float) -> tuple[ProbeMemory, float]:
    for reading in readings:
        t += 10.0
        memory = trust.watch(memory, reading, CorrectionLimits(), TrustLimits(), t, 10.0, on_s)
    return memory, t


def test_a_lively_probe_that_stands_still_while_mist_runs_is_given_up_within_minutes() -> None:
    memory, t = watched(LIVELY, 10.0, ProbeMemory(), 0.0)
    assert memory.lively > 0.9
    still = [Reading(60.7, 24.0)]
    assert watched(still * 12, 10.0, memory, t)[0].trusted
    assert watched(still * 14, 10.0, memory, t)[0].doubt == "frozen"  # two minutes of mist, and a look
    assert watched(still * 100, 0.0, memory, t)[0].trusted  # without mist it may rest for half an hour


def test_a_probe_that_moves_at_four_looks_in_ten_is_given_more_time() -> None:
    memory, t = watched(LIVELY, 10.0, ProbeMemory(), 0.0)
    slow = memory._replace(lively=0.45)
    still = [Reading(60.7, 24.0)]
    # 0.55 to the power of n is below one in 10^9 from n = 35 on: ln(1e-9) / ln(0.55) = 34.7; standing still
    # makes it a little less lively meanwhile
    assert watched(still * 34, 10.0, slow, t)[0].trusted
    assert watched(still * 40, 10.0, slow, t)[0].doubt == "frozen"
    assert watched(still * 60, 10.0, memory._replace(lively=0.3), t)[0].trusted


def test_a_probe_that_was_away_for_hours_is_not_unsteady_when_it_is_back() -> None:
    memory, t = watched(LIVELY[:400], 0.0, ProbeMemory(), 0.0)
    memory, t = watched([Reading(failure="x")] * 3000, 0.0, memory, t)
    memory, t = watched(LIVELY[:10], 0.0, memory, t)
    assert memory.trusted
    assert memory.doubted < TrustLimits().unsteady_share
    for _ in range(20):  # five minutes in ten
        memory, t = watched([Reading(failure="x")] * 30, 0.0, memory, t)
        memory, t = watched(LIVELY[:30], 0.0, memory, t)
    assert memory.doubted > TrustLimits().unsteady_share


STORING = mist_room.Room(k=0.6, g=60.0, store=1.5, store_h=1.0, wander=0.0, swing_c=0.0)


def unseen(life: mist_room.Life, hours: float) -> None:
    """The room dries, and nobody reads the probe."""
    look, life.on = life.look, False

    def silent(rh: float, temp: float, was_on: bool) -> None:
        life.memory = effect.advance(life.memory, life.t, life.tick_s, 0.0, None, None)

    life.look = silent  # type: ignore[method-assign]
    life.run(hours / 24.0)
    life.look = look  # type: ignore[method-assign]


@pytest.mark.parametrize("hours", [3.0, 8.0, 30.0])
def test_mist_is_not_missed_in_a_room_that_dried_out_unseen(hours: float) -> None:
    life = mist_room.Life(STORING, 7).run(4.0)
    assert life.memory.learned.known
    unseen(life, hours)
    life.run(0.5)
    assert life.doubts == []


def test_a_short_gap_keeps_what_walls_hold_and_a_long_one_does_not() -> None:
    life = mist_room.Life(STORING, 7).run(2.0)
    unseen(life, 7.0 / 60.0)  # what is left of one block may still be whole, the next is not
    assert life.memory.learned.vapour_pct is None
    assert life.memory.learned.slow_rh_pct is not None
    unseen(life, 0.5)
    assert life.memory.learned.slow_rh_pct is None


def test_a_power_cut_of_unknown_length_leaves_nothing_known_of_the_walls() -> None:
    life = mist_room.Life(STORING, 7).run(2.0)
    kept = State(t=life.t, effect=life.memory, wall=NOON, wall_trusted=True, boot="a", mono_s=life.t)
    rules = Settings()
    known = restart.resume(kept, Instant(life.t + 60.0, NOON, True, "a"), rules)
    unknown = restart.resume(kept, Instant(5.0, NOON, False, "b"), rules)
    after = [
        effect.advance(state.effect, state.t + 300.0, 10.0, 0.0, None, None) for state in (known, unknown)
    ]
    assert after[0].learned.slow_rh_pct == life.memory.learned.slow_rh_pct
    assert after[1].learned.slow_rh_pct is None


def by_blocks(memory: EffectMemory, t: float, rh_pct: tuple[float, ...]) -> EffectMemory:
    """One figure for each block of five minutes, the humidifier off."""
    for figure in rh_pct:
        for _ in range(5):
            t += 60.0
            memory = effect.advance(memory, t, 60.0, 0.0, figure, 24.0)
    return memory


def test_a_fall_that_no_mist_does_not_explain_is_something_that_was_opened() -> None:
    life = mist_room.Life(mist_room.Room(k=0.6, g=40.0, swing_c=0.0), 3).run(4.0)
    assert life.memory.learned.known
    long = by_blocks(life.memory, life.t, (62.0, 52.0, 42.0, 32.0, 22.0, 12.0, 2.0, 2.0, 2.0, 2.0))
    assert long.learned.known
    assert long.learned.aired > 0
    assert long.learned.theta == life.memory.learned.theta  # as long as it may be open, nothing is learned
    assert not long.verdict.no_mist
    assert not long.verdict.stray_mist


def test_half_an_hour_that_neither_mist_nor_none_explains_is_another_room() -> None:
    life = mist_room.Life(mist_room.Room(k=0.6, g=20.0, swing_c=0.0), 3).run(4.0)
    assert life.memory.learned.known
    rises = [66.0 + 4.0 * step for step in range(8)]  # mist gives 1.6
    short = by_blocks(life.memory, life.t, (62.0, *rises[:4], 78.0, 78.0, 78.0))
    assert short.learned.known
    assert short.learned.strange == 0
    long = by_blocks(life.memory, life.t, (62.0, *rises))
    assert not long.learned.known
    assert not long.verdict.no_mist
    assert not long.verdict.stray_mist


# --- the measuring itself ------------------------------------------------------------------------


def seen_of(**figures: object) -> Seen:
    base = Seen(0.0, None, 70.0, 60.0, 0.0, 0.0, 100.0, 4, {}, {}, {}, frozenset(), "", bytes(60), 0.0, 0.0)
    return base._replace(**figures)


REFERENCE = Reference(bytes(60), bytes(60), 10.0, frozenset())


@pytest.mark.parametrize(
    ("name", "figures", "words"),
    [
        ("probe silent", {"past_cap_s": 1.0}, "past the cap"),
        ("probe silent", {"above_s": 1.0}, "above the ceiling"),
        ("probe silent", {"alarms": {}}, "told after inf h"),
        ("probe silent", {"alarms": {"no_mist": 60.0}}, "told after inf h"),
        ("probe silent", {"alarms": {"probe_lost": 901.0}}, "told after 0.25 h"),
        ("probe silent", {"stood": frozenset({"no_mist"})}, "before it began"),
        ("single readings +30 %RH", {"on_s": 100.0}, "on for 100 s"),
        ("single readings +30 %RH", {"on_s": 0.0, "alarms": {"no_mist": 60.0}}, "raised no_mist"),
        ("clock jumps by +6 h", {"ticks": b"\1\1" + bytes(58)}, "2 ticks differ"),
        ("relay welded, unseen", {"onset_s": 50.0, "alarms": {"stray_mist": 7251.0}}, "told after 2.00 h"),
        (
            "tank empty, the estimate says full",
            {"onset_s": 50.0, "alarms": {"no_mist": 9000.0}, "vain_s": {"no_mist": 3601.0}},
            "on in vain",
        ),
        (
            "nobody fills the tank, the estimate is right",
            {"onset_s": 9.0, "notices": {"tank_low": 10.0}},
            "0",
        ),
        ("program killed every hour", {"held_after_start_s": 151.0}, "kept mist away for 151 s, not 150"),
    ],
)
def test_a_bound_that_is_broken_is_found(name: str, figures: dict[str, object], words: str) -> None:
    row = Row(FAULT[name], "judged", "hysteresis", "day")
    told = {"alarms": {"probe_lost": 60.0}} if name == "probe silent" else {}
    found = broken(row, seen_of(**{**told, **figures}), REFERENCE)
    assert len(found) == 1
    assert words in found[0]


def test_a_fault_alarm_of_the_reference_is_found() -> None:
    row = Row(FAULT["program killed every hour"], "judged", "hysteresis", "day")
    assert broken(row, seen_of(), REFERENCE._replace(alarms=frozenset({"no_mist"}))) == [
        "the reference raised no_mist"
    ]


def test_time_past_the_cap_counts_each_second_once_and_frees_it_after_24_hours() -> None:
    settings = Row(FAULT["probe silent"], "judged", "hysteresis", "day").settings  # a cap of 8 h
    world = make_rehearsal(settings, False).world
    watch = Watch(world, settings, 0.0, 0.0)
    now_s = 0.0
    for on, hours in ((True, 8.5), (False, 15.5), (True, 1.0), (True, 8.0)):
        for _ in range(round(hours * 360)):
            now_s += 10.0
            watch._cap(now_s, 10.0, on)
    # Half an hour of the first run; from 24 h on each second on frees one of that run, so the window holds
    # 8.5 h until the run has left it: all of those 8.5 h are past the cap; then none until 8 h are on again.
    assert watch.past_cap_s == pytest.approx(0.5 * HOUR_S + 8.5 * HOUR_S + 0.5 * HOUR_S, abs=20.0)


def test_what_was_told_before_says_so() -> None:
    assert [lasted(at_s) for at_s in (-32400.0, -600.0, 0.0, 600.0)] == [
        *("9.0 h before", "10 min before", "0 min", "10 min"),
    ]
