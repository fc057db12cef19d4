"""A measured wall that rules, and one that only warns.

Outside truth for what a wall allows: ISO 13788 (80 % at the surface), by its own saturation pressures, as in
``test_ceiling.py``; at 24 °C a wall of 16.8 °C allows 51.3 %RH in the room, one of 19.2 °C 59.7 %.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import nan

import pytest
from pydantic import ValidationError

from controller import Controller, Inputs, Instant, Reading, Settings
from controller.core import wall
from controller.core.ceiling import Surface, SurfaceLimits
from controller.core.records import Decision
from controller.core.wall import OUTLIVES_S, WallMemory

WALL = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
HOLD = SurfaceLimits(policy="hold")


class Room:
    def __init__(self, policy: str = "hold", probes: int = 1) -> None:
        surface = {"policy": policy, "probe": {"kind": "simulated"}}
        self.controller = Controller(
            Settings(
                surface=surface, probe=[{}] * probes, target={"day_rh_pct": 66}, guards={"shortest_on_s": 0}
            )
        )
        self.at_s = 0.0

    def step(self, rh_pct: float, surface_c: float | None, second_rh_pct: float | None = None) -> Decision:
        self.at_s += 60.0
        wobble = 0.02 * (self.at_s % 120.0 > 0.0)
        readings = tuple(Reading(rh + wobble, 24.0) for rh in (rh_pct, second_rh_pct) if rh is not None)
        now = Instant(self.at_s, WALL + timedelta(seconds=self.at_s), True)
        return self.controller.step(Inputs(readings=readings, surface_c=surface_c), now)

    def run(self, minutes: int, rh_pct: float, surface_c: float | None) -> Decision:
        for _ in range(minutes):
            decision = self.step(rh_pct, surface_c)
        return decision


def codes(decision: Decision) -> set[str]:
    return {notice.code for notice in decision.notices}


def test_hold_lowers_the_target_to_what_the_wall_allows() -> None:
    room = Room()
    decision = room.run(180, 52.0, 19.2)
    assert decision.target_rh_pct == pytest.approx(
        59.7 - 0.5 * 4.0 - wall.MARGIN_RH_PCT, abs=0.3
    )  # the default deadband is 4
    assert decision.relay_on
    assert "wall_holds" in codes(decision)
    assert not decision.alarms
    words = next(notice for notice in decision.notices if notice.code == "wall_holds")
    assert (words.detail, words.seen) == ("66", pytest.approx(56.7, abs=0.3))


def test_hold_lets_no_mist_run_while_the_wall_is_too_wet_and_clears_lower() -> None:
    room = Room()
    assert room.run(60, 50.0, 19.2).relay_on
    wet = room.run(5, 60.5, 19.2)  # 81 % at the surface
    assert not wet.relay_on
    told = next(reason for reason in wet.reasons if reason.code == "wall")
    assert (told.seen, told.limit) == (pytest.approx(60.5 / 59.7 * 80.0, abs=0.3), 80.0)
    between = room.run(5, 59.0, 19.2)  # 79 %: not yet lower by the clear band
    assert "wall" in {reason.code for reason in between.reasons}
    assert "wall" not in {reason.code for reason in room.run(5, 57.5, 19.2).reasons}


def test_warn_says_so_and_holds_nothing() -> None:
    room = Room("warn")
    decision = room.run(180, 62.0, 19.2)
    assert decision.target_rh_pct == 66.0
    assert decision.relay_on
    assert "wall_wet" in codes(decision)
    assert "wall_holds" not in codes(decision)


def test_an_estimate_never_holds() -> None:
    limits = SurfaceLimits(policy="hold", frsi=0.5)
    memory, _ = wall.advance(WallMemory(), None, Surface(5.0, 99.0, 30.0, False), 60.0, 60.0, limits)
    assert not memory.held
    assert wall.lowered(66.0, memory, 4.0) == 66.0


def test_a_dry_room_below_its_band_for_the_wall_is_no_alarm() -> None:
    room = Room()
    decision = room.run(8 * 60, 49.0, 16.8)  # the wall allows 51.3, the band begins at 60
    assert not decision.alarms
    assert not {"outrun", "below_band"} & codes(decision)


def test_a_thermometer_that_falls_silent_has_its_last_say_for_two_hours() -> None:
    room = Room()
    room.run(60, 50.0, 19.2)
    quiet = room.run(int(OUTLIVES_S / 60) - 2, 50.0, None)
    assert quiet.target_rh_pct < 60.0
    assert room.run(5, 50.0, None).target_rh_pct == 66.0


@pytest.mark.parametrize("policy", ["warn", "hold"])
def test_at_the_dew_point_its_last_word_stands_too(policy: str) -> None:
    """24 °C and 50 %RH: dew point 12.9 °C (ASHRAE HoF 2017 ch.1, by psychrolib), the wall is at 11 °C."""
    room = Room(policy)
    assert "dew" in {reason.code for reason in room.run(60, 50.0, 11.0).reasons}
    silent = room.run(int(OUTLIVES_S / 60) - 2, 50.0, None)
    assert "dew" in {reason.code for reason in silent.reasons}
    assert "dew" not in {reason.code for reason in room.run(5, 50.0, None).reasons}


@pytest.mark.parametrize(
    ("seen_c", "seen_t"), [(nan, 0.0), (500.0, 0.0), (19.0, 1e9), (19.0, -1e9), (None, 0.0)]
)
def test_a_spoilt_or_old_last_word_is_none(seen_c: float | None, seen_t: float) -> None:
    assert wall.believed_c(WallMemory(seen_c=seen_c, seen_t=seen_t), None, 60.0) is None


def test_the_higher_of_two_probes_is_what_the_wall_obeys() -> None:
    room = Room(probes=2)
    for _ in range(60):
        decision = room.step(56.0, 19.2, 61.0)
    assert "wall" in {reason.code for reason in decision.reasons}


@pytest.mark.parametrize("limit", [nan, -5.0, 1e9])
def test_a_spoilt_memory_is_not_believed(limit: float) -> None:
    memory = WallMemory(False, limit)
    after, _ = wall.advance(memory, 19.2, Surface(19.2, 70.0, 59.7, True), 60.0, 60.0, HOLD)
    assert after.room_limit_rh_pct == pytest.approx(59.7)
    assert wall.lowered(66.0, WallMemory(False, nan), 4.0) == 66.0
    assert wall.lowered(66.0, WallMemory(False, -50.0), 4.0) == 0.0


def test_the_limit_follows_in_half_an_hour_and_not_at_a_step() -> None:
    memory = WallMemory(False, 60.0)
    after, _ = wall.advance(memory, 19.2, Surface(19.2, 50.0, 50.0, True), 60.0, 60.0, HOLD)
    assert after.room_limit_rh_pct == pytest.approx(60.0 - 10.0 / 30.0)


@pytest.mark.parametrize(
    "surface",
    [{"policy": "hold"}, {"policy": "shout"}, {"seasonal_outdoor_c": [1, 2, 3]}, {"material": "cheese"},
     {"probe": {"kind": "hwmon"}}, {"outdoor": {"kind": "file"}}, {"outdoor": {"kind": "iio"}}],
)  # fmt: skip
def test_settings_that_cannot_work_are_refused(surface: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Settings(surface=surface)


def test_the_months_usual_figure_stands_in_and_a_reading_goes_before() -> None:
    limits = SurfaceLimits(frsi=0.7, seasonal_outdoor_c=tuple(range(12)), outdoor_c=-20.0)
    controller = Controller(Settings(surface=limits.model_dump()))
    for second in range(0, 100, 10):
        at = Instant(float(second), datetime(2026, 5, 2, 12, 0, tzinfo=UTC) + timedelta(seconds=second), True)
        decision = controller.step(Inputs(readings=(Reading(55.0, 24.0),)), at)
    assert decision.surface_c == pytest.approx(4.0 + 0.7 * 20.0)  # May is the fifth
    at = Instant(100.0, at.wall + timedelta(seconds=10), True)
    decision = controller.step(Inputs(readings=(Reading(55.0, 24.0),), outdoor_c=14.0), at)
    assert decision.surface_c == pytest.approx(14.0 + 0.7 * 10.0)


def test_an_hour_of_it_goes_to_the_record_once() -> None:
    room = Room("warn")
    rows = [hour for _ in range(185) if (hour := room.step(55.0, 18.0).surface_hour) is not None]
    assert len(rows) == 3
    assert rows[-1].temp_c == pytest.approx(18.0)
    assert rows[-1].measured


def test_a_wall_that_hovers_at_the_limit_is_said_once() -> None:
    room = Room("warn")
    assert "wall_wet" in codes(room.run(30, 61.0, 19.2))  # 81.7 % at the surface
    assert "wall_wet" in codes(room.run(30, 59.0, 19.2))  # 79.1 %: it stands until 2 % below
    assert "wall_wet" not in codes(room.run(30, 57.5, 19.2))  # 77.1 %
    assert "wall_wet" not in codes(room.run(30, 59.0, 19.2))


@pytest.mark.parametrize(
    ("code", "figures"),
    [("mould_begins", (1.0, 0.91, 0.89, 0.91)), ("mould_visible", (3.0, 2.91, 2.89, 2.91))],
)
def test_a_mould_index_that_hovers_is_said_once(code: str, figures: tuple[float, ...]) -> None:
    room = Room("warn")
    said = []
    for index in figures:
        state = room.controller.state
        grown = state.coldest._replace(mould=state.coldest.mould._replace(grown=index))
        room.controller._state = state._replace(coldest=grown)
        said.append(code in codes(room.step(55.0, None)))
    assert said == [True, True, False, False]
