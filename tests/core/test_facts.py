"""FACTS: each field of what the guards look at, as ``guards.Facts`` says it; times by subtraction."""

from __future__ import annotations

from typing import Any

import pytest

from controller.core import facts
from controller.core.ceiling import Surface
from controller.core.guards import Facts
from controller.core.runtime import RuntimeMemory
from controller.core.state import RelayMemory
from controller.core.tank import TankMemory
from controller.core.trust import Belief
from tests.core.helpers import HOUR_S, flat

T = 100_000.0
RULES = flat(surface={"dew_margin_c": 0.7, "warn_surface_rh_pct": 82}, runtime={"cap_hours_in_any_24": 3})
"""Ceiling 80 less 2 for the probe: 78; it releases 2 below: 76. A trial of 15 minutes each hour."""
BELIEF = Belief(True, 60.0, 61.0, 23.0, "stale", "an old sample", 2.0)
LOST = Belief(False, None, None, None, "silent", "no bus", 0.0)
EMPTY = TankMemory(level_l=0.0, next_trial_t=T + 900.0)
WALL = Surface(14.0, 85.0, 57.0, True)
DEW_C = 14.8
"""At 23 °C and 60 %RH by the Magnus formula of WMO-No. 8 (17.62 and 243.12 °C, from memory), by hand; ours is
the ASHRAE Handbook's: 0.1 K."""


def gathered(**changed: Any) -> Facts:
    given: dict[str, Any] = {
        "rules": RULES,
        "t": T,
        "clock_ok": True,
        "relay": RelayMemory(since_t=T - 200.0, rest_until_t=T + 60.0, last_interval_s=17.0),
        "belief": BELIEF,
        "held": False,
        "surface": None,
        "wall_holds": False,
        "water": TankMemory(level_l=2.0),
        "used": RuntimeMemory(runs=((T - 5000.0, T - 4000.0),), closed_s=1000.0),
        "pause_until_t": T + 30.0,
        "bypass": "",
        "bypass_left_s": None,
    }
    return facts.gather(**given | changed)


EXPECTED = Facts(
    clock_ok=True, on=False, on_for_s=0.0, off_for_s=200.0, rest_left_s=60.0, interval_s=17.0,
    pause_left_s=30.0, trusted=True, doubt="stale", doubt_detail="an old sample", ceiling_holds=False,
    rh_high_pct=61.0, ceiling_rh_pct=78.0, ceiling_release_rh_pct=76.0, temp_c=23.0, surface_c=None,
    dew_c=None, dew_margin_c=0.7, wall_holds=False, wall_rh_pct=None, wall_most_rh_pct=82.0,
    tank_empty=False, trial_allowed=False, trial_in_s=None, cap_reached=False, cap_used_s=1000.0,
    cap_s=3 * HOUR_S, cap_free_in_s=0.0, stuck_on_for_s=0.0, bypass="", bypass_left_s=None,
)  # fmt: skip


def test_every_field_of_a_room_that_is_well() -> None:
    assert gathered() == EXPECTED


@pytest.mark.parametrize(
    ("changed", "differs"),
    [
        ({"clock_ok": False}, {"clock_ok": False}),
        ({"held": True}, {"ceiling_holds": True}),
        ({"wall_holds": True}, {"wall_holds": True}),
        ({"bypass": "hand", "bypass_left_s": 40.0}, {"bypass": "hand", "bypass_left_s": 40.0}),
        (
            {"relay": RelayMemory(True, T - 300.0, 0.0, last_interval_s=17.0)},
            {"on": True, "on_for_s": 300.0, "off_for_s": 0.0, "rest_left_s": -T},
        ),
        (
            {"relay": RelayMemory(False, T - 200.0, T + 60.0, T - 90.0, last_interval_s=17.0)},
            {"stuck_on_for_s": 90.0},
        ),
        (
            # a figure that stands in refuses rather than not: too wet, and colder than any limit allows
            {"belief": LOST},
            {"trusted": False, "doubt": "silent", "doubt_detail": "no bus", "rh_high_pct": 100.0,
             "temp_c": -60.0},
        ),
        ({"water": TankMemory()}, {}),
        ({"water": EMPTY}, {"tank_empty": True, "trial_in_s": 900.0}),
        (
            {"water": EMPTY._replace(next_trial_t=T)},
            {"tank_empty": True, "trial_allowed": True, "trial_in_s": 0.0},
        ),
        ({"water": TankMemory(level_l=2.0, next_trial_t=T - 1.0)}, {}),  # no trial is due on water
        (
            {"used": RuntimeMemory(closed_s=3 * HOUR_S, capped_until_t=T + 1800.0)},
            {"cap_reached": True, "cap_used_s": 3 * HOUR_S, "cap_free_in_s": 1800.0},
        ),
        # an estimate is no measured surface: its RH is told, and no dew point is compared with it
        ({"surface": WALL._replace(measured=False)}, {"wall_rh_pct": 85.0}),
        (
            {"surface": WALL, "belief": BELIEF._replace(temp_c=None)},
            {"wall_rh_pct": 85.0, "temp_c": -60.0},
        ),
        ({"surface": WALL, "belief": BELIEF._replace(rh_pct=None)}, {"wall_rh_pct": 85.0}),
    ],
)  # fmt: skip
def test_each_of_them_where_it_is_another(changed: dict[str, Any], differs: dict[str, Any]) -> None:
    assert gathered(**changed) == EXPECTED._replace(**differs)


def test_a_measured_surface_comes_with_the_dew_point_of_the_rooms_air() -> None:
    found = gathered(surface=WALL)
    assert found.dew_c == pytest.approx(DEW_C, abs=0.1)
    assert found == EXPECTED._replace(surface_c=14.0, dew_c=found.dew_c, wall_rh_pct=85.0)
