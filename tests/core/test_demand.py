"""DEMAND: deadband and PI, pulses that lose nothing, and hand-overs without a bump."""

from __future__ import annotations

import random
from itertools import pairwise
from math import exp, inf, isfinite, nan
from typing import Any

import pytest
from pydantic import ValidationError

from controller.core import demand, demand_hysteresis
from controller.core.demand import DemandLimits, DemandMemory
from controller.core.records import Reading
from tests.core.helpers import DAY_S, HOUR_S, PINNED, Rig, flat, quick

PID = DemandLimits.model_validate(
    PINNED["demand"] | {"method": "pid"}
)  # 0.12 duty/%RH, 60 min, window 20 min


def pid(**figures: float) -> DemandLimits:
    return DemandLimits.model_validate({"method": "pid", "pid": PINNED["demand"]["pid"] | figures})


DEADBAND = DemandLimits(method="hysteresis")
KI = 0.12 / 3600.0
SETPOINT = 65.0


def tick(
    memory: DemandMemory,
    error: float,
    dt_s: float = 10.0,
    *,
    on_s: float = 0.0,
    setpoint: float = SETPOINT,
    refused: bool = False,
    recent_duty: float = 0.0,
    limits: DemandLimits = PID,
) -> DemandMemory:
    return demand.advance(memory, setpoint - error, setpoint, dt_s, on_s, refused, recent_duty, limits)


def at_duty(duty: float, limits: DemandLimits = PID) -> DemandMemory:
    """Taken over from another method at no error: the duty given is the duty had."""
    memory = tick(DemandMemory("hysteresis"), 0.0, recent_duty=duty, limits=limits)
    assert memory.duty == pytest.approx(duty, abs=1e-12)
    return memory


# --- deadband ---


@pytest.mark.parametrize(
    ("before", "rh_pct", "after"),
    [
        (False, 63.5, True),
        (False, 63.51, False),
        (True, 63.51, True),
        (True, 66.49, True),
        (True, 66.5, False),
        (False, 66.49, False),
        (True, nan, False),
        (False, nan, False),
        (True, inf, False),
    ],
)
def test_deadband(before: bool, rh_pct: float, after: bool) -> None:
    assert demand_hysteresis.advance(before, rh_pct, 65.0, 3.0) is after


# --- PI ---


def test_the_integral_counts_each_second_once() -> None:
    # simple-pid counts time twice when dt is given and its clock also runs. Exact: Kc e + (Kc/Ti) sum(e dt).
    rng = random.Random(1)
    memory, total = at_duty(0.2), 0.0
    for _ in range(500):
        error, dt_s = rng.uniform(-1, 1), rng.uniform(1, 300)
        memory = tick(memory, error, dt_s)
        total += error * dt_s
        expected = min(max(0.2 + 0.12 * error + KI * total, 0.0), 1.0)
        if not 0.0 < expected < 1.0:
            break
        assert memory.duty == pytest.approx(expected, abs=1e-9)
    assert abs(total) > 0.0


def test_many_short_ticks_and_one_long_are_the_same() -> None:
    # simple-pid with a sample time returns its old output between samples, and adds its own clock's time.
    long = tick(at_duty(0.2), 0.5, 300.0)
    short = at_duty(0.2)
    for _ in range(300):
        short = tick(short, 0.5, 1.0)
    assert short.duty == pytest.approx(long.duty, abs=1e-9)


@pytest.mark.parametrize("gap_s", [301.0, 3600.0, 1e9])
def test_a_gap_is_integrated_as_five_minutes_at_most(gap_s: float) -> None:
    assert tick(at_duty(0.2), 1.0, gap_s).duty == pytest.approx(0.2 + 0.12 + KI * 300.0, abs=1e-9)


def test_no_time_changes_nothing() -> None:
    # simple-pid raises at dt = 0.
    assert tick(at_duty(0.4), 0.0, 0.0).duty == pytest.approx(0.4, abs=1e-9)


def test_no_integration_while_a_guard_refuses() -> None:
    memory = tick(at_duty(0.3), 2.0, refused=True)
    duty = memory.duty
    for _ in range(5000):
        memory = tick(memory, 2.0, refused=True)
    assert memory.duty == pytest.approx(duty, abs=1e-12)
    assert tick(memory, 0.0, 0.0).duty == pytest.approx(0.3, abs=1e-9)


@pytest.mark.parametrize("duty", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("error", [0.5, 2.0, 5.0, 40.0, -0.5, -2.0, -5.0, -40.0])
def test_it_leaves_a_limit_within_one_integral_time(duty: float, error: float) -> None:
    # Anti-windup (Astrom & Hagglund: out of saturation within the tracking time, Ti for PI).
    memory = at_duty(duty)
    for _ in range(24 * 120):
        memory = tick(memory, error, 30.0)
    limit = 1.0 if error > 0 else 0.0
    assert memory.duty == pytest.approx(limit, abs=0.02)
    for _ in range(120):  # one integral time
        memory = tick(memory, -0.5 if error > 0 else 0.5, 30.0)
    assert abs(memory.duty - limit) > 0.04


@pytest.mark.parametrize("error", [10.0, -10.0])
@pytest.mark.parametrize("dt_s", [10.0, 30.0, 300.0])
def test_a_lasting_error_brings_the_duty_to_its_limit(error: float, dt_s: float) -> None:
    # Conditional integration that stops one step short of the limit would leave up to 0.1 of duty, at 300 s
    # ticks, going for ever in a room 10 %RH above its setpoint.
    memory = at_duty(0.55)
    for _ in range(round(DAY_S / dt_s)):
        memory = tick(memory, error / 20, dt_s)  # slowly into saturation ...
    for _ in range(round(DAY_S / dt_s)):
        memory = tick(memory, error, dt_s)
    assert memory.duty == (1.0 if error > 0 else 0.0)
    memory = at_duty(0.5)
    for _ in range(round(DAY_S / dt_s)):  # ... or by a step of the setpoint, which keeps the duty at first
        memory = tick(memory, error, dt_s, setpoint=SETPOINT + error)
    assert memory.duty == (1.0 if error > 0 else 0.0)


def test_a_hand_over_winds_nothing_up_either() -> None:
    # A bumpless hand-over may park the integral far outside 0..1 (here at -0.7). It has to come home: else
    # after a day of full duty and an hour above the setpoint, the duty stays 0 below it for over two hours.
    memory = tick(at_duty(0.5), 10.0, setpoint=75.0)  # the setpoint steps up by 10 %RH
    for _ in range(24 * 120):
        memory = tick(memory, 10.0, 30.0, setpoint=75.0)
    assert memory.duty > 0.9
    for _ in range(120):
        memory = tick(memory, -0.5, 30.0, setpoint=75.0)
    for _ in range(120):
        memory = tick(memory, 0.5, 30.0, setpoint=75.0)
    assert memory.duty > 0.0


# --- hand-overs: the output steps by less than 1e-6 beyond the ordinary integration at constant error ---


@pytest.mark.parametrize("error", [-3.0, -0.4, 0.0, 0.4, 3.0])
def test_no_bump_at_a_change_of_method(error: float) -> None:
    memory = at_duty(0.5)
    for method in (PID, DEADBAND, DEADBAND):
        memory = tick(memory, error, 0.0, limits=method)
    assert memory.method == "hysteresis"
    memory = tick(memory, error, 10.0, recent_duty=0.5)
    assert memory.duty - KI * error * 10.0 == pytest.approx(0.5, abs=1e-6)
    after = tick(memory, error, 10.0, recent_duty=0.9)  # asked for only at the hand-over
    assert after.duty - memory.duty == pytest.approx(KI * error * 10.0, abs=1e-6)


def test_the_hand_over_takes_up_what_the_deadband_really_gave() -> None:
    deadband, pi = (quick(demand={"method": method}) for method in ("hysteresis", "pid"))
    rig, spans, decision = Rig(deadband), [], None
    for count in range(2000):
        was_on, since_s = decision is not None and decision.relay_on, rig.mono_s
        decision = rig.step(62.0 if count // 90 % 2 else 67.0)
        if was_on:
            spans.append((since_s, rig.mono_s))
    rig.controller.settings = pi
    last_s = rig.mono_s + 10.0
    if decision is not None and decision.relay_on:
        spans.append((rig.mono_s, last_s))
    four_hours = [(max(start, last_s - 4 * HOUR_S), end) for start, end in spans if end > last_s - 4 * HOUR_S]
    mean_duty = sum(end - start for start, end in four_hours) / (4 * HOUR_S)
    assert 0.3 < mean_duty < 0.7
    after = rig.step(65.0)
    assert after.duty == pytest.approx(mean_duty, abs=1e-3)


@pytest.mark.parametrize("step", [-12.0, -1.5, 1.5, 12.0])
def test_no_bump_at_a_setpoint_step(step: float) -> None:
    memory = tick(at_duty(0.5), 0.3)
    after = tick(memory, 0.3 + step, 10.0, setpoint=SETPOINT + step)
    assert after.duty - KI * (0.3 + step) * 10.0 == pytest.approx(memory.duty, abs=1e-6)


def test_no_bump_at_a_restart() -> None:
    rig = Rig(quick(demand={"method": "pid"}))
    same: dict[str, Any] = {"readings": (Reading(64.0, 24.0),)}
    for _ in range(100):
        before = rig.step(**same)
    again = rig.restarted(120.0)
    for _ in range(3):
        after = again.step(**same)
    assert after.rh_pct == 64.0
    assert before.duty is not None
    assert 0.005 < before.duty < 0.995
    assert after.duty == pytest.approx(before.duty, abs=1e-6)


@pytest.mark.parametrize("bad", [None, nan, inf, 0.0, 100.0])
def test_a_bad_reading_never_reaches_the_integral(bad: float | None) -> None:
    # One NaN makes simple-pid's integral NaN for good; None raises.
    rig = Rig(quick(demand={"method": "pid"}))
    rig.run(600, 64.0)
    before = rig.step(64.0)
    for _ in range(20):
        rig.step(readings=(Reading(bad, 24.0),))
    for _ in range(6):
        after = rig.step(64.0)
    assert after.duty is not None
    assert before.duty is not None
    assert after.duty == pytest.approx(before.duty, abs=20 * 10 * KI * 1.01 + 0.12 * 0.011)


@pytest.mark.parametrize("broken", [nan, inf, -inf, 1e300])
@pytest.mark.parametrize("field", ["integral", "duty", "owed_s", "setpoint_rh_pct"])
def test_a_broken_memory_is_begun_anew(field: str, broken: float) -> None:
    figures: dict[str, Any] = {field: broken}
    memory = at_duty(0.5)._replace(**figures)
    for _ in range(3):
        memory = tick(memory, 0.5)
        assert 0.0 <= memory.duty <= 1.0
        assert isfinite(memory.integral)
        assert isfinite(memory.owed_s)


def test_settings_that_change_give_another_calculation() -> None:
    soft = pid(gain_duty_per_rh_pct=0.01)
    assert tick(at_duty(0.2), 1.0, 0.0).duty == pytest.approx(0.32, abs=1e-9)
    assert tick(at_duty(0.2, soft), 1.0, 0.0, limits=soft).duty == pytest.approx(0.21, abs=1e-9)
    with pytest.raises(ValidationError):
        pid(gain_duty_per_rh_pct=nan)


# --- pulses ---


def give(duty: float, ticks_s: list[float], limits: DemandLimits = PID) -> list[tuple[float, bool]]:
    """(length, on) of each pulse and pause when the room stays at the setpoint and the duty so constant."""
    memory, lengths = at_duty(duty, limits), []
    length_s, on_s = 0.0, 0.0
    for dt_s in ticks_s:
        on_s = dt_s if memory.wants else 0.0
        length_s += dt_s
        after = tick(memory, 0.0, dt_s, on_s=on_s, limits=limits)
        assert after.duty == pytest.approx(duty, abs=1e-9)
        if after.wants != memory.wants:
            lengths.append((length_s, memory.wants))
            length_s = 0.0
        memory = after
    return [*lengths, (length_s, memory.wants)]


def ticks(kind: float | str) -> list[float]:
    if isinstance(kind, str):
        rng = random.Random(kind)
        made = [rng.choice([1.0, 2.0, 7.5, 10.0, 30.0, 60.0]) for _ in range(4800)]
        return made
    return [kind] * round(DAY_S / kind)


@pytest.mark.parametrize(
    ("duty", "kind"),
    [
        (0.77, 1.0),
        (0.31, 5.0),
        *((duty, kind) for duty in (0.03, 0.5, 0.77) for kind in (10.0, 30.0, "uneven")),
    ],
)
def test_pulses_lose_nothing(duty: float, kind: float | str) -> None:
    ticks_s = ticks(kind)
    lengths = give(duty, ticks_s)
    given_s = sum(length for length, was_on in lengths if was_on)
    assert given_s == pytest.approx(duty * sum(ticks_s), abs=PID.pid.pulse_s + max(ticks_s))
    if duty > 0.1:
        assert len(lengths) > 50


@pytest.mark.parametrize("kind", [10.0, 30.0, "uneven"])
@pytest.mark.parametrize("duty", [0.01, 0.2, 0.5, 0.9, 0.99])
def test_no_pulse_and_no_pause_is_short(duty: float, kind: float | str) -> None:
    inner = give(duty, ticks(kind))[1:-1]
    assert all(length >= PID.pid.window_minutes * 60.0 / 4.0 - 1e-6 for length, _ in inner)


@pytest.mark.parametrize(("duty", "is_on"), [(0.0, False), (1.0, True)])
def test_the_ends_of_the_scale_do_not_pulse(duty: float, is_on: bool) -> None:
    lengths = give(duty, [10.0] * 3000)
    assert lengths[-1][1] is is_on
    assert lengths[-1][0] >= 29000.0


@pytest.mark.parametrize("seed", range(3))
def test_a_wandering_room_never_gets_a_pulse_or_pause_under_the_shortest(seed: int) -> None:
    rng = random.Random(seed)
    rig = Rig(flat(demand={"method": "pid"}, guards={"shortest_on_s": 200, "shortest_off_s": 240}))
    rh, was_on, length_s, lengths = 64.0, False, 0.0, []
    for _ in range(2500):
        rh = min(max(rh + rng.gauss(0, 0.6), 58.0), 72.0)
        after_s = rng.choice([1.0, 5.0, 10.0, 20.0])
        decision = rig.step(rh, after_s=after_s)
        length_s += after_s
        if decision.relay_on != was_on:
            lengths.append((length_s, was_on))
            was_on, length_s = decision.relay_on, 0.0
    assert len(lengths) > 10
    assert all(length >= (200.0 if ran else 240.0) for length, ran in lengths[1:])


@pytest.mark.parametrize(
    ("window_min", "lag_min", "ripple_rh_pct"), [(10, 120, 1.250), (10, 60, 2.499), (30, 60, 7.461)]
)
def test_ripple_of_a_first_order_room(window_min: float, lag_min: float, ripple_rh_pct: float) -> None:
    # Closed form for a first-order room under pulses of period Tc at duty 1/2: dY tanh(Tc / 4T) with
    # dY = 60 %RH; 1 %.
    limits = pid(window_minutes=window_min)
    memory, room, keep = at_duty(0.5, limits), 30.0, exp(-1.0 / (lag_min * 60.0))
    seen = []
    for second in range(int(window_min * 60 * 12)):
        goal = 60.0 if memory.wants else 0.0
        memory = tick(memory, 0.0, 1.0, on_s=1.0 if memory.wants else 0.0, limits=limits)
        room = goal + (room - goal) * keep
        if second >= window_min * 60 * 10:
            seen.append(room)
    assert max(seen) - min(seen) == pytest.approx(ripple_rh_pct, rel=0.01)


def test_humidify_now_is_taken_off_what_is_owed_and_forgotten_within_a_window() -> None:
    memory = at_duty(0.5)
    for _ in range(360):
        memory = tick(memory, 0.0, 10.0, on_s=10.0)  # an hour of mist that nobody owed
    waits = 0
    while not memory.wants:
        memory = tick(memory, 0.0, 10.0)
        waits += 1
    assert waits * 10.0 <= PID.pid.window_minutes * 60.0


def test_a_controller_says_its_method() -> None:
    for method in ("hysteresis", "pid"):
        rig = Rig(quick(demand={"method": method}))
        for decision in rig.run(100, 64.9):
            # Also before the first trust.
            assert (decision.duty is None) == (method == "hysteresis")
            assert (decision.starts_below_rh_pct is None) == (method == "pid")


def test_hysteresis_says_where_it_starts() -> None:
    rig = Rig(quick(), mono_s=0.0)
    rig.run(100, 66.9)
    decision = rig.step(66.9)
    assert decision.starts_below_rh_pct == 63.5
    assert decision.reasons[-1].code == "enough"
    assert decision.reasons[-1].clears_at == 63.5
    assert rig.until(lambda d: d.relay_on, 63.4, most_s=20.0) == 10.0


def test_pairs_of_switchings_alternate() -> None:
    lengths = give(0.3, [10.0] * 5000)
    assert all(first[1] != then[1] for first, then in pairwise(lengths))
    assert sum(length for length, _ in lengths) == pytest.approx(5000 * 10.0)
    assert lengths[0][0] < HOUR_S
