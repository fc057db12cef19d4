"""Scripted faults through the real loop: what each does, and that it does nothing at no length."""

from __future__ import annotations

import math
from datetime import timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

import pytest

from controller.core.records import Decision, Inputs, Reading
from controller.lives import Rehearsal
from controller.settings import Settings
from controller.simulator.faults import KINDS, BenchFault, Strike, strikes
from controller.simulator.faulty import FaultyWorld
from controller.simulator.world import World
from controller.wiring import make_rehearsal

TICK_S = 30.0
STARTS_H = 8.0
HOUR_S = 3600.0


class Look(NamedTuple):
    t_s: float
    reading: Reading
    decision: Decision
    outlet_on: bool
    on_s: float
    tank_l: float
    used_l: float
    temp_c: float
    rh_pct: float


class Ear:
    """Implements ``loop.Teller``: notes what was said, and what was true."""

    def __init__(self) -> None:
        self.world: World
        self.looks: list[Look] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        world = self.world
        self.looks.append(
            Look(
                world.mono_s,
                inputs.readings[0],
                decision,
                world.relay.on,
                world.on_s,
                world.room.tank_l,
                world.room.used_l,
                world.room.temp_c,
                world.room.rh_pct,
            )
        )

    def since(self, hours: float, until_h: float = math.inf) -> list[Look]:
        return [look for look in self.looks if hours * HOUR_S <= look.t_s < until_h * HOUR_S]


class Run(NamedTuple):
    rehearsal: Rehearsal
    looks: Ear


def rehearse(*faults: dict[str, Any], days: float = 0.6, **groups: Any) -> Run:
    bench = {"days": days, "fault": faults, **groups.pop("bench", {})}
    ear = Ear()
    made = make_rehearsal(Settings(bench=bench, loop={"tick_s": TICK_S}, **groups), True, (ear,))
    ear.world = made.world
    made.run()
    assert made.history.trouble() == ""
    return Run(made, ear)


@lru_cache
def plain() -> Run:
    """The same seed without any fault."""
    return rehearse()


@lru_cache(maxsize=64)
def with_fault(kind: str, **more: Any) -> Run:
    """Of one fault; tests that look at the same one look at the same run."""
    return rehearse({"kind": kind, "starts_h": STARTS_H, **more})


def trace(run: Run) -> list[bytes]:
    found = run.rehearsal.witness.trace
    assert found is not None
    return [column.tobytes() for column in found]


def same_until_the_fault(run: Run) -> None:
    before = [look for look in run.looks.looks if look.t_s < STARTS_H * HOUR_S]
    sound = [look for look in plain().looks.looks if look.t_s < STARTS_H * HOUR_S]
    assert before[: len(sound)] == [
        look._replace(decision=own.decision) for look, own in zip(sound, before, strict=False)
    ]
    assert [look.decision.relay_on for look in before] == [look.decision.relay_on for look in sound]


def test_without_a_fault_nothing_is_wrapped() -> None:
    world = plain().rehearsal.world
    assert type(world) is World
    assert type(world.probe).__name__ == "SimulatedProbe"
    assert type(world.relay).__name__ == "SimulatedRelay"


def test_a_fault_of_no_length_does_nothing() -> None:
    """All of them in one rehearsal: whichever does anything, the trace is another."""
    run = rehearse(*({"kind": kind, "starts_h": STARTS_H, "lasts_h": 0} for kind in KINDS))
    assert isinstance(run.rehearsal.world, FaultyWorld)
    assert len(run.rehearsal.world.bench.fault) == len(KINDS)
    assert trace(run) == trace(plain())
    assert run.rehearsal.witness.summary() == plain().rehearsal.witness.summary()


SIZED = (
    *("probe-jumps", "probe-drifts", "tank-leaks", "restarts"),
    *("clock-jump", "clock-jump-doubted", "door-open"),
)


def test_a_fault_of_no_size_does_nothing() -> None:
    """Likewise all of them in one."""
    run = rehearse(*({"kind": kind, "starts_h": STARTS_H, "size": 0} for kind in SIZED))
    assert trace(run) == trace(plain())


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_same_seed_gives_the_same_rows_and_the_fault_changes_them(kind: str) -> None:
    first = with_fault(kind)
    again = rehearse({"kind": kind, "starts_h": STARTS_H})
    assert again.rehearsal is not first.rehearsal
    assert trace(first) == trace(again)
    if kind not in (
        "probe-jumps",
        "clock-jump-doubted",
        "tank-filled-untold",
    ):  # tested below, each by itself
        assert trace(first) != trace(plain())
    same_until_the_fault(first)


# --- the probe -----------------------------------------------------------------------------------


def readings(run: Run, until_h: float = math.inf) -> list[Reading]:
    return [look.reading for look in run.looks.since(STARTS_H, until_h)]


def test_a_silent_probe_answers_nothing_and_then_again() -> None:
    run = with_fault("probe-silent", lasts_h=1)
    assert {reading.rh_pct for reading in readings(run, STARTS_H + 1)} == {None}
    assert all(reading.failure for reading in readings(run, STARTS_H + 1))
    assert all(look.reading.rh_pct is not None for look in run.looks.since(STARTS_H + 1))


def test_a_frozen_probe_shows_one_figure() -> None:
    run = with_fault("probe-frozen")
    assert len(set(readings(run))) == 1
    assert readings(run)[0] == next(look.reading for look in plain().looks.since(STARTS_H))


def test_a_jumping_probe_is_wrong_now_and_then_by_the_size() -> None:
    run = with_fault("probe-jumps", size=20)
    far = [look for look in run.looks.since(STARTS_H) if abs(look.reading.rh_pct - look.rh_pct) > 15]
    hours = 0.6 * 24 - STARTS_H
    assert hours * 6 / 2 < len(far) < hours * 6 * 2  # one in ten minutes, by chance
    assert all(12 < look.reading.rh_pct - look.rh_pct < 28 for look in far)
    apart = [b.t_s - a.t_s for a, b in pairwise(far)]
    assert max(apart) > 3 * TICK_S  # single ones
    assert run.rehearsal.witness.summary().passed_over >= len(far) - 1


def test_a_drifting_probe_ends_off_by_size_times_days() -> None:
    run = with_fault("probe-drifts", size=24)
    last = run.looks.looks[-1]
    expected = 24 * (last.t_s - STARTS_H * HOUR_S) / 86400.0
    assert last.reading.rh_pct - last.rh_pct == pytest.approx(expected, abs=1.5)


def test_a_probe_without_a_number() -> None:
    assert all(math.isnan(reading.rh_pct) for reading in readings(with_fault("probe-nan")))


@pytest.mark.parametrize(("kind", "rh", "temp"), [("probe-zero", 0, -45), ("probe-all-ones", 100, 130)])
def test_a_dead_data_line(kind: str, rh: float, temp: float) -> None:
    # SHT4x data sheet, conversion of the signal: RH = -6 + 125 S, T = -45 + 175 S, S from 0 to 1; RH cut off.
    assert set(readings(with_fault(kind))) == {Reading(rh, temp)}


def test_only_the_second_of_two_probes() -> None:
    run = rehearse({"kind": "probe-silent", "starts_h": 8, "probe": 2}, probe=({}, {}))
    assert all(look.reading.rh_pct is not None for look in run.looks.looks)
    assert run.rehearsal.witness.summary().first_alarm == "one_probe_lost"


# --- relay, humidifier, tank ---------------------------------------------------------------------


def test_a_welded_relay_stays_on_once_on() -> None:
    run = with_fault("relay-welded")
    looks = run.looks.since(STARTS_H)
    first = next(number for number, look in enumerate(looks) if look.decision.relay_on)
    assert all(look.outlet_on for look in looks[first:])
    assert any(not look.decision.relay_on for look in looks[first:])
    assert run.rehearsal.witness.summary().wet_because_h.get("relay", 0) > 0.5


@pytest.mark.parametrize(("size", "codes"), [(0, set()), (1, {"relay_stuck_on"})])
def test_a_welded_relay_is_seen_only_by_a_board_that_can(size: float, codes: set[str]) -> None:
    run = with_fault("relay-welded", size=size)
    raised = {alarm.code for look in run.looks.looks for alarm in look.decision.alarms}
    assert raised & {"relay_stuck_on"} == codes


def test_a_dead_relay_never_closes() -> None:
    run = with_fault("relay-dead")
    looks = run.looks.since(STARTS_H)
    assert not any(look.outlet_on for look in looks)
    assert any(look.decision.relay_on for look in looks)
    assert looks[-1].rh_pct < plain().looks.looks[-1].rh_pct - 3


def test_a_relay_wired_backwards() -> None:
    for look in with_fault("relay-backwards").looks.since(STARTS_H + 0.01):
        assert look.outlet_on != look.decision.relay_on


def test_a_dead_humidifier_uses_no_water_while_on() -> None:
    looks = with_fault("humidifier-dead").looks.since(STARTS_H)
    assert looks[-1].used_l == looks[0].used_l
    assert looks[-1].on_s > looks[0].on_s + HOUR_S


NOBODY: dict[str, Any] = {"keeper": {"looks_in": ()}}


def test_a_leaking_tank_empties_while_the_estimate_says_full() -> None:
    run = rehearse({"kind": "tank-leaks", "starts_h": 1, "size": 1, "lasts_h": 1}, days=0.1, bench=NOBODY)
    world, look = run.rehearsal.world, run.looks.looks[-1]
    assert isinstance(world, FaultyWorld)
    assert world.leaked_l == pytest.approx(1.0)  # one litre an hour, one hour
    assert look.decision.tank_l is not None
    assert look.decision.tank_l - look.tank_l == pytest.approx(1.0, abs=0.01)
    assert look.tank_l + look.used_l + world.leaked_l == pytest.approx(4.0)  # no water is lost otherwise


def test_a_tank_filled_by_somebody_who_tells_nobody() -> None:
    run = rehearse({"kind": "tank-filled-untold", "starts_h": 2}, days=0.1, bench=NOBODY)
    look = run.looks.looks[-1]
    assert look.decision.tank_l is not None
    assert run.looks.since(2.02)[0].tank_l == pytest.approx(4.0, abs=0.02)
    assert look.tank_l - look.decision.tank_l > 0.5
    assert run.rehearsal.world.keeper.fillings == 0


# --- room, power, clock --------------------------------------------------------------------------


def test_failed_heating_lets_the_room_cool() -> None:
    run = with_fault("heating-fails")
    assert run.looks.looks[-1].temp_c < plain().looks.looks[-1].temp_c - 3
    assert run.rehearsal.world.room.heat_kwh < plain().rehearsal.world.room.heat_kwh


def test_an_open_door_exchanges_as_many_airs_as_its_size() -> None:
    run = with_fault("door-open", size=3)
    world = run.rehearsal.world
    assert world.drive.open_per_s == pytest.approx(3 / 3600)
    assert run.looks.looks[-1].rh_pct < plain().looks.looks[-1].rh_pct - 3


def test_a_power_cut() -> None:
    run = with_fault("power-cut", lasts_h=2, size=1)
    assert run.looks.since(STARTS_H + 0.01, STARTS_H + 2) == []  # nobody looks
    before, *_ = reversed([look for look in run.looks.looks if look.t_s <= STARTS_H * HOUR_S])
    after = run.looks.since(STARTS_H + 2)
    assert after[0].on_s - before.on_s <= TICK_S
    assert after[0].decision.at.boot != before.decision.at.boot
    assert after[0].decision.at.mono_s == 0.0
    # a board without a clock of its own goes on from where it stood, and knows that it may be wrong
    assert after[0].decision.at.wall - before.decision.at.wall <= timedelta(seconds=TICK_S)
    assert not after[0].decision.at.wall_trusted
    right = run.looks.since(STARTS_H + 3)[0]
    assert right.decision.at.wall_trusted
    assert right.decision.at.wall - before.decision.at.wall == timedelta(seconds=right.t_s - before.t_s)
    summary = run.rehearsal.witness.summary()
    assert (summary.boots, summary.starts) == (2, 2)
    assert summary.away_h == pytest.approx(2.0, abs=0.02)
    assert sum(summary.day) + sum(summary.night) == pytest.approx(0.6 * 24, abs=0.02)


@pytest.mark.parametrize(("kind", "on_s"), [("power-cut", 30.0), ("restarts", 40.0)])
def test_a_welded_contact_has_no_power_in_a_cut_and_has_it_while_the_program_is_away(
    kind: str, on_s: float
) -> None:
    strike = {"kind": kind, "starts_h": 4, "lasts_h": 0.9}
    run = rehearse({"kind": "relay-welded", "starts_h": 0}, strike, days=0.3)
    before = [look for look in run.looks.looks if look.t_s <= 4 * HOUR_S][-1]
    after = next(look for look in run.looks.looks if look.t_s > 4 * HOUR_S)
    assert before.outlet_on
    assert after.on_s - before.on_s == pytest.approx(on_s)  # from the last look on; a restart takes 10 s
    assert all(look.outlet_on for look in run.looks.since(5))  # power is back: the contact never opened


def test_a_power_cut_that_does_not_end() -> None:
    run = with_fault("power-cut")
    summary = run.rehearsal.witness.summary()
    assert summary.away_h == pytest.approx(0.6 * 24 - STARTS_H, abs=0.02)
    assert sum(summary.day) + sum(summary.night) == pytest.approx(0.6 * 24, abs=0.02)


def test_a_clock_that_is_right_at_once() -> None:
    run = with_fault("power-cut", lasts_h=2)
    assert all(look.decision.at.wall_trusted for look in run.looks.looks)


def test_restarts_come_every_so_many_hours() -> None:
    run = with_fault("restarts", size=0.5, lasts_h=3)
    summary = run.rehearsal.witness.summary()
    assert (summary.starts, summary.boots) == (1 + 6, 1)
    assert len({look.decision.at.boot for look in run.looks.looks}) == 1


@pytest.mark.parametrize(("kind", "trusted"), [("clock-jump", True), ("clock-jump-doubted", False)])
@pytest.mark.parametrize("hours", [-5.0, 9.0])
def test_a_wrong_clock(kind: str, trusted: bool, hours: float) -> None:
    run = with_fault(kind, size=hours)
    start = run.rehearsal.world.start
    for look in run.looks.looks:
        bad = look.t_s >= STARTS_H * HOUR_S
        said = look.decision.at
        assert (said.wall - start).total_seconds() == pytest.approx(look.t_s + bad * hours * HOUR_S)
        assert said.wall_trusted is (trusted or not bad)


# --- settings ------------------------------------------------------------------------------------


def test_strikes_do_not_overlap() -> None:
    made = (
        BenchFault(kind="restarts", starts_h=1, size=1),
        BenchFault(kind="power-cut", starts_h=2.5, lasts_h=2, size=1),
    )
    found = strikes(made, 6 * HOUR_S)
    assert [strike.at_s / HOUR_S for strike in found] == [1, 2, 2.5, 5]
    assert found[2] == Strike(9000, 16200, True, 19800)


def test_a_cut_within_a_restart_is_not_lost() -> None:
    made = (
        BenchFault(kind="restarts", starts_h=1, size=4),
        BenchFault(kind="power-cut", starts_h=1.001, lasts_h=1),
    )
    (found,) = strikes(made, 3 * HOUR_S)
    assert found.power
    assert (found.at_s, found.resumes_s) == (3600, pytest.approx(2.001 * HOUR_S))
