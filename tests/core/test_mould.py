"""The mould index.

Outside truth: the equations of Hukka & Viitanen (1999) and the class table of Ojanen et al. (2010). The check
values below were computed from those equations by another program with explicit hourly steps; the two closest
published figures are the paper's own times to index 1 and 3 at 22 °C and 97 %, 1.39 and 2.78 weeks.
"""

from __future__ import annotations

import json

import pytest

from controller import State
from controller.core import mould
from controller.core.mould import CLASSES, MouldLimits, MouldMemory
from controller.core.wall import WallMemory

BARE, PLANED, MINERAL, GLASS = CLASSES.values()


def weeks(
    kind: mould.SensitivityClass, temp_c: float, rh_pct: float, count: float, index: float = 0.0
) -> float:
    dry_h = 0.0
    for _ in range(round(count * 168)):
        index, dry_h = mould.after_hour(index, dry_h, temp_c, rh_pct, kind, 1.0)
    return index


def test_the_papers_own_times_at_its_test_climate() -> None:
    assert mould.weeks_to_index_1(22.0, 97.0) == pytest.approx(1.39, abs=0.005)
    assert weeks(BARE, 22.0, 97.0, 1.39) == pytest.approx(1.0, rel=0.01)
    assert weeks(BARE, 22.0, 97.0, 2.78) == pytest.approx(3.0, rel=0.02)


@pytest.mark.parametrize(
    ("rh_pct", "wanted"), [(80.0, 21.60), (85.0, 9.30), (90.0, 4.20), (97.0, 1.484), (100.0, 0.971)]
)
def test_weeks_to_index_1_at_20_c(rh_pct: float, wanted: float) -> None:
    assert mould.weeks_to_index_1(20.0, rh_pct) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize(
    ("temp_c", "wanted"),
    [(1.0, 97.03), (5.0, 88.02), (7.0, 85.01), (10.0, 82.03), (15.0, 80.04), (24.0, 80.13)],
)
def test_critical_humidity_is_the_papers_polynomial(temp_c: float, wanted: float) -> None:
    assert mould.critical_rh_pct(temp_c, 0.0) == pytest.approx(wanted, abs=0.01)
    assert mould.critical_rh_pct(temp_c, 85.0) == pytest.approx(max(wanted, 85.0), abs=0.01)


@pytest.mark.parametrize("temp_c", [0.0, -5.0, 50.0, float("nan")])
def test_nothing_grows_in_frost_or_heat(temp_c: float) -> None:
    assert mould.critical_rh_pct(temp_c, 80.0) == 100.0
    assert weeks(BARE, temp_c, 100.0, 1.0, index=0.0) == 0.0


@pytest.mark.parametrize(
    ("kind", "at_100", "at_90"),
    [(BARE, 6.0, 3.98), (PLANED, 5.3, 3.03), (MINERAL, 3.5, 1.50), (GLASS, 2.0, 0.889)],
)
def test_highest_index(kind: mould.SensitivityClass, at_100: float, at_90: float) -> None:
    assert mould.highest_index(22.0, 100.0, kind) == pytest.approx(at_100, abs=0.01)
    assert mould.highest_index(22.0, 90.0, kind) == pytest.approx(at_90, abs=0.03)
    assert mould.highest_index(22.0, 79.0, kind) == mould.highest_index(-3.0, 100.0, kind) == 0.0


@pytest.mark.parametrize(
    ("kind", "temp_c", "rh_pct", "count", "wanted"),
    [
        (BARE, 22.0, 97.0, 4, 4.681),
        (BARE, 22.0, 97.0, 12, 5.501),
        (BARE, 24.0, 85.0, 52, 2.60),
        (PLANED, 24.0, 85.0, 52, 1.68),
        (PLANED, 24.0, 90.0, 12, 1.567),
        (PLANED, 24.0, 90.0, 52, 3.033),
        (PLANED, 20.0, 95.0, 12, 2.658),
    ],
)
def test_steady_conditions(
    kind: mould.SensitivityClass, temp_c: float, rh_pct: float, count: float, wanted: float
) -> None:
    assert weeks(kind, temp_c, rh_pct, count) == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("kind", CLASSES.values())
def test_nothing_grows_below_the_least_humidity(kind: mould.SensitivityClass) -> None:
    assert weeks(kind, 24.0, 79.5, 52) == 0.0


@pytest.mark.parametrize("kind", [MINERAL, GLASS])
def test_what_resists_does_not_grow_at_85(kind: mould.SensitivityClass) -> None:
    assert weeks(kind, 24.0, 85.0, 52) == 0.0


@pytest.mark.parametrize(("decline", "wanted"), [(1.0, -0.472), (0.25, -0.118), (0.1, -0.0472)])
def test_decline_over_30_dry_days(decline: float, wanted: float) -> None:
    """6 h at -0.032 a day, 18 h at nothing, 29 days at -0.016, times the factor: exact arithmetic."""
    index, dry_h = 4.0, 0.0
    for _ in range(720):
        index, dry_h = mould.after_hour(index, dry_h, 20.0, 50.0, PLANED, decline)
    assert index - 4.0 == pytest.approx(wanted, abs=1e-9)


def run(
    memory: MouldMemory, hours: float, temp_c: float, rh_pct: float, tick_s: float = 300.0, t: float = 0.0
):  # type: ignore[no-untyped-def]
    rows = []
    for number in range(1, round(hours * 3600 / tick_s) + 1):
        memory, row = mould.advance(
            memory, t + number * tick_s, tick_s, (temp_c, rh_pct, True), MouldLimits(material="bare-wood")
        )
        rows += [row] if row is not None else []
    return memory, rows


@pytest.mark.parametrize("tick_s", [10.0, 300.0])
def test_ticks_make_hours(tick_s: float) -> None:
    memory, rows = run(MouldMemory(), 48.0, 22.0, 97.0, tick_s)
    assert len(rows) == 48
    assert rows[-1].mould_index == pytest.approx(weeks(BARE, 22.0, 97.0, 48 / 168), rel=1e-9)
    assert (rows[0].temp_c, rows[0].rh_pct, rows[0].measured) == (
        pytest.approx(22.0),
        pytest.approx(97.0),
        True,
    )
    assert rows[-1].mean_rh_pct is None
    assert len(memory.days) == 2


def test_thirty_days_make_a_mean_and_a_restart_keeps_it() -> None:
    memory, _ = run(MouldMemory(), 24 * 15, 12.0, 90.0)
    plain = json.dumps(State(coldest=WallMemory(mould=memory)).to_plain())
    memory = State.from_plain(json.loads(plain)).coldest.mould
    memory, rows = run(memory, 24 * 15, 18.0, 74.0, t=24 * 15 * 3600.0)
    assert rows[-1].mean_rh_pct == pytest.approx(82.0)
    assert mould.month_is_wet(memory) == pytest.approx(82.0)
    memory, rows = run(memory, 24 * 10, 18.0, 74.0, t=24 * 30 * 3600.0)
    assert rows[-1].mean_rh_pct == pytest.approx((5 * 90.0 + 25 * 74.0) / 30)
    assert mould.month_is_wet(memory) is None


def test_a_month_in_frost_is_not_judged() -> None:
    memory, _ = run(MouldMemory(), 24 * 31, 3.0, 95.0)
    assert mould.month_mean(memory) is not None
    assert mould.month_is_wet(memory) is None


def test_time_that_nobody_saw_changes_nothing() -> None:
    memory, _ = run(MouldMemory(), 48.0, 22.0, 97.0)
    gone, row = mould.advance(memory, 48 * 3600.0 + 30 * 86400.0, 0.0, None, MouldLimits())
    assert row is None
    assert (gone.grown, gone.dry_h) == (memory.grown, memory.dry_h)
    half = memory
    for number in range(1, 13):  # twenty minutes of an hour are seen
        seen = (22.0, 97.0, False) if number <= 4 else None
        half, row = mould.advance(half, 48 * 3600.0 + number * 300.0, 300.0, seen, MouldLimits())
        assert row is None
    assert half.grown == memory.grown


def after_days_unseen(memory: MouldMemory, days: float) -> MouldMemory:
    """Two hours of a dry surface, after so many days in which the board was off."""
    return run(memory, 2.0, 20.0, 60.0, t=(24 * 30 + 24 * days) * 3600.0)[0]


@pytest.mark.parametrize(("days", "known"), [(0.4, 30), (3, 27), (6, 24), (7, None), (29, None)])
def test_days_that_nobody_saw_are_days_of_the_last_30_too(days: float, known: int | None) -> None:
    wet, _ = run(MouldMemory(), 24 * 15, 12.0, 90.0)
    memory, _ = run(wet, 24 * 15, 18.0, 74.0, t=24 * 15 * 3600.0)
    month = mould.month_mean(after_days_unseen(memory, days))
    if known is None:
        assert month is None
    else:  # the oldest, wet ones fall out first
        assert month is not None
        assert month[1] == pytest.approx((15 * 74.0 + (known - 15) * 90.0) / known)


def test_a_month_of_long_ago_is_forgotten() -> None:
    memory, _ = run(MouldMemory(), 24 * 30, 18.0, 85.0)
    assert mould.month_is_wet(memory) == pytest.approx(85.0)
    memory = after_days_unseen(memory, 200)
    assert memory.days == ()
    memory, _ = run(memory, 24 * 29, 18.0, 85.0, t=memory.began_t)
    assert mould.month_mean(memory) is None


def test_a_room_whose_probe_is_gone_for_days_is_a_room_that_nobody_saw() -> None:
    memory, _ = run(MouldMemory(), 24 * 30, 18.0, 85.0)
    t = 24 * 30 * 3600.0
    for _ in range(10 * 288):
        t += 300.0
        memory, row = mould.advance(memory, t, 300.0, None, MouldLimits())
        assert row is None
    memory, _ = run(memory, 24.0, 18.0, 85.0, t=t)
    assert mould.month_mean(memory) is None


@pytest.mark.parametrize("tick_s", [7.0, 290.0, 299.0])
def test_an_hour_is_an_hour_whatever_the_tick(tick_s: float) -> None:
    memory, rows = run(MouldMemory(), 240.0, 22.0, 97.0, tick_s)
    assert len(rows) == pytest.approx(240, abs=1)
    assert memory.grown == pytest.approx(weeks(BARE, 22.0, 97.0, 240 / 168), rel=0.01)


@pytest.mark.parametrize(
    "spoilt",
    [MouldMemory(grown=-3.0), MouldMemory(grown=99.0), MouldMemory(dry_h=-1.0), MouldMemory(rh_s=-1e9),
     MouldMemory(began_t=1e12), MouldMemory(seen_s=1e300)],
)  # fmt: skip
def test_a_spoilt_memory_heals(spoilt: MouldMemory) -> None:
    memory, _ = run(spoilt, 10.0, 22.0, 97.0)
    assert 0.0 <= memory.grown <= 6.0
    assert memory.dry_h >= 0.0
