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
from controller.core.tank import Since, TankMemory
from controller.core.tank_model import Learned
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


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00"])
def test_a_time_that_utc_has_not_is_refused_and_makes_nothing_raise(moment: str) -> None:
    wall = datetime.fromisoformat(moment)
    assert State(wall=wall).to_plain()["wall"] == wall.replace(tzinfo=UTC).isoformat()
    with pytest.raises(KeptStateError, match="read back"):
        State.from_plain(State().to_plain() | {"wall": moment})


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


# --- an upgrade keeps the state ---

VERSION_1 = """
{"version": 1, "t": 690.0, "started": true, "mono_s": 1700.0, "boot": "boot-1", "wall":
"2026-01-10T12:11:40+00:00", "wall_trusted": true, "gap": null, "probes": [{"trusted": true,
"doubt": "", "detail": "", "row": 4, "rh_pct": 50.0, "temp_c": 24.0, "good_t": 690.0, "seen_rh_pct":
50.0, "seen_temp_c": 24.0, "seen_t": 690.0, "raw_rh_pct": 50.0, "raw_temp_c": 24.0, "still_on_s":
0.0}, {"trusted": false, "doubt": "silent", "detail": "gone", "row": 0, "rh_pct": 59.0, "temp_c":
24.0, "good_t": 590.0, "seen_rh_pct": 59.0, "seen_temp_c": 24.0, "seen_t": 590.0, "raw_rh_pct":
59.0, "raw_temp_c": 24.0, "still_on_s": 570.0}], "ceiling_held": false, "demand": {"method":
"hysteresis", "wants": true, "integral": 0.0, "owed_s": 0.0, "duty": 0.0, "setpoint_rh_pct": 0.0},
"refused": false, "relay": {"on": true, "since_t": 20.0, "rest_until_t": 0.0, "stuck_on_since_t":
null, "no_answer_since_t": null, "last_interval_s": 10.0, "unbooked": false}, "runtime": {"runs":
[], "closed_s": 0, "open_t": 20.0, "capped_until_t": null}, "tank": {"level_l": 0.9900000000000004,
"fill_t": 600.0, "fill_from_l": null, "fill_litres": 1.0, "trial_from_t": null, "trial_vapour_pa":
0.0, "next_trial_t": 4200.0}, "keeper": {"pause_until_t": 0.0, "humidify_until_t": 0.0,
"raise_until_t": 259860.0, "raise_rh_pct": 5.0}, "standing": [{"code": "one_probe_lost", "since_t":
600.0, "since": "2026-01-10T12:10:10+00:00", "said": false, "seen": null, "limit": null, "detail":
"no reading was given"}, {"code": "wall_estimate", "since_t": 670.0, "since":
"2026-01-10T12:11:20+00:00", "said": false, "seen": 126.15231129260142, "limit": 43.12247587269568,
"detail": ""}], "lost": "", "lost_until_t": 0.0}
"""
"""Written by release 0.1.0, whose state is version 1: two probes, one gone, a tank, a raise."""


def test_a_state_of_version_1_is_read_and_nothing_in_it_changes() -> None:
    old = json.loads(VERSION_1)
    state = State.from_plain(old)
    assert state.version == STATE_VERSION
    new = state.to_plain()
    assert holds_all(old | {"version": STATE_VERSION, "started": False}, new)
    assert state.tank.level_l == pytest.approx(0.99)
    assert state.runtime.open_t == 20.0
    assert state.keeper.raise_rh_pct == 5.0
    assert state.effect == State().effect
    assert state.keeper.bypass == ""
    assert through_json(state) == state


VERSION_2 = """
{"version": 2, "t": 900.0, "started": true, "mono_s": 1910.0, "boot": "boot-1", "wall":
"2026-01-10T12:15:10+00:00", "wall_trusted": true, "gap": null, "probes": [{"trusted": true,
"doubt": "", "detail": "", "row": 91, "rh_pct": 50.1, "temp_c": 24.0, "good_t": 900.0,
"seen_rh_pct": 50.1, "seen_temp_c": 24.0, "seen_t": 900.0, "raw_rh_pct": 50.1, "raw_temp_c": 24.0,
"still_on_s": 0.0, "still_since_t": 900.0, "lively": 0.08702385817590388, "doubted": 0.0},
{"trusted": true, "doubt": "", "detail": "", "row": 90, "rh_pct": 50.2, "temp_c": 24.0, "good_t":
900.0, "seen_rh_pct": 50.2, "seen_temp_c": 24.0, "seen_t": 900.0, "raw_rh_pct": 50.2, "raw_temp_c":
24.0, "still_on_s": 0.0, "still_since_t": 900.0, "lively": 0.08610996814404794, "doubted":
0.0013321689964744454}], "ceiling_held": false, "demand": {"method": "hysteresis", "wants": true,
"integral": 0.0, "owed_s": 0.0, "duty": 0.0, "setpoint_rh_pct": 0.0}, "refused": false, "relay":
{"on": true, "since_t": 20.0, "rest_until_t": 0.0, "stuck_on_since_t": null, "no_answer_since_t":
null, "last_interval_s": 10.0, "unbooked": false}, "runtime": {"runs": [], "closed_s": 0, "open_t":
20.0, "capped_until_t": null}, "tank": {"level_l": 0.9666666666666681, "fill_t": 600.0,
"fill_from_l": null, "fill_litres": 1.0, "trial_from_t": null, "trial_vapour_pa": 0.0,
"next_trial_t": 4200.0}, "keeper": {"pause_until_t": 0.0, "humidify_until_t": 0.0, "raise_until_t":
0.0, "raise_rh_pct": 0.0, "bypass": "", "bypass_until_t": 0.0, "cleaned_t": 0.0}, "standing":
[{"code": "below_band", "since_t": 20.0, "since": "2026-01-10T12:00:30+00:00", "said": false,
"seen": 50.05, "limit": 60.0, "detail": "", "acked_by": ""}, {"code": "wall_estimate", "since_t":
610.0, "since": "2026-01-10T12:10:20+00:00", "said": false, "seen": 92.85181147345149, "limit":
43.12247587269568, "detail": "", "acked_by": ""}], "lost": "", "lost_until_t": 0.0, "effect":
{"began_t": 900.0, "seen": 0, "rh_sum": 0.0, "temp_sum": 0.0, "on_s": 0.0, "late_s": 0.0, "learned":
{"theta": [0.0035813245652300367, -0.008882765581348985, 5.966830709595818e-06,
0.0036306789253782038, 6.290155471081466e-06, 0.0], "cov": [[51.06004898031189, -2.2736664262281003,
-0.0962305610329206, -49.12456652695391, -0.011495029254261581, 0.0], [-2.2736664262281003,
5.823361189837584, -0.01564721815085573, -1.909618025426667, 0.05611111633952592, 0.0],
[-0.0962305610329206, -0.01564721815085573, 99.99990945410464, -0.09654929731228822,
-1.5872689035263155e-05, 0.0], [-49.12456652695391, -1.909618025426667, -0.09654929731228822,
50.68904635092383, -0.011762769098547026, 0.0], [-0.011495029254261581, 0.05611111633952592,
-1.5872689035263155e-05, -0.011762769098547026, 99.99996319098462, 0.0], [0.0, 0.0, 0.0, 0.0, 0.0,
100.0]], "noise": 0.9604009151454556, "blocks": 2, "vapour_pct": 50.10213269804758, "rh_pct": 50.1,
"temp_c": 24.0, "slow_rh_pct": 50.09853104885057, "shares": [0.5, 1.0], "none": 0.0, "stray": 0.0,
"held": 0, "upset": 0, "strange": 0, "steady": 0.0, "best": 0.0}, "verdict": {"known": false,
"no_mist": false, "stray_mist": false, "weak_share": null, "rise_pct_per_h": -0.06361729219342738}},
"ahead_rh_pct": -0.002060031121797645, "outage": null, "starts_t": [0.0]}
"""
"""Written by the program while its state was version 2: two probes, a tank, nothing of its output learned."""


def test_a_state_of_version_2_is_read_and_the_output_begins_at_the_settings_figure() -> None:
    old = json.loads(VERSION_2)
    state = State.from_plain(old)
    assert state.version == STATE_VERSION
    assert holds_all(old | {"version": STATE_VERSION, "started": False}, state.to_plain())
    assert state.tank == TankMemory(
        state.tank.level_l, 600.0, None, 1.0, next_trial_t=4200.0, learned=Learned(), since=Since()
    )
    assert through_json(state) == state
    rules = quick(probe=({}, {}), surface={"frsi": 0.7}, tank={"output_l_per_h": 0.4})
    rig = Rig(rules, state, mono_s=2000.0, wall=NOON, boot="boot-1")
    decision = rig.step(readings=(Reading(50.0, 24.0), Reading(50.1, 24.0)))
    assert decision.water is not None
    assert (decision.water.rate_l_per_h, decision.water.counts) == (0.4, 0)
    ran_s = 100.0  # until the next start
    assert decision.tank_l == pytest.approx(old["tank"]["level_l"] - ran_s * 0.4 / 3600.0)


def holds_all(old: Any, new: Any) -> bool:
    if isinstance(old, dict):
        return all(holds_all(old[key], new[key]) for key in old)
    if isinstance(old, list):
        return len(old) == len(new) and all(map(holds_all, old, new))
    return bool(old == new)


def test_control_goes_on_from_a_state_of_version_1() -> None:
    rules = quick(probe=({}, {}), surface={"frsi": 0.7})
    rig = Rig(rules, State.from_plain(json.loads(VERSION_1)), mono_s=2000.0, wall=NOON, boot="boot-1")
    pair = (Reading(50.0, 24.0), Reading(50.1, 24.0))
    decision = rig.step(readings=pair)
    assert decision.used_s == pytest.approx(670.0 + 300.0)  # it ran for 670 s; nobody saw the run end
    assert decision.tank_l == pytest.approx(0.99 - 300.0 * 0.4 / 3600.0)
    assert decision.target_rh_pct == 70.0


def test_a_lived_state_less_what_version_1_did_not_know_is_read() -> None:
    new = {
        "gap": ["by_hand_s", "assumed"],
        "": [
            "effect",
            "ahead_rh_pct",
            "outage",
            "starts_t",
            "hand",
            "handled",
            "calibration",
            "coldest",
            "foresight",
        ],
        "probes": ["still_since_t", "lively", "doubted"],
        "keeper": ["bypass", "bypass_until_t", "cleaned_t", "raise_by"],
        "standing": ["acked_by"],
        "demand": ["gain"],
        "tank": ["learned", "since", "fill_since", "fill_learned", "fill_full", "late_t"],
    }
    plain = json.loads(json.dumps(lived().to_plain())) | {"version": 1}
    for group, keys in new.items():
        parts = [plain] if not group else plain[group] if isinstance(plain[group], list) else [plain[group]]
        for part in parts:
            for key in keys:
                del part[key]
    assert {key: sorted(value) for key, value in plain.items() if isinstance(value, dict)} == {
        key: sorted(value) for key, value in json.loads(VERSION_1).items() if isinstance(value, dict)
    } | {"gap": ["resumed_t", "since_t", "since_wall"]}
    assert holds_all(plain | {"version": STATE_VERSION, "started": False}, State.from_plain(plain).to_plain())


@pytest.mark.parametrize(
    "part",
    [
        {"unheard_of": 1},
        {"tank": {"level_l": 1.0, "unheard_of": 2}},
        {"refused": 1},
        {"relay": {"on": 0}},
        {"standing": {}},
        {"probes": [[]]},
        {"t": "690"},
        {"runtime": {"runs": [[1.0, 2.0, 3.0]]}},
    ],
)
def test_what_version_1_would_not_have_written_is_refused(part: dict[str, Any]) -> None:
    with pytest.raises(KeptStateError):
        State.from_plain(json.loads(VERSION_1) | part)
