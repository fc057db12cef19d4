"""The order inside a tick, when the state is kept, and what the loop does about trouble beside it."""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest

from controller.core.records import Decision, Inputs, Reading, Request
from controller.errors import KeptStateError
from controller.loop import Loop
from tests.loop.helpers import HOUR_S, Bench, FakeProbe, Journal, flat

UNCLEAN_END_COUNTS_S = 300.0
"""What the design promises: kept "each 5 min while on"."""


def probe_of(bench: Bench) -> FakeProbe:
    assert isinstance(bench.probe, FakeProbe)
    return bench.probe


def turns(journal: Journal) -> list[int]:
    """Where in the journal the relay's command changes."""
    where, last = [], False
    for index, (what, on) in enumerate(journal):
        if what == "switch" and on != last:
            where.append(index)
            last = on
    return where


def test_the_state_is_kept_before_on_and_after_off() -> None:
    bench = Bench(for_s=2 * HOUR_S)

    def swing(since_s: float) -> None:
        probe_of(bench).rh_pct = 50.0 if since_s % 1200.0 < 600.0 else 75.0

    bench.clock.hooks.append(swing)
    Loop(bench.parts(), 10.0).run()
    found = turns(bench.journal)
    assert len(found) >= 10  # the scene does switch
    for index in found:
        on = bench.journal[index][1]
        beside = bench.journal[index - 1] if on else bench.journal[index + 1]
        assert beside == ("save", on)


def test_nothing_is_switched_on_before_it_was_kept() -> None:
    """A crash between keeping and switching counts as on, never the other way round."""
    bench = Bench(for_s=HOUR_S)
    kept_on: list[bool] = []

    def at(on: bool) -> None:
        if on and not bench.relay.on:
            kept_on.append(bench.keep.states[-1].relay.on)

    bench.relay.at = at
    Loop(bench.parts(), 10.0).run()
    assert kept_on == [True]


@pytest.mark.parametrize("tick_s", [1.0, 7.0, 10.0, 30.0, 60.0, 299.0, 300.0])
def test_the_state_is_kept_every_five_minutes_while_on(tick_s: float) -> None:
    trust = {"oldest_s": max(30.0, tick_s), "bridge_s": max(60.0, tick_s)}
    bench = Bench(flat(loop={"tick_s": tick_s}, trust=trust), for_s=4 * HOUR_S)
    marks: list[float] = []
    bench.keep.at = lambda state: marks.append(bench.clock.mono_s) if state.relay.on else None
    Loop(bench.parts(), tick_s).run()
    marks.append(bench.clock.mono_s)
    assert len(marks) > 10
    assert max(b - a for a, b in itertools.pairwise(marks)) <= UNCLEAN_END_COUNTS_S


def test_the_state_is_kept_every_five_minutes_though_ticks_come_late() -> None:
    """A wait that ends up to half a second late, as waits do; a mark may be late by one tick's lateness."""
    bench = Bench(for_s=4 * HOUR_S)
    draw = random.Random(4)
    bench.clock.late = lambda: draw.uniform(0.0, 0.5)
    marks: list[float] = []
    bench.keep.at = lambda state: marks.append(bench.clock.mono_s) if state.relay.on else None
    Loop(bench.parts(), 10.0).run()
    assert max(b - a for a, b in itertools.pairwise(marks)) <= UNCLEAN_END_COUNTS_S + 0.5


def test_time_that_runs_by_hand_is_kept_every_five_minutes_too() -> None:
    """A kill must not make the ledger forget hours in which the outlet's own switch stood at hand."""
    bench = Bench(for_s=2 * HOUR_S)
    marks: list[float] = []
    bench.keep.at = lambda state: marks.append(bench.clock.mono_s)
    Loop(bench.parts(hand=lambda: True), 10.0).run()
    assert len(marks) > 10
    assert max(b - a for a, b in itertools.pairwise(marks)) <= UNCLEAN_END_COUNTS_S


def test_off_for_long_writes_nothing() -> None:
    """A memory card is not written for nothing: a humid room at rest needs no mark."""
    bench = Bench(for_s=6 * HOUR_S)
    probe_of(bench).rh_pct = 72.0
    Loop(bench.parts(), 10.0).run()
    assert len(bench.keep.states) <= 2  # at the end, and perhaps once at the start


def test_an_answer_is_kept_before_it_is_given() -> None:
    """Whoever reads "noted" must find it still noted after a power cut."""
    bench = Bench(for_s=300.0)
    bench.clock.hooks.append(
        lambda since_s: bench.inbox.asked.append(Request("refilled", id="r")) if since_s == 100.0 else None
    )
    told: list[float | None] = []
    real = bench.inbox.answer

    def answer(answers: Any) -> None:
        told.append(bench.keep.states[-1].tank.level_l)
        real(answers)

    bench.inbox.answer = answer  # type: ignore[method-assign]
    Loop(bench.parts(), 10.0).run()
    assert [given.done for given in bench.inbox.answers] == [True]
    assert told == [bench.settings.tank.tank_l]


def test_unkept_state_is_an_alarm_and_stops_nothing() -> None:
    bench = Bench(for_s=HOUR_S)

    def at(state: object) -> None:
        if 600.0 <= bench.clock.since_s < 1800.0:
            raise KeptStateError("state-a.json cannot be written: No space left on device")

    bench.keep.at = at
    Loop(bench.parts(), 10.0).run()
    codes = bench.watch.alarm_codes()
    at_s = [decision.at.mono_s - bench.clock.began_s for decision in bench.watch.decisions]
    standing = [since_s for since_s, found in zip(at_s, codes, strict=True) if "state_unkept" in found]
    # Said within one mark and one tick; gone one tick after the first save that works.
    assert 600.0 < standing[0] <= 600.0 + 300.0 + 10.0
    assert standing[-1] <= 1800.0 + 2 * 10.0
    alarm = next(a for d in bench.watch.decisions for a in d.alarms if a.code == "state_unkept")
    assert "No space left" in alarm.detail
    assert bench.watch.decisions[-1].relay_on  # control never stopped
    assert all(d.relay_on for d, s in zip(bench.watch.decisions, at_s, strict=True) if s > 300.0)
    raised = [(message.code, up) for _, kind, message, up in bench.history.messages if kind == "alarm"]
    assert ("state_unkept", True) in raised
    assert ("state_unkept", False) in raised


def test_a_record_in_trouble_is_an_alarm_and_stops_nothing() -> None:
    bench = Bench(for_s=HOUR_S)

    def swing(since_s: float) -> None:
        bench.history.said = "the record cannot be written: disk full." if 600 <= since_s < 1200 else ""

    bench.clock.hooks.append(swing)
    Loop(bench.parts(), 10.0).run()
    standing = [
        d.at.mono_s - bench.clock.began_s
        for d, codes in zip(bench.watch.decisions, bench.watch.alarm_codes(), strict=True)
        if "record_broken" in codes
    ]
    assert (standing[0], standing[-1]) == (610.0, 1200.0)
    assert bench.watch.decisions[-1].relay_on


def test_troubles_known_at_the_start_stand_for_as_long_as_it_runs() -> None:
    bench = Bench()
    Loop(bench.parts(troubles=(("settings_refused", "room.toml:3: no"),)), 10.0).run()
    assert all("settings_refused" in codes for codes in bench.watch.alarm_codes())


def test_a_stall_is_not_made_up_for_by_hurrying() -> None:
    bench = Bench(for_s=HOUR_S)
    stall = {600.0: 95.0}
    bench.clock.late = lambda: stall.pop(bench.clock.since_s, 0.0)
    Loop(bench.parts(), 10.0).run()
    assert not stall
    ticks = [decision.at.mono_s for decision in bench.watch.decisions]
    apart = [b - a for a, b in itertools.pairwise(ticks)]
    assert apart.count(105.0) == 1
    assert min(apart) == 10.0


def test_a_late_tick_does_not_shift_the_ones_after_it() -> None:
    """A wait three seconds late is followed by one of seven: ten ticks are still a hundred seconds."""
    bench = Bench(for_s=HOUR_S)
    late = {100.0: 3.0}
    bench.clock.late = lambda: late.pop(bench.clock.since_s, 0.0)
    Loop(bench.parts(), 10.0).run()
    since = [decision.at.mono_s - bench.clock.began_s for decision in bench.watch.decisions]
    assert since[9:14] == [90.0, 100.0, 113.0, 120.0, 130.0]


def test_a_clock_that_steps_back_neither_raises_nor_hurries() -> None:
    """No monotonic clock does so; a broken one must still not run the relay unwatched."""
    bench = Bench(for_s=HOUR_S)
    once = {600.0: -500.0}
    bench.clock.late = lambda: once.pop(bench.clock.since_s, 0.0)
    Loop(bench.parts(), 10.0).run()
    apart = [b - a for a, b in zip(bench.clock.waited_for, bench.clock.waited_for[1:], strict=False)]
    assert min(apart) >= 0.0
    assert bench.relay.closed


def test_both_probes_are_read_and_the_outdoors_asked() -> None:
    bench = Bench()
    second = FakeProbe(52.0)
    seen: list[Inputs] = []

    class Ear:
        def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
            seen.append(inputs)

    parts = bench.parts(probes=(bench.probe, second), tellers=(Ear(),), outdoor_c=lambda: -5.0)
    Loop(parts, 10.0).tick(bench.clock.now())
    (inputs,) = seen
    assert [reading.rh_pct for reading in inputs.readings] == [50.01, 52.01]
    assert inputs.outdoor_c == -5.0
    assert inputs.relay_on is False


def test_what_the_relay_really_did_comes_round_on_the_next_tick() -> None:
    """A relay that is seen on though commanded off is an alarm after a minute, and gets no further on."""
    bench = Bench(for_s=HOUR_S)
    probe_of(bench).rh_pct = 72.0
    bench.relay.seen_on = lambda: bench.clock.since_s >= 600.0  # type: ignore[method-assign]
    Loop(bench.parts(), 10.0).run()
    assert "relay_stuck_on" in bench.watch.alarm_codes()[-1]
    assert "relay_stuck" in [reason.code for reason in bench.watch.decisions[-1].reasons]


def test_a_failed_reading_is_no_exception() -> None:
    bench = Bench(for_s=600.0)
    bench.probe.read = lambda: Reading(failure="gone")  # type: ignore[method-assign]
    Loop(bench.parts(), 10.0).run()
    assert {reason.code for d in bench.watch.decisions for reason in d.reasons} >= {"untrusted"}
    assert ("switch", True) not in bench.journal


def test_the_dead_man_s_switch_is_armed_just_before_each_on_and_after_each_off() -> None:
    """Whatever may hang (kept state, record, tellers) hangs with the switch armed for that tick's mist."""
    bench = Bench(for_s=2 * HOUR_S)
    journal = bench.relay.journal
    Loop(bench.parts(arm=lambda decision: journal.append(("arm", decision.relay_on))), 10.0).run()
    ons = [index for index, entry in enumerate(journal) if entry == ("switch", True)]
    armed_off = [index for index, entry in enumerate(journal) if entry == ("arm", False)]
    assert len(ons) > 10
    assert len(armed_off) > 10
    assert all(journal[index - 1] == ("arm", True) for index in ons)
    assert all(journal[index - 1] == ("switch", False) for index in armed_off)
