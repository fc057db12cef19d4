"""The ledger through restarts and power cuts against the true on-time; what a death leaves undone."""

from __future__ import annotations

from bisect import bisect_right
from typing import Any

import pytest

from controller.core.records import Decision, Inputs
from controller.core.restart import MARK_S
from controller.core.state import State
from controller.lives import Rehearsal, read_back
from controller.settings import Settings
from controller.simulator.world import World
from controller.wiring import make_rehearsal

DAY_S = 86400.0
TICK_S = 30.0


class Books:
    """Implements ``loop.Teller``: the program's figure and the outlet's true on-time, at every look."""

    def __init__(self) -> None:
        self.world: World
        self.t_s: list[float] = [0.0]
        self.on_s: list[float] = [0.0]
        self.looks: list[tuple[float, float, int]] = []  # true, by the ledger, starts so far

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        world = self.world
        self.t_s.append(world.mono_s)
        self.on_s.append(world.on_s)
        true_s = world.on_s - self._on_at(world.mono_s - DAY_S)
        self.looks.append((true_s, decision.used_s, world.lives))

    def _on_at(self, t_s: float) -> float:
        """On-time up to a moment; between two looks the outlet did one thing."""
        if t_s <= 0.0:
            return 0.0
        after = bisect_right(self.t_s, t_s)
        t_0, t_1, on_0, on_1 = self.t_s[after - 1], self.t_s[after], self.on_s[after - 1], self.on_s[after]
        return on_0 + (on_1 - on_0) * (t_s - t_0) / (t_1 - t_0)


def rehearse(*faults: dict[str, Any], days: float = 2.2, **groups: Any) -> tuple[Rehearsal, Books]:
    books = Books()
    bench = {"days": days, "fault": faults}
    made = make_rehearsal(Settings(bench=bench, loop={"tick_s": TICK_S}, **groups), False, (books,))
    books.world = made.world
    made.run()
    return made, books


RESTARTS = {"kind": "restarts", "starts_h": 0.51, "size": 0.77}
CUTS = (
    {"kind": "power-cut", "starts_h": 7.313, "lasts_h": 1.5, "size": 3},
    {"kind": "power-cut", "starts_h": 30.017, "lasts_h": 5, "size": 0},
    {"kind": "power-cut", "starts_h": 40.503, "lasts_h": 0.01, "size": 500},
)
DEATHS = {"restarts": (RESTARTS,), "power cuts": CUTS, "both": (RESTARTS, *CUTS)}


@pytest.mark.parametrize("deaths", list(DEATHS))
def test_the_ledger_is_never_shorter_than_the_truth(deaths: str) -> None:
    made, books = rehearse(*DEATHS[deaths])
    assert made.world.lives > 3
    for true_s, ledger_s, lives in books.looks:
        assert ledger_s >= true_s - 1e-6
        if deaths == "restarts":  # each death may be counted as on for so long; time away is known
            assert ledger_s <= true_s + MARK_S * lives
    assert made.witness.summary().over_cap_h == 0.0


def test_without_a_death_the_ledger_is_exact() -> None:
    _, books = rehearse()
    for true_s, ledger_s, _ in books.looks:
        assert ledger_s == pytest.approx(true_s, abs=1e-6)


def test_the_cap_holds_when_the_room_wants_more_and_the_program_dies_all_the_time() -> None:
    dry = {"target": {"day_rh_pct": 75.0, "night_rh_pct": 75.0}, "runtime": {"cap_hours_in_any_24": 4.0}}
    made, books = rehearse(*DEATHS["both"], **dry)
    assert max(true_s for true_s, _, _ in books.looks) <= 4 * 3600.0 + 1e-6
    assert max(true_s for true_s, _, _ in books.looks) > 3 * 3600.0
    assert made.witness.summary().over_cap_h == 0.0


def test_a_death_while_on_leaves_the_state_as_on_and_the_outlet_off() -> None:
    made = make_rehearsal(
        Settings(
            bench={"days": 0.1, "fault": ({"kind": "power-cut", "starts_h": 1.0},)}, loop={"tick_s": TICK_S}
        ),
        False,
    )
    made.run()
    assert made.keep.state.relay.on  # the room is dry at its start: it ran, and nobody booked the end
    assert not made.world.relay.on
    assert made.world.on_s < 3600.0 + TICK_S


def test_each_life_begins_from_state_read_back_as_from_a_file() -> None:
    begun: list[State | None] = []
    made = make_rehearsal(
        Settings(
            bench={"days": 0.1, "fault": ({"kind": "restarts", "starts_h": 1, "size": 0.5},)},
            loop={"tick_s": TICK_S},
        ),
        False,
    )

    def begin(kept: State | None) -> Any:
        begun.append(kept)
        return made.begin(kept)

    made._replace(begin=begin).run()
    assert begun[0] is None
    assert len(begun) == 1 + 3
    assert all(state is not None and not state.started and state.t > 0.0 for state in begun[1:])


def test_read_back_is_what_was_kept() -> None:
    made, _ = rehearse(days=0.05)
    kept = made.keep.state
    assert read_back(kept) == kept._replace(started=False)
