"""TRUST: which samples are believed, how long a bad one is bridged, and what two probes say together."""

from __future__ import annotations

from datetime import date
from math import inf, nan
from typing import Any

import pytest

from controller.core.records import Reading
from controller.core.trust import ProbeMemory, TrustLimits, believe, drift, plausible
from tests.core.helpers import Rig, codes, flat, quick

TWO: dict[str, Any] = {"probe": ({}, {})}


def both(first: Reading, second: Reading) -> dict[str, Any]:
    return {"readings": (first, second)}


def settled(settings: Any = None) -> Rig:
    rig = Rig(settings)
    rig.run(40)
    return rig


@pytest.mark.parametrize(
    ("reading", "doubt"),
    [
        (Reading(), "silent"),
        (Reading(50.0, None), "silent"),
        (Reading(None, 20.0), "silent"),
        (Reading(50.0, 20.0, failure="checksum"), "silent"),
        (Reading(nan, 20.0), "not_a_number"),
        (Reading(50.0, nan), "not_a_number"),
        (Reading(inf, 20.0), "not_a_number"),
        (Reading(50.0, -inf), "not_a_number"),
        (Reading(50.0, 20.0, age_s=nan), "not_a_number"),
        (Reading("50", 20.0), "not_a_number"),  # type: ignore[arg-type]
        (Reading(50.0, 20.0, age_s=None), "not_a_number"),  # type: ignore[arg-type]
        (Reading(0.0, 20.0), "zero"),
        (Reading(-6.0, 20.0), "zero"),
        (Reading(100.0, 20.0), "all_ones"),
        (Reading(119.0, 20.0), "all_ones"),
        (Reading(50.0, -10.1), "out_of_range"),
        (Reading(50.0, 60.1), "out_of_range"),
        (Reading(50.0, 20.0, age_s=30.1), "stale"),
        (Reading(50.0, 20.0, age_s=30.0), ""),
        (Reading(5.0, -10.0), ""),
        (Reading(99.9, 60.0), ""),
    ],
)
def test_what_a_room_cannot_be(reading: Reading, doubt: str) -> None:
    assert plausible(reading, TrustLimits()) == doubt


@pytest.mark.parametrize("bad", [Reading(), Reading(nan, 24.0), Reading(0.0, 24.0), Reading(100.0, 100.0)])
def test_a_probe_that_never_was_good_gives_no_mist(bad: Reading) -> None:
    rig = Rig()
    for _ in range(50):
        decision = rig.step(readings=(bad,))
        assert not decision.relay_on
        assert codes(decision)[0] == "untrusted"
        assert decision.rh_pct is decision.temp_c is decision.rh_high_pct is None


def test_trust_comes_after_several_good_samples() -> None:
    rig = Rig(flat(trust={"good_samples": 4}))
    assert [rig.step().rh_pct is not None for _ in range(6)] == [False] * 3 + [True] * 3


def test_good_samples_must_follow_from_each_other() -> None:
    rig = Rig()
    for _ in range(10):  # 30 %RH up and down: none follows from the last
        assert rig.step(40.0).rh_pct is None
        assert rig.step(70.0).rh_pct is None


@pytest.mark.parametrize("silence", [None, "nan"])
def test_a_silent_probe_is_bridged_for_a_minute_and_no_longer(silence: str | None) -> None:
    rig = settled()
    bad = (Reading(nan, nan),) if silence else ()
    held = [rig.step(readings=bad).rh_pct is not None for _ in range(8)]
    assert held == [True] * 6 + [False] * 2  # 10 to 60 s, then not
    assert codes(rig.step(readings=bad))[0] == "untrusted"
    assert [rig.step().rh_pct is not None for _ in range(3)] == [False, False, True]


def test_no_bridge_when_none_is_allowed() -> None:
    rig = settled(flat(trust={"bridge_s": 0}))
    assert rig.step(None).rh_pct is None


def test_a_single_spike_is_not_believed() -> None:
    rig = settled()
    assert rig.step(75.0).rh_pct == pytest.approx(50.0, abs=0.02)
    assert rig.step(50.0).rh_pct == pytest.approx(50.0, abs=0.02)


@pytest.mark.parametrize(("rh_pct", "temp_c"), [(70.0, 24.0), (50.0, 34.0)])
def test_a_real_jump_is_believed_after_good_samples(rh_pct: float, temp_c: float) -> None:
    rig = settled()
    seen = [rig.step(rh_pct, temp_c) for _ in range(3)]
    assert [d.rh_pct == pytest.approx(rh_pct, abs=0.02) and d.temp_c == temp_c for d in seen] == [
        False,
        False,
        True,
    ]
    assert all(d.rh_pct is not None for d in seen)  # bridged meanwhile


def test_a_slow_change_is_no_jump() -> None:
    rig = settled()
    assert rig.step(69.0, after_s=60.0).rh_pct == pytest.approx(69.0, abs=0.02)  # 10 at once and 10 a minute


def test_a_probe_that_does_not_move_while_the_relay_works_is_frozen() -> None:
    rig = Rig(quick(trust={"frozen_on_minutes": 5}))
    still = (Reading(50.0, 24.0),)
    for _ in range(3):
        decision = rig.step(readings=still)
    assert decision.relay_on
    ran_s = 0.0
    while decision.relay_on:
        decision = rig.step(readings=still)
        ran_s += 10.0
        assert ran_s <= 310.0
    assert ran_s == 300.0
    assert codes(decision)[0] == "untrusted"
    assert decision.reasons[0].detail == "frozen"
    assert rig.step(readings=still).rh_pct is None  # it has to move to be believed again
    rig.step(50.1)
    rig.step(50.1)
    assert rig.step(50.1).rh_pct is not None


def test_a_probe_that_does_not_move_while_the_relay_rests_is_not_frozen() -> None:
    rig = Rig(quick(trust={"frozen_on_minutes": 1}))
    for _ in range(100):
        decision = rig.step(readings=(Reading(70.0, 24.0),))
    assert decision.rh_pct == 70.0


def test_corrections_are_applied_and_kept_on_the_scale() -> None:
    probe = {"rh_gain": 1.1, "rh_offset_pct": -4, "temp_offset_c": 0.5, "calibrated_on": date(2026, 1, 1)}
    rig = Rig(flat(probe=(probe,)))
    rig.run(40)
    decision = rig.step(readings=(Reading(60.0, 24.0),))
    assert decision.rh_pct == pytest.approx(62.0)
    assert decision.temp_c == pytest.approx(24.5)
    for offset_pct, raw_pct, believed_pct in ((20, 95.0, 100.0), (-20, 5.0, 0.0)):
        rig = Rig(flat(probe=({"rh_offset_pct": offset_pct},)))
        for _ in range(4):
            decision = rig.step(raw_pct)
        assert decision.rh_pct == pytest.approx(believed_pct)


def test_demand_obeys_the_mean_of_two_and_the_ceiling_the_higher() -> None:
    rig = Rig(quick(target_rh_pct=65.0, **TWO))
    for _ in range(4):
        decision = rig.step(**both(Reading(50.0, 23.0), Reading(79.0, 25.0)))
    assert (decision.rh_pct, decision.rh_high_pct, decision.temp_c) == (64.5, 79.0, 24.0)
    assert "ceiling" in codes(decision)


@pytest.mark.parametrize("dead", [0, 1])
def test_one_of_two_probes_may_die(dead: int) -> None:
    rig = Rig(quick(**TWO))
    for count in range(60):
        alive = Reading(50.0 + 0.01 * (count % 2), 24.0)
        pair = [alive, alive]
        if count > 5:
            pair[dead] = Reading(failure="gone")
        decision = rig.step(readings=tuple(pair))
    assert decision.relay_on
    assert decision.rh_pct == pytest.approx(50.0, abs=0.02)


def test_two_dead_probes_give_no_mist() -> None:
    rig = Rig(quick(**TWO))
    rig.run(40, **both(Reading(50.0, 24.0), Reading(51.0, 24.0)))
    rig.run(90, **both(Reading(failure="first"), Reading(failure="second")))
    decision = rig.step(**both(Reading(failure="first"), Reading(failure="second")))
    assert codes(decision)[0] == "untrusted"
    assert decision.reasons[0].detail == "first"


def test_a_reading_too_few_counts_as_silent_and_one_too_many_is_left_out() -> None:
    rig = Rig(quick(**TWO))
    for _ in range(4):
        decision = rig.step(readings=(Reading(50.0, 24.0),))
    assert decision.rh_pct == 50.0
    rig = Rig(quick())
    for _ in range(4):
        decision = rig.step(**both(Reading(50.0, 24.0), Reading(79.0, 24.0)))
    assert decision.rh_high_pct == 50.0


def test_no_probe_at_all_is_no_trust() -> None:
    belief = believe((), TrustLimits())
    assert not belief.trusted
    assert belief.doubt == "silent"
    assert not believe((ProbeMemory(), ProbeMemory()), TrustLimits()).trusted


def test_the_mean_apart_follows_in_about_half_a_day_and_only_what_both_say() -> None:
    # A first-order mean with a time constant of 12 h: 1 - 1/e of a step after that time.
    assert drift(3.0, None, 600.0) == 3.0
    mean = 0.0
    for _ in range(12 * 60):
        mean = drift(mean, 10.0, 60.0)
    assert mean == pytest.approx(6.32, abs=0.02)
