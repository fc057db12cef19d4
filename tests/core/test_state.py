"""STATE: one value that becomes JSON and comes back, or says what is wrong with it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from math import inf, nan
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.core.demand import DemandMemory
from controller.core.records import Reading
from controller.core.runtime import RuntimeMemory
from controller.core.state import STATE_VERSION, Gap, State, after_loss
from controller.core.trust import ProbeMemory
from controller.errors import KeptStateError
from tests.core.helpers import NOON, Rig, flat, quick, through_json


def lived() -> State:
    """A state with something in every corner."""
    rig = Rig(quick(probe=({}, {}), runtime={"cap_hours_in_any_24": 1}, surface={"frsi": 0.7}))
    pair = (Reading(50.0, 24.0), Reading(failure="gone"))
    for count in range(500):
        rig.step(
            readings=pair if count % 2 else (Reading(50.1, 24.0), Reading(59.0, 24.0)),
            outdoor_c=-9.0,
        )
    rig.ask("raise_target")
    rig.ask("refilled", litres=0.01)
    rig.ask("pause")
    return rig.state._replace(gap=Gap(NOON, 11.0, 12.0), lost="torn", lost_until_t=9.0)


@pytest.mark.parametrize(
    "state", [State(), lived(), after_loss("torn", 7200.0)], ids=["new", "lived", "lost"]
)
def test_it_comes_back_from_json_as_it_was(state: State) -> None:
    text = json.dumps(state.to_plain(), allow_nan=False)
    back = State.from_plain(json.loads(text))
    assert back == state._replace(started=False)
    assert back._replace(started=state.started).to_plain() == state.to_plain()
    assert type(back.runtime) is RuntimeMemory
    assert type(back.demand) is DemandMemory


def test_it_is_small_after_a_day() -> None:
    rig = Rig(flat(guards={"shortest_on_s": 0, "shortest_off_s": 0}))
    for count in range(3000):
        rig.step(50.0 if count // 4 % 2 else 69.0, after_s=30.0)
    assert len(json.dumps(rig.state.to_plain())) < 64_000


@pytest.mark.parametrize("version", [None, 0, STATE_VERSION + 1, "1", True and 99])
def test_another_version_is_refused(version: Any) -> None:
    plain = State().to_plain() | {"version": version}
    with pytest.raises(KeptStateError, match="version"):
        State.from_plain(plain)


@pytest.mark.parametrize("whole", [None, [], "text", 5, {}])
def test_what_is_no_mapping_is_refused(whole: Any) -> None:
    with pytest.raises(KeptStateError):
        State.from_plain(whole)


@pytest.mark.parametrize(
    "part",
    [
        {"t": nan},
        {"t": "soon"},
        {"t": None},
        {"wall": "yesterday"},
        {"runtime": {"closed_s": nan}},
        {"runtime": None},
        {"runtime": {"runs": [[1.0]]}},
        {"runtime": {"runs": [[1.0, nan]]}},
        {"runtime": {"runs": {"0": nan}}},
        {"tank": {"level_l": "full"}},
        {"probes": [{"trusted": "perhaps"}]},
        {"relay": 3},
        {"unheard_of": 1},
    ],
)
def test_what_is_not_in_order_is_refused(part: dict[str, Any]) -> None:
    with pytest.raises(KeptStateError) as caught:
        State.from_plain(State().to_plain() | part)
    assert 0 < len(str(caught.value)) < 400


def without(plain: dict[str, Any], key: str) -> dict[str, Any]:
    return {name: value for name, value in plain.items() if name != key}


@pytest.mark.parametrize("key", ["runtime", "relay", "t"])
def test_a_state_with_a_part_torn_out_is_no_state(key: str) -> None:
    # Were it filled up with a clean sheet, a torn runtime ledger would read as nothing used.
    with pytest.raises(KeptStateError):
        State.from_plain(without(lived().to_plain(), key))


@pytest.mark.parametrize("figure", [inf, -inf])
@pytest.mark.parametrize("path", ["t", "mono_s", "runtime.closed_s", "runtime.open_t", "relay.since_t"])
def test_an_infinity_where_a_time_belongs_is_refused(path: str, figure: float) -> None:
    # The reader takes no figure that is not finite where one is needed.
    plain = json.loads(json.dumps(lived().to_plain()))
    *groups, key = path.split(".")
    place = plain
    for group in groups:
        place = place[group]
    place[key] = "inf" if figure > 0 else "-inf"
    with pytest.raises(KeptStateError):
        State.from_plain(plain)


def test_never_yet_survives() -> None:
    assert through_json(State()).tank == State().tank
    assert through_json(State(probes=(ProbeMemory(),))).probes == (ProbeMemory(),)


def test_a_loss_counts_as_half_the_cap_and_an_unknown_tank() -> None:
    state = after_loss("", 4 * 3600.0)
    rig = Rig(quick(runtime={"cap_hours_in_any_24": 4}), state)
    decision = rig.step()
    assert decision.used_s == pytest.approx(2 * 3600.0, abs=20.0)
    assert decision.tank_l is None
    assert [alarm.code for alarm in decision.alarms] == ["state_lost"]
    assert decision.alarms[0].detail == "unknown"
    rig.run(86400, 70.0, tick_s=300.0)
    decision = rig.step(70.0)
    assert decision.alarms == ()
    assert decision.used_s == 0.0


@pytest.mark.parametrize(
    "wall",
    [
        datetime(2026, 7, 1, 12, 0, tzinfo=UTC),
        datetime(2026, 7, 1, 12, 0, tzinfo=ZoneInfo("Asia/Kathmandu")),
        datetime(2026, 10, 25, 2, 30, tzinfo=ZoneInfo("Europe/Berlin"), fold=1),
        # An offset with seconds: a board without a clock begins in 1970, when Monrovia was 44 min 30 s
        # behind Greenwich, and that offset has no form in ISO 8601 that every reader takes.
        datetime(1970, 1, 1, tzinfo=ZoneInfo("Africa/Monrovia")),
    ],
)
def test_walls_of_any_zone_come_back_as_the_same_instant(wall: datetime) -> None:
    assert through_json(State(wall=wall)).wall.astimezone(UTC) == wall.astimezone(UTC)
