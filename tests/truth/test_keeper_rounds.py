"""The keeper of a rehearsal through the real loop: what goes wrong when he is silent, and summer time."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from itertools import pairwise
from math import exp, isnan
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.core.records import Decision, Inputs, Request
from controller.settings import Settings
from controller.simulator.world import World
from controller.wiring import Rehearsal, make_rehearsal
from tests.truth.helpers import HOUR_S, merged, quiet, rehearse, steady_outdoors

BERLIN = ZoneInfo("Europe/Berlin")


def thirsty(folder: Path, **keeper: Any) -> dict[str, Any]:
    """2 L at 0.4 L/h into a dry room that always wants more: dry after 5 h."""
    groups = {
        "tank": {"tank_l": 2, "output_l_per_h": 0.4},
        "loop": {"tick_s": 10},
        "bench": {
            "weather_file": steady_outdoors(folder, 0.0, 80.0),
            "days": 1,
            "room": {"air_changes_per_h": 2},
            "keeper": keeper,
        },
    }
    return quiet(95.0, groups)


def test_a_silent_keeper_and_a_dry_tank(tmp_path: Path) -> None:
    """Nobody told of the tank: nothing is believed, mist is asked for, and none comes."""
    groups = merged(thirsty(tmp_path, tells=False, looks_in=()), {"bench": {"days": 0.9}})
    # without noise the settled air's figure would stand still, and the probe be called frozen
    rehearsal, looks = rehearse(merged(groups, {"bench": {"probe": {"noise_rh_pct": 0.1}}}))
    assert all(isnan(litres) for litres in looks.believed_l)
    dry = looks.tank_l.index(0.0)
    assert looks.t_s[dry] == pytest.approx(5 * HOUR_S, abs=10)
    assert all(looks.on)
    assert rehearsal.world.dry_s == pytest.approx(16.6 * HOUR_S, abs=20)
    assert rehearsal.witness.summary().dry_h == pytest.approx(16.6, abs=0.01)
    outdoor = rehearsal.world.outdoor.humidity_ratio
    for hours in (1, 2, 3):
        place = dry + hours * 360
        # no source: exact decay at 2 an hour
        share = (looks.ratio[place] - outdoor) / (looks.ratio[dry] - outdoor)
        assert share == pytest.approx(exp(-2.0 * hours), rel=1e-6)


def test_a_filling_that_nobody_noted(tmp_path: Path) -> None:
    """The first filling is told, the second not: the belief runs dry over a full tank, then is dropped."""
    keeper = {"tells": False, "looks_in": ("04:00",), "fills_below_l": 2}
    rehearsal, looks = rehearse(thirsty(tmp_path, **keeper), asks=[Request("refilled")])
    assert rehearsal.world.keeper.fillings == 1
    at_four, dry = 4 * 360, looks.believed_l.index(0.0)
    assert looks.believed_l[at_four - 1] == pytest.approx(looks.tank_l[at_four - 1], abs=1e-9)
    # 4 h at 0.4 L/h and a filling: arithmetic; a look in may be a minute late
    assert looks.believed_l[at_four + 6] == pytest.approx(0.4, abs=0.01)
    assert looks.tank_l[at_four + 6] == pytest.approx(2.0, abs=0.01)
    assert looks.t_s[dry] == pytest.approx(5 * HOUR_S, abs=10)
    assert looks.tank_l[dry] == pytest.approx(1.6, abs=0.01)
    assert not looks.on[dry]  # mist stops over a tank that holds water
    assert rehearsal.witness.summary().refused_h["tank_empty"] > 0.5
    unknown = next(place for place in range(dry, len(looks.t_s)) if isnan(looks.believed_l[place]))
    assert looks.t_s[unknown] < 7 * HOUR_S  # a trial pulse, one hour later, finds the water
    assert looks.on[unknown]


class Rounds:
    """Notes the local time of each look in: every one fills, as he is set to."""

    world: World

    def __init__(self) -> None:
        self.fillings = 0
        self.at: list[datetime] = []
        self.wrong: list[tuple[datetime, datetime]] = []
        self.is_day: list[tuple[datetime, bool]] = []

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        began_s = self.world.start.timestamp()
        expected = datetime.fromtimestamp(began_s + decision.at.mono_s, BERLIN)
        if f"{decision.at.wall:%d %H:%M:%S %z}" != f"{expected:%d %H:%M:%S %z}":
            self.wrong.append((decision.at.wall, expected))
        if self.world.keeper.fillings != self.fillings:
            self.fillings = self.world.keeper.fillings
            self.at.append(expected)
        if not self.is_day or self.is_day[-1][1] != decision.is_day:
            self.is_day.append((expected, decision.is_day))


def over_the_change(change: datetime, *tellers: Any) -> Rehearsal:
    """Four days from 10:00 two days before; he looks in at 08:00 and fills every time."""
    groups: dict[str, Any] = {
        "room": {"timezone": "Europe/Berlin"},
        "loop": {"tick_s": 30},
        "bench": {
            "starts": change.replace(day=change.day - 2, hour=10),
            "days": 4,
            "keeper": {"looks_in": ("08:00",), "fills_below_l": 500},
        },
    }
    return make_rehearsal(Settings(**groups), False, tellers)


CHANGES = [datetime(2026, 3, 29), datetime(2026, 10, 25)]  # noqa: DTZ001


@cache
def lived_over(change: datetime) -> tuple[Rounds, list[float]]:
    """What the keeper did over the change, and when each minute of the record was; for all who ask."""
    rounds = Rounds()
    rehearsal = over_the_change(change, rounds)
    rounds.world = rehearsal.world
    history, at_s = rehearsal.history, list[float]()
    close = history.close

    def read_and_close() -> None:
        at_s.extend(minute.at_s for minute in history.reader().minutes())
        close()

    history.close = read_and_close  # type: ignore[method-assign]
    rehearsal.run()
    return rounds, at_s


@pytest.mark.parametrize("change", CHANGES)
def test_rounds_and_targets_keep_local_time_over_the_change_of_the_clocks(change: datetime) -> None:
    rounds, _ = lived_over(change)
    days = [f"{change.day + k:02d}" for k in (-1, 0, 1, 2)]
    # by the calendar: 08:00 on each of the four mornings; within a minute, as often as he is thought of
    assert [f"{at:%d %H:%M}" for at in rounds.at] == [f"{day} 08:00" for day in days]
    # default targets: day from 07:30 to 21:00
    mornings = [at for at, is_day in rounds.is_day[1:] if is_day]
    assert [f"{at:%d %H:%M}" for at in mornings] == [f"{day} 07:30" for day in days]
    hours = [(b.timestamp() - a.timestamp()) / 3600 for a, b in pairwise(rounds.at)]
    # the day of the change has 23 or 25 h
    assert hours == pytest.approx([23.0 if change.month == 3 else 25.0, 24.0, 24.0], abs=0.03)
    assert rounds.wrong == []  # against datetime.fromtimestamp at every tick


@pytest.mark.parametrize("change", CHANGES)
def test_the_record_s_time_runs_on_over_the_change_of_the_clocks(change: datetime) -> None:
    _, at_s = lived_over(change)
    assert len(at_s) == pytest.approx(4 * 1440, abs=1)
    steps_s = [round(b - a, 6) for a, b in pairwise(at_s)]
    assert set(steps_s) == {60.0}
