"""CONDITIONS: each alone, at its border, with the figures that its words need.

Borders and figures are those of the settings' descriptions and of the messages: "further apart than", "drier
than this", "above the ceiling of", "so many starts in 30 minutes". How long each must last before it is said
is a matter of ``alarms.py``.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from controller.core import conditions, mould
from controller.core.alarms import Condition, Standing
from controller.core.calibration import CalibrationMemory, Correction
from controller.core.ceiling import Surface
from controller.core.conditions import Scene
from controller.core.effect import EffectMemory, Verdict
from controller.core.keeper import KeeperMemory
from controller.core.mould import MouldMemory
from controller.core.records import Action, Odd, Reason, Water
from controller.core.state import Outage, RelayMemory
from controller.core.trust import AWAY, RETURNING, Belief, ProbeMemory
from controller.core.wall import WallMemory
from tests.core.helpers import DAY_S, HOUR_S, NOON, flat
from tests.core.test_guards import FINE

T = 100 * DAY_S
BELIEF = Belief(True, 65.0, 66.0, 24.0, "", "", 0.0)
WATER = Water(3.0, 0.1, 0.4, 0.1, 3, t=T)
STEADY = ProbeMemory(trusted=True, doubt="")
WALL = Surface(14.0, 81.0, 57.0, True)
QUIET = {"cleaning_days": 0, "calibration_days": 0}
RULES = flat(keeper=QUIET)
TWO = flat(keeper=QUIET, probe=({}, {}))
"""Band 60 to 78, ceiling 80, coldest room 16 °C; probes disagree beyond 8 and have drifted beyond 5 %RH; one
doubted for more than a fifth of the time is unsteady; a tank is low at 2 hours of mist, 0.8 L here."""


def scene(**changed: Any) -> Scene:
    given: dict[str, Any] = {
        "rules": RULES,
        "relay": RelayMemory(),
        "t": T,
        "wall": NOON,
        "wall_trusted": True,
        "belief": BELIEF,
        "ahead_rh_pct": 0.0,
        "probes": (STEADY,),
        "surface": None,
        "facts": FINE,
        "refused": (),
        "water": WATER,
        "wishes": KeeperMemory(cleaned_t=T),
        "mist": EffectMemory(),
        "outage": None,
        "starts_t": (),
        "lost": "",
        "before": (),
        "compared": CalibrationMemory(),
        "coldest": WallMemory(),
        "wanted_rh_pct": 65.0,
        "target_rh_pct": 65.0,
    }
    return Scene(**given | changed)


def holds(*troubles: tuple[str, str], **changed: Any) -> list[Condition]:
    return conditions.gather(scene(**changed), troubles)


def test_of_a_room_that_is_well_there_is_nothing_to_say() -> None:
    assert holds() == []
    assert holds(rules=TWO, probes=(STEADY, STEADY)) == []


def believed(**changed: Any) -> dict[str, Any]:
    return {"belief": BELIEF._replace(**changed)}


LOST = Belief(False, None, None, None, "silent", "", 0.0)
GONE = CalibrationMemory(away=2, due_t=T + 1.0)


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"belief": LOST}, [Condition("probe_lost", detail="silent")]),
        ({"belief": LOST._replace(detail="no bus")}, [Condition("probe_lost", detail="no bus")]),
        (believed(doubt="jump"), []),  # the only one, bridged by its last good sample
        ({"rules": TWO, **believed(doubt="jump")}, [Condition("one_probe_lost", detail="jump")]),
        (
            {"rules": TWO, **believed(doubt="silent", detail="no bus")},
            [Condition("one_probe_lost", detail="no bus")],
        ),
        ({"rules": TWO, **believed(apart_rh_pct=8.0)}, []),
        ({"rules": TWO, **believed(apart_rh_pct=8.1)}, [Condition("probes_apart", 8.1, 8.0)]),
        ({"rules": TWO, "ahead_rh_pct": 5.0}, []),
        ({"rules": TWO, "ahead_rh_pct": 5.1}, [Condition("probes_drifted", 5.1, 5.0)]),
        ({"rules": TWO, "ahead_rh_pct": -5.1}, [Condition("probes_drifted", 5.1, 5.0)]),
        ({"probes": (STEADY._replace(doubted=0.2),)}, []),
        ({"probes": (STEADY._replace(doubted=0.25),)}, [Condition("probe_unsteady", 25.0)]),
        (  # one message, whichever of the two it is
            {"rules": TWO, "probes": (STEADY, STEADY._replace(doubted=0.25))},
            [Condition("probe_unsteady", 25.0)],
        ),
        (
            {"rules": TWO, "probes": (STEADY._replace(doubted=0.5), STEADY._replace(doubted=0.25))},
            [Condition("probe_unsteady", 50.0)],
        ),
        (  # what is lost now is not only unsteady
            {"probes": (STEADY._replace(doubted=0.25),), "belief": LOST._replace(doubt="")},
            [Condition("probe_lost", detail="")],
        ),
        ({"probes": (STEADY._replace(doubted=0.25),), **believed(doubt="jump")}, []),
        # --- away for a calibration: that word, and no fault of the probe's
        (
            {"rules": TWO, "compared": GONE, **believed(doubt=AWAY)},
            [Condition("calibrating", detail="2")],
        ),
        (
            {"compared": GONE._replace(away=1), "belief": LOST._replace(doubt=AWAY)},
            [Condition("calibrating", detail="1")],
        ),
        (  # said to be back, although it was late: nobody is asked again
            {"rules": TWO, "compared": GONE._replace(due_t=T, back_t=T + 600.0), **believed(doubt=RETURNING)},
            [Condition("probe_returns", 2.0, detail="12:10")],
        ),
        (
            {"rules": TWO, "compared": GONE._replace(due_t=T), **believed(doubt=AWAY)},
            [Condition("probe_not_back", detail="2")],
        ),
        (  # the other one fails meanwhile
            {"rules": TWO, "compared": GONE, "belief": LOST},
            [Condition("calibrating", detail="2"), Condition("probe_lost", detail="silent")],
        ),
        # --- the relay
        ({"relay": RelayMemory(stuck_on_since_t=T - 70.0)}, [Condition("relay_stuck_on", 70.0)]),
        ({"relay": RelayMemory(no_answer_since_t=T - 80.0)}, [Condition("relay_no_answer", 80.0)]),
        ({"relay": RelayMemory(no_answer_since_t=0.0)}, [Condition("relay_no_answer", T)]),
        # --- the board
        ({"lost": "torn"}, [Condition("state_lost", detail="torn")]),
        ({"lost": "restored: x"}, [Condition("state_restored", detail="x")]),
        ({"wall_trusted": False}, [Condition("clock_doubted")]),
        ({"starts_t": (T - 1800.0, T - 9.0, T - 8.0, T - 7.0, T)}, [Condition("restart_loop", 5.0, 30.0)]),
        ({"starts_t": (T - 1801.0, T - 9.0, T - 8.0, T - 7.0, T)}, []),
        ({"starts_t": (T - 9.0, T - 8.0, T - 7.0, T)}, []),
        (  # of the last five, not of the first
            {"starts_t": (T - 9e5, T - 8e5, T - 99.0, T - 9.0, T - 8.0, T - 7.0, T)},
            [Condition("restart_loop", 5.0, 30.0)],
        ),
        # --- the room
        ({"facts": FINE._replace(temp_c=16.0)}, []),
        ({"facts": FINE._replace(temp_c=15.9)}, [Condition("room_cold", 15.9, 16.0)]),
        ({"facts": FINE._replace(temp_c=-60.0, trusted=False)}, []),  # a figure that stands in
        ({"facts": FINE._replace(rh_high_pct=80.0)}, []),
        ({"facts": FINE._replace(rh_high_pct=80.1)}, [Condition("too_humid", 80.1, 80.0)]),
        ({"facts": FINE._replace(rh_high_pct=80.1, on=True)}, []),  # its own mist: it goes off now
        ({"facts": FINE._replace(rh_high_pct=100.0, trusted=False)}, []),
        (
            {"facts": FINE._replace(bypass="hand", bypass_left_s=600.0)},
            [Condition("bypassed", 600.0, detail="hand")],
        ),
        ({"facts": FINE._replace(bypass="off")}, [Condition("bypassed", detail="off")]),
        # --- the tank: a level not known says nothing
        ({"water": WATER._replace(level_l=None)}, []),
        ({"water": WATER._replace(level_l=0.9)}, []),
        ({"water": WATER._replace(level_l=0.8)}, [Condition("tank_low", 0.8, 2.0)]),
        ({"water": WATER._replace(level_l=0.0)}, [Condition("tank_dry", 0.0)]),
    ],
)
def test_each_at_its_border_with_its_figures(changed: dict[str, Any], expected: list[Condition]) -> None:
    assert holds(**changed) == expected


def test_what_is_wrong_outside_the_core_is_passed_on() -> None:
    assert holds(("record_broken", "full"), ("wall_lost", "no bus")) == [
        Condition("record_broken", detail="full"),
        Condition("wall_lost", detail="no bus"),
    ]


# --- mist ---


def mist(**verdict: Any) -> EffectMemory:
    return EffectMemory(verdict=Verdict(**verdict))


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"mist": mist(no_mist=True, rise_pct_per_h=0.1)}, [Condition("no_mist", 0.1)]),
        ({"mist": mist(stray_mist=True, rise_pct_per_h=4.0)}, [Condition("stray_mist", 4.0)]),
        (  # it is switched by hand, and everybody knows
            {"mist": mist(stray_mist=True), "facts": FINE._replace(bypass="hand")},
            [Condition("bypassed", detail="hand")],
        ),
        ({"mist": mist(weak_share=0.6)}, [Condition("mist_weak", 60.0)]),
        ({"odd": Odd("drier", 3600.0)}, []),
        ({"odd": Odd("drier", 4200.0)}, [Condition("stands_open", detail="10:50")]),
        ({"odd": Odd("drier", 9000.0, 60.0)}, []),  # shut again
        ({"odd": Odd("wetter", 4200.0)}, []),
    ],
)
def test_what_the_air_says_of_the_humidifier(changed: dict[str, Any], expected: list[Condition]) -> None:
    assert holds(**changed) == expected


BELOW = [Condition("below_band", 59.9, 60.0)]


def refused(*codes: str) -> tuple[Reason, ...]:
    return tuple(Reason(code, Action.WAIT) for code in codes)


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, BELOW),
        (believed(rh_pct=60.0), []),
        (believed(rh_pct=None), []),
        ({"mist": mist(known=True)}, [Condition("outrun", 59.9, 60.0)]),
        ({"mist": mist(no_mist=True)}, [Condition("no_mist", 0.0)]),  # the cause, not its effect
        ({"refused": refused("paused")}, []),
        ({"refused": refused("shortest_off", "longest_run")}, BELOW),  # the rhythm of running all the time
        ({"refused": refused("shortest_off", "tank_empty")}, []),
        (  # the wall keeps it dry, and that is said
            {"wanted_rh_pct": 65.0, "target_rh_pct": 55.0},
            [Condition("wall_holds", 55.0, detail="65")],
        ),
    ],
)
def test_a_room_below_its_band(changed: dict[str, Any], expected: list[Condition]) -> None:
    assert holds(**believed(rh_pct=59.9) | changed) == expected


# --- the coldest surface ---


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"surface": WALL}, [Condition("wall_wet", 81.0, 57.0, "65")]),
        ({"surface": WALL._replace(measured=False)}, [Condition("wall_estimate", 81.0, 57.0, "65")]),
        ({"surface": WALL._replace(rh_pct=80.0)}, []),
        ({"surface": WALL, "target_rh_pct": 55.0}, [Condition("wall_holds", 55.0, detail="65")]),
    ],
)
def test_a_wet_wall(changed: dict[str, Any], expected: list[Condition]) -> None:
    assert holds(**changed) == expected


def grown(index: float, days: int = 0, rh_pct: float = 0.0) -> dict[str, Any]:
    return {"coldest": WallMemory(mould=MouldMemory(grown=index, days=((14.0, rh_pct),) * days))}


def test_mould_by_the_model() -> None:
    # Index 1: growth that a microscope shows; 3: the eye sees it (Hukka and Viitanen 1999).
    assert holds(**grown(0.99)) == []
    assert holds(**grown(1.0)) == [Condition("mould_begins", 1.0)]
    assert holds(**grown(2.99)) == [Condition("mould_begins", 2.99)]
    assert holds(**grown(3.0)) == [Condition("mould_visible", 3.0)]
    # A mean of 80 %RH and more over 30 days fails a surface (ASHRAE 160, older editions; ASTM STP 1599).
    assert holds(**grown(0.0, 30, 80.0)) == [Condition("wall_month", 80.0, 80.0)]
    assert holds(**grown(0.0, 30, 79.9)) == []
    assert holds(**grown(0.0, 29, 95.0)) == []
    assert mould.MONTH_DAYS == 30


# --- what is due, and when it will be ---


def keeping(**keeper: Any) -> dict[str, Any]:
    return {"rules": flat(keeper={**QUIET, **keeper})}


def test_cleaning_is_due_after_its_days() -> None:
    at = keeping(cleaning_days=3)
    assert holds(**at, wishes=KeeperMemory(cleaned_t=T - 3 * DAY_S)) == []
    (due,) = holds(**at, wishes=KeeperMemory(cleaned_t=T - 3.5 * DAY_S))
    assert due == Condition("cleaning_due", 3.5, 3.0)
    assert holds(**keeping(cleaning_days=0.5), wishes=KeeperMemory(cleaned_t=T - DAY_S)) == [
        Condition("cleaning_due", 1.0, 0.5)
    ]
    assert holds(**keeping(cleaning_days=0), wishes=KeeperMemory(cleaned_t=0.0)) == []


def compared(*days_ago: int | None, limit: float = 10.0, **changed: Any) -> list[Condition]:
    probes = tuple(
        {} if ago is None else {"calibrated_on": NOON.date() - timedelta(days=ago)} for ago in days_ago
    )
    rules = flat(keeper={"cleaning_days": 0, "calibration_days": limit}, probe=probes)
    return holds(rules=rules, **changed)


def test_a_comparison_is_due_after_its_days() -> None:
    assert compared(10) == []
    assert compared(11) == [Condition("calibration_due", 11.0, 10.0)]
    assert compared(2, limit=1.0) == [Condition("calibration_due", 2.0, 1.0)]
    assert compared(3, 11) == [Condition("calibration_due", 11.0, 10.0)]  # the second one's
    assert compared(12, 11) == [Condition("calibration_due", 12.0, 10.0)]  # said once
    assert compared(None) == [Condition("calibration_due", 100.0, 10.0)]  # never, in 100 days
    assert compared(None, t=10 * DAY_S, wishes=KeeperMemory(cleaned_t=10 * DAY_S)) == []
    assert compared(900, limit=0.0) == []


def test_a_comparison_made_here_counts_for_its_own_probe() -> None:
    day = str(date(2026, 1, 8))  # two days ago
    first = CalibrationMemory(kept=((Correction(1.0, 0.5, day=day),), ()))
    assert compared(20, compared=first) == []
    assert compared(3, 20, compared=first) == [Condition("calibration_due", 20.0, 10.0)]


CAPPED = FINE._replace(cap_reached=True)  # 2 of 3 hours in its figures; 900 s until a useful run is free


@pytest.mark.parametrize(
    ("free_in_s", "wall", "by"),
    [
        (900.0, NOON, "12:15"),
        (0.0, NOON, "12:00"),
        (-1.0, NOON, ""),
        (DAY_S, NOON, "12:00"),  # as far as a cap in any 24 hours can be
        (1e9, NOON, ""),  # a figure from a spoiled file
        (900.0, datetime.max.replace(tzinfo=NOON.tzinfo), ""),
    ],
)
def test_the_cap_says_when_mist_is_possible_again(free_in_s: float, wall: datetime, by: str) -> None:
    assert holds(facts=CAPPED._replace(cap_free_in_s=free_in_s), wall=wall) == [
        Condition("cap_reached", 2.0, 3.0, by)
    ]


def test_a_power_cut_is_told_until_its_time_is_over() -> None:
    outage = Outage(NOON - timedelta(hours=3), NOON - timedelta(hours=1), T + 10.0)
    assert holds(outage=outage) == [
        Condition("power_was_out", detail="2026-01-10 09:00 and 2026-01-10 11:00")
    ]
    assert holds(outage=outage, t=T + 10.0) == []


HOURLY = tuple((T - hour * HOUR_S, T - (hour - 0.5) * HOUR_S) for hour in range(24, 0, -1))
LOW = WATER._replace(level_l=0.6, doubt_l=0.0, rate_sd=0.0, runs=HOURLY, whole_day=True)
"""An hour and a half of mist, at the first half of each hour: gone at half past two, by arithmetic."""


def test_a_low_tank_says_when_it_will_be_empty() -> None:
    assert holds(water=LOW) == [Condition("tank_low", 0.6, 2.0, "14:30")]


def test_a_time_on_another_day_has_its_date() -> None:
    late = NOON.replace(hour=23)
    assert holds(water=LOW, wall=late) == [Condition("tank_low", 0.6, 2.0, "2026-01-11 01:30")]


def test_what_was_told_of_a_low_tank_stays_as_it_was() -> None:
    told = Standing("tank_low", T - 60.0, NOON, True, 0.7, 2.0, "14:40")
    other = told._replace(code="clock_doubted")
    assert [found.detail for found in holds(water=LOW, before=(other, told))] == [""]  # not reckoned again
    assert [found.detail for found in holds(water=LOW, before=(other,))] == ["14:30"]
