"""RESTART: what time powered off may age, and what a run that nobody saw end counts as."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from controller.core import restart
from controller.core.records import Inputs, Instant, Reading
from controller.core.state import State
from tests.core.helpers import DAY_S, HOUR_S, NOON, Rig, codes, off, on, quick, through_json

CAP = {"runtime": {"cap_hours_in_any_24": 2}}


def spent() -> Rig:
    """A room that has used up its two hours."""
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    rig.until(off, most_s=3 * HOUR_S)
    rig.run(60)
    return rig


def used_s(rig: Rig) -> float:
    return rig.step(70.0).used_s


@pytest.mark.parametrize("reboot", [False, True])
def test_a_gap_that_a_clock_can_tell_ages_the_ledger(reboot: bool) -> None:
    # Same boot: the elapsed-time clock tells. Another boot: two trusted wall clocks tell.
    rig = spent()
    assert used_s(rig.restarted(23 * HOUR_S, reboot=reboot)) == pytest.approx(HOUR_S, abs=150.0)
    assert used_s(rig.restarted(25 * HOUR_S, reboot=reboot)) == 0.0
    assert used_s(rig.restarted(HOUR_S, reboot=reboot)) == pytest.approx(2 * HOUR_S, abs=20.0)


def test_a_gap_of_unknown_length_ages_nothing_until_the_clock_is_trusted() -> None:
    again = spent().restarted(30 * HOUR_S, wall_trusted=False)
    again.run(3 * HOUR_S, tick_s=30.0)
    assert "cap" in codes(again.step())
    assert used_s(again) == pytest.approx(2 * HOUR_S, abs=20.0)
    again.wall_trusted = True
    assert used_s(again) == 0.0
    assert again.until(on, most_s=120.0) <= 60.0


def test_only_what_lies_before_the_gap_ages_by_it() -> None:
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    rig.run(HOUR_S)
    rig.run(60, 70.0)
    again = rig.restarted(30 * HOUR_S, wall_trusted=False)
    again.run(1800)
    again.run(60, 70.0)
    before_s = used_s(again)
    assert before_s == pytest.approx(1.5 * HOUR_S, abs=120.0)
    again.wall_trusted = True
    assert used_s(again) == pytest.approx(0.5 * HOUR_S, abs=60.0)


def test_a_gap_told_later_ages_by_its_length_only() -> None:
    again = spent().restarted(22 * HOUR_S + 1200, wall_trusted=False)
    again.run(1800, 70.0)
    again.wall_trusted = True
    # In all 22 h 20 min + 30 min + about a minute after the end of a run of 2 h: 50 min of it have aged.
    assert used_s(again) == pytest.approx((2 * 60 - 51) * 60.0, abs=120.0)


def test_two_gaps_before_the_clock_is_trusted_age_no_more_than_they_lasted() -> None:
    again = spent().restarted(11 * HOUR_S, wall_trusted=False)
    again.run(600, 70.0)
    third = again.restarted(11 * HOUR_S, wall_trusted=False)
    third.run(600, 70.0)
    third.wall_trusted = True
    left_s = used_s(third)
    assert left_s >= 2 * HOUR_S - (22 * HOUR_S + 1200 + 120 - 22 * HOUR_S) - 120.0
    assert left_s <= 2 * HOUR_S


@pytest.mark.parametrize("before", [True, False])
def test_a_wall_clock_that_was_not_trusted_tells_nothing(before: bool) -> None:
    rig = spent()
    rig.wall_trusted = before
    rig.step(70.0)
    again = rig.restarted(30 * HOUR_S, wall_trusted=not before)
    aged = used_s(again)
    assert aged == pytest.approx(2 * HOUR_S, abs=20.0)


def test_a_trusted_clock_that_went_back_ages_nothing() -> None:
    rig = spent()
    assert used_s(rig.restarted(-400 * DAY_S)) == pytest.approx(2 * HOUR_S, abs=20.0)


def test_a_gap_is_forgotten_if_the_clock_went_back() -> None:
    again = spent().restarted(HOUR_S, wall_trusted=False)
    again.step(70.0)
    again.wall -= timedelta(days=3)
    again.wall_trusted = True
    assert used_s(again) == pytest.approx(2 * HOUR_S, abs=20.0)


@pytest.mark.parametrize("off_s", [400.0, HOUR_S])
@pytest.mark.parametrize("known", [True, False])
def test_after_an_unclean_end_the_mark_and_300_s_count_as_on(off_s: float, known: bool) -> None:
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    marked = rig.run(1200)[-1]
    again = rig.restarted(off_s, wall_trusted=known)
    assert used_s(again) == pytest.approx(marked.used_s + 300.0, abs=1e-6)


def test_after_an_unclean_end_no_more_than_the_gap_counts() -> None:
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    marked = rig.run(1200)[-1]
    again = rig.restarted(40.0)  # and 10 s more until its first step
    assert used_s(again) == pytest.approx(marked.used_s + 50.0, abs=1e-6)


def test_after_an_unclean_end_a_first_look_without_a_clock_forgets_nothing() -> None:
    # The first look must not clear the command before the run that nobody saw end is booked.
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    marked = rig.run(1200)[-1]
    again = rig.restarted(HOUR_S)
    again.controller.step(Inputs(), Instant(float("nan"), again.wall, True, "boot-2"))
    assert used_s(again) == pytest.approx(marked.used_s + 300.0, abs=1e-6)


def test_water_used_in_a_run_that_nobody_saw_end_is_not_counted_twice() -> None:
    rig = Rig(quick(**CAP))
    rig.ask("refilled")
    rig.run(1200)
    level_l = rig.step().tank_l
    assert rig.restarted(HOUR_S).step(70.0).tank_l == pytest.approx(level_l, abs=0.4 * 300 / 3600)


def test_a_start_trusts_no_probe_and_waits_its_shortest_off() -> None:
    rig = Rig(quick(guards={"shortest_off_s": 100}))
    rig.until(on, most_s=200)
    rig.run(60)
    again = rig.restarted(DAY_S)
    assert codes(again.step())[0] == "untrusted"
    assert 10.0 + again.until(on, most_s=200) == pytest.approx(110.0, abs=10.0)


def test_a_pause_goes_on_after_a_power_cut() -> None:
    rig = Rig(quick())
    rig.ask("pause", for_s=HOUR_S)
    assert codes(rig.restarted(1800.0).step())[0] == "paused"
    assert "paused" not in codes(rig.restarted(HOUR_S + 20).step())
    unknown = rig.restarted(HOUR_S + 20, wall_trusted=False)
    assert codes(unknown.step())[0] == "paused"
    unknown.run(HOUR_S, tick_s=30.0)
    assert unknown.step().relay_on


def test_alarms_keep_when_they_began() -> None:
    rig = Rig(quick())
    rig.ask("refilled", litres=0.01)
    rig.run(600)
    began = rig.step().alarms[0].since
    again = rig.restarted(HOUR_S)
    assert again.step().alarms[0].since == began


def test_the_same_process_goes_on_from_a_copy_without_json() -> None:
    rig = Rig(quick())
    rig.run(100)
    copy = Rig(rig.settings, rig.state, mono_s=rig.mono_s, wall=rig.wall)
    assert codes(copy.step())[0] == "untrusted"


@pytest.mark.parametrize("mono_s", [float("nan"), float("inf"), None, "x"])
@pytest.mark.parametrize("wall", [NOON, None])
def test_a_start_waits_for_a_clock(mono_s: object, wall: object) -> None:
    rig = Rig(quick())
    bad = Instant(mono_s, wall)  # type: ignore[arg-type]
    for _ in range(5):
        decision = rig.controller.step(Inputs((Reading(50.0, 24.0),)), bad)
        assert codes(decision)[0] == "clock"
    assert rig.until(on, most_s=60) == 30.0


@pytest.mark.parametrize("trusted", [True, False])
def test_naive_walls_are_borne(trusted: bool) -> None:
    # A naive wall clock said to be trusted meets the kept aware one.
    rig = Rig(quick())
    rig.run(60)
    state = through_json(rig.state)
    naive = datetime(2026, 2, 1, 8, 0)  # noqa: DTZ001
    again = Rig(quick(), state, mono_s=5.0, wall=naive, wall_trusted=trusted, boot="boot-2")
    again.run(60)
    waiting = Rig(quick(), state, mono_s=5.0, wall=NOON, wall_trusted=False, boot="boot-2")
    waiting.run(60)
    waiting.wall, waiting.wall_trusted = naive, trusted
    waiting.run(60)


def test_without_a_gap_there_is_nothing_to_settle() -> None:
    rig = Rig(quick())
    rig.run(60)
    assert restart.settle_gap(rig.state, rig.state.t, rig.wall, rig.settings) == rig.state


def test_an_empty_state_is_a_first_start() -> None:
    rig = Rig(quick(), State())
    assert rig.step().used_s == 0.0
    assert rig.state.gap is None


def test_a_state_whose_clock_stands_at_no_time_counts_as_lost() -> None:
    rig = Rig(quick(**CAP))
    rig.run(60)
    for t in (-1.0, 1e11):
        again = Rig(rig.settings, rig.state._replace(t=t))
        decision = again.step(70.0)
        assert [alarm.code for alarm in decision.alarms] == ["state_lost"]
        assert decision.used_s == pytest.approx(HOUR_S, abs=20.0)  # half the cap


def test_a_gap_from_the_end_of_the_calendar_raises_nothing() -> None:
    again = spent().restarted(HOUR_S, wall_trusted=False)
    again.step(70.0)
    gap = again.state.gap
    assert gap is not None
    again.controller._state = again.state._replace(gap=gap._replace(since_t=1e12, resumed_t=-1e12))
    again.wall_trusted = True
    assert "power_was_out" not in [notice.code for notice in again.step(70.0).notices]


def test_an_end_books_the_time_since_the_last_step_and_leaves_the_relay_off() -> None:
    rig = Rig(quick(**CAP))
    rig.until(on, most_s=60)
    before = rig.step()
    rig.mono_s += 30.0
    state = rig.controller.stop(rig.now)
    assert not state.relay.on
    assert state.runtime.open_t is None
    assert state.runtime.closed_s == pytest.approx(before.used_s + 30.0)
    never = Rig(quick())
    assert never.controller.stop(never.now) == State()
