"""SIMC by its published figures, and gains that are bounded, do not bump, and are taken back when worse."""

from __future__ import annotations

from cmath import exp as cexp
from cmath import phase
from math import degrees, inf, nan

import pytest

from controller.core import demand, tuning
from controller.core.demand import DemandLimits, DemandMemory
from controller.core.records import Room
from controller.core.tuning import Gains, TuningMemory

ROOM = Room(60.0, 1.0, -20.0, 0.0, 75.0, 30.0, 1.0, 0.05, 0.02)


def test_simc_for_a_first_order_lag() -> None:
    """Skogestad 2003, eq. 23 and 24: Kc = tau / (k (tc + theta)), tI = min(tau, 4 (tc + theta)); exact."""
    assert tuning.simc(2.0, 800.0, 100.0) == Gains(800.0 / (2.0 * 200.0), 800.0)
    assert tuning.simc(2.0, 8000.0, 100.0) == Gains(8000.0 / 400.0, 800.0)
    assert tuning.simc(1.0, 50.0, 10.0, 90.0) == Gains(0.5, 50.0)


def margins(gains: Gains, k: float, tau: float, theta: float) -> tuple[float, float]:
    """Gain and phase margin (degrees) of the PI loop, by looking along the frequencies."""

    def loop(w: float) -> complex:
        s = 1j * w
        pi = gains.gain_duty_per_rh_pct * (1.0 + 1.0 / (gains.integral_s * s))
        return pi * k * cexp(-theta * s) / (tau * s + 1.0)

    gain_margin = phase_margin = 0.0
    turned = phase(loop(1e-6))
    for step in range(1, 400001):
        w = step * 1e-5 / theta * 1.0
        now = loop(w)
        if not phase_margin and abs(now) < 1.0:
            phase_margin = 180.0 + degrees(phase(now))
        turned = phase(now)
        if phase_margin and turned > 0.0:  # it has passed -180 degrees
            gain_margin = 1.0 / abs(now)
            break
    return gain_margin, phase_margin


def test_margins_of_the_tight_choice() -> None:
    """GM 3.14, PM 61.4 degrees at tau = tI = 8 theta (Skogestad 2003, Table 1, recomputed); 1 %."""
    gm, pm = margins(tuning.simc(3.0, 80.0, 10.0), 3.0, 80.0, 10.0)
    assert gm == pytest.approx(3.14, rel=0.01)
    assert pm == pytest.approx(61.4, rel=0.01)


def test_a_rooms_gains_are_bounded() -> None:
    found = tuning.of_room(ROOM, 1.0, 720.0)
    assert found is not None
    theta_s = 75.0 + 30.0 + 360.0
    assert found.gain_duty_per_rh_pct == pytest.approx(1.0 / (60.0 / 3600.0 * 2.0 * theta_s))
    assert found.integral_s == pytest.approx(3600.0)
    strong = tuning.of_room(ROOM._replace(gain=1e5), 1.0, 720.0)
    weak = tuning.of_room(ROOM._replace(gain=1e-3), 1.0, 720.0)
    assert strong is not None
    assert weak is not None
    assert strong.gain_duty_per_rh_pct == tuning.LEAST_GAIN
    assert weak.gain_duty_per_rh_pct == tuning.MOST_GAIN
    for bad in (
        ROOM._replace(loss=nan),
        ROOM._replace(loss=-1.0),
        ROOM._replace(gain=nan),
        ROOM._replace(gain=-1.0),
    ):
        assert tuning.of_room(bad, 1.0, 720.0) is None
    assert tuning.of_room(ROOM, nan, 720.0) is None


def lived(
    memory: TuningMemory, t: float, days: float, off: float, counts: bool = True
) -> tuple[TuningMemory, float]:
    for _ in range(round(days * 1440)):
        t += 60.0
        memory = tuning.advance(memory, t, 60.0, off, counts)
    return memory, t


def test_a_tuning_that_is_worse_is_taken_back_and_tried_again_in_a_fortnight() -> None:
    memory, t = lived(TuningMemory(), 0.0, 0.9, 1.0)
    assert tuning.gains(memory, ROOM, 1.0, 720.0) is None
    memory, t = lived(memory, t, 0.2, 1.0)
    assert memory.stage == "learned"
    assert tuning.gains(memory, ROOM, 1.0, 720.0) == tuning.of_room(ROOM, 1.0, 720.0)
    assert tuning.gains(memory, None, 1.0, 720.0) is None
    better, _ = lived(memory, t, 5, 0.9)
    assert better.stage == "learned"
    worse, t = lived(memory, t, 3, 2.0)
    assert worse.stage == "back"
    assert tuning.gains(worse, ROOM, 1.0, 720.0) is None
    later, t = lived(worse, t, 10, 1.0)
    assert later.stage == "back"
    again, _ = lived(later, t, 5, 1.0)
    assert again.stage != "back"


def test_what_is_not_held_by_demand_or_is_no_figure_does_not_count() -> None:
    memory, _ = lived(TuningMemory(), 0.0, 2, 5.0, counts=False)
    assert memory == TuningMemory()
    for off, dt_s in ((nan, 60.0), (inf, 60.0), (1.0, nan), (1.0, -5.0), (1.0, 1e9)):
        assert tuning.advance(memory, 10.0, dt_s, off, True) == memory


def test_other_gains_do_not_bump_the_duty() -> None:
    """Bumpless: at a steady error the duty stands still within 1e-6 where the gain is halved."""
    limits = DemandLimits(method="pid")
    memory = DemandMemory("pid", integral=0.3, duty=0.42, setpoint_rh_pct=65.0, gain=0.12)
    same = demand.advance(memory, 64.0, 65.0, 1e-6, 0.0, False, 0.0, limits)
    other = demand.advance(memory, 64.0, 65.0, 1e-6, 0.0, False, 0.0, limits, None, Gains(0.06, 3600.0))
    assert same.duty == pytest.approx(0.42, abs=1e-6)
    assert other.duty == pytest.approx(0.42, abs=1e-6)
    assert other.gain == 0.06
