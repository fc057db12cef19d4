"""What the loop tells the record: a sample a minute, and everything else when it changes."""

from __future__ import annotations

import itertools

import pytest

from controller.core.records import Answer, Request
from controller.loop import Loop
from tests.loop.helpers import HOUR_S, Bench, FakeProbe, flat


def probe_of(bench: Bench) -> FakeProbe:
    assert isinstance(bench.probe, FakeProbe)
    return bench.probe


def swinging(tick_s: float, for_s: float = 2 * HOUR_S) -> Bench:
    """Dry for half an hour, wet for half an hour, and so on."""
    trust = {"oldest_s": max(30.0, tick_s), "bridge_s": max(60.0, tick_s)}
    bench = Bench(flat(loop={"tick_s": tick_s}, trust=trust), for_s=for_s)

    def swing(since_s: float) -> None:
        probe_of(bench).rh_pct = 58.0 if since_s % 3600.0 < 1800.0 else 67.0

    bench.clock.hooks.append(swing)
    Loop(bench.parts(), tick_s).run()
    return bench


@pytest.mark.parametrize("tick_s", [1.0, 7.0, 10.0, 30.0, 45.0, 60.0])
def test_a_sample_a_minute_whatever_the_tick(tick_s: float) -> None:
    bench = swinging(tick_s)
    samples = bench.history.samples
    assert 118 <= len(samples) <= 120
    apart = [b.at_s - a.at_s for a, b in itertools.pairwise(samples)]
    assert min(apart) >= 60.0 - tick_s
    assert max(apart) <= 60.0 + tick_s


@pytest.mark.parametrize("tick_s", [1.0, 7.0, 10.0, 30.0, 60.0, 300.0])
def test_the_minutes_on_time_adds_up_to_the_relay_s(tick_s: float) -> None:
    """What the switchings say and what the samples say is one on-time; the report's water hangs on it."""
    bench = swinging(tick_s)
    spans, on_since = 0.0, None
    last_s = bench.history.samples[-1].at_s
    for at, on, _ in bench.history.switchings:
        at_s = min(at.wall.timestamp(), last_s)
        if on and on_since is None:
            on_since = at_s
        elif not on and on_since is not None:
            spans, on_since = spans + at_s - on_since, None
    spans += 0.0 if on_since is None else max(0.0, last_s - on_since)
    assert spans > HOUR_S / 2
    assert sum(sample.on_s for sample in bench.history.samples) == pytest.approx(spans, abs=1e-6)


def test_a_sample_means_the_believed_readings_of_its_minute() -> None:
    bench = Bench(for_s=600.0)
    bench.clock.hooks.append(lambda since_s: setattr(probe_of(bench), "rh_pct", 50.0 + since_s / 60.0))
    Loop(bench.parts(), 10.0).run()
    samples = bench.history.samples
    # A reading at each of the six ticks up to the minute's end: their mean, within the probe's hair of 0.06.
    for minute, sample in enumerate(samples[2:], 3):
        ticks = [50.0 + (minute * 60.0 - back) / 60.0 for back in range(0, 60, 10)]
        assert sample.rh_pct == pytest.approx(sum(ticks) / 6, abs=0.07)
        assert sample.raw_rh_1_pct == pytest.approx(50.0 + minute, abs=0.07)
        assert sample.raw_rh_2_pct is None
        assert sample.clock_trusted


def test_a_stall_is_made_up_for_by_no_more_rows_than_minutes() -> None:
    bench = Bench(for_s=HOUR_S)
    stall = {600.0: 1215.0}
    bench.clock.late = lambda: stall.pop(bench.clock.since_s, 0.0)
    Loop(bench.parts(), 10.0).run()
    times = [sample.at_s for sample in bench.history.samples]
    apart = [b - a for a, b in itertools.pairwise(times)]
    assert len(times) <= 60
    assert min(apart) >= 30.0


def test_switchings_reasons_and_messages_are_told_once_each() -> None:
    bench = swinging(10.0)
    ons = [on for _, on, _ in bench.history.switchings]
    assert all(a != b for a, b in itertools.pairwise(ons))
    because = {because for _, on, because in bench.history.switchings if on}
    assert because == {"demand"}
    assert {because for _, on, because in bench.history.switchings[1:-1] if not on} == {"enough"}
    told = [tuple(reason.code for reason in d.reasons) for d in bench.history.reasons_told]
    assert all(a != b for a, b in itertools.pairwise(told))


def test_a_request_s_answer_is_recorded() -> None:
    bench = Bench(for_s=300.0)
    bench.inbox.asked.append(Request("pause", id="p", by="Ann"))
    Loop(bench.parts(), 10.0).run()
    (note,) = bench.history.notes
    assert isinstance(note, Answer)
    assert (note.request.by, note.done) == ("Ann", True)


def test_an_alarm_is_raised_once_and_cleared_once() -> None:
    bench = Bench(for_s=2 * HOUR_S)

    def silent(since_s: float) -> None:
        probe_of(bench).failure = "gone" if 1200.0 <= since_s < 3600.0 else ""

    bench.clock.hooks.append(silent)
    Loop(bench.parts(), 10.0).run()
    lost = [
        (kind, raised) for _, kind, message, raised in bench.history.messages if message.code == "probe_lost"
    ]
    assert lost == [("alarm", True), ("alarm", False)]


def test_the_teller_hears_of_every_tick_and_which_ones_matter() -> None:
    bench = swinging(10.0)
    changed = bench.watch.changed
    assert changed[0]
    assert 4 <= sum(changed) <= 20  # some switchings in two hours, not seven hundred ticks
