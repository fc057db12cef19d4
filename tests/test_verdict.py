"""The verdict follows from figures: crafted summaries, and the causes in small hand-made minutes."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.causes import DAY_MINUTES, FirstAlarm, OverCap
from controller.core.alarms import NOTICES
from controller.core.messages import MESSAGES
from controller.core.records import Decision, Message
from controller.rehearsal import Hours, Summary
from controller.settings import Settings
from controller.verdict import ALARMS, DRY, TOLD_BY, WET, judge
from controller.wiring import make_rehearsal

NO_HOURS = Hours(0, 0, 0)


def summary(**figures: Any) -> Summary:
    """Ten days, 240 hours."""
    base = Summary(10, NO_HOURS, NO_HOURS, 60, 70, 65, 0, 0, 0, 0, 0, 0, 0, 0, 0, {}, 0)
    return base._replace(**figures)


def test_held() -> None:
    assert judge(summary()) == ("Held.", frozenset({"held"}))


@pytest.mark.parametrize(
    ("hours", "grade"),
    [(2.3, ""), (2.5, "at times"), (23, "at times"), (25, "often"), (95, "often"), (97, "mostly")],
)
def test_hours_are_graded_by_their_share(hours: float, grade: str) -> None:
    verdict = judge(summary(dry_because_h={"tank": hours}))
    expected = f"Too dry {grade}: the tank was empty; no alarm told of it." if grade else "Held."
    assert verdict.text == expected


def test_each_cause_has_its_code_and_its_words() -> None:
    seen = set()
    for way, words in (("dry", DRY), ("wet", WET)):
        for cause in words:
            verdict = judge(summary(**{f"{way}_because_h": {cause: 100.0}}))
            assert f"{way}:{cause}" in verdict.codes
            assert "held" not in verdict.codes
            seen.add(verdict.text)
    assert len(seen) == len(DRY) + len(WET)


def test_the_longest_comes_first() -> None:
    found = judge(summary(dry_because_h={"cap": 10, "tank": 30}, wet_because_h={"weather": 200}))
    assert found.text == (
        "Too dry often: the tank was empty; too dry at times: the runtime cap was used up; "
        "too wet mostly: the air outdoors is that humid; no alarm told of it."
    )


def test_the_start_in_a_dry_room_is_no_fault_unless_it_takes_long() -> None:
    assert judge(summary(dry_because_h={"climb": 20})).text == "Held."
    assert "dry:climb" in judge(summary(dry_because_h={"climb": 30})).codes


@pytest.mark.parametrize(
    ("figures", "code"),
    [
        ({"over_cap_h": 0.2}, "past_cap"),
        ({"wall_wet_kg": 0.1}, "wall_wet"),
        ({"passed_over": 20}, "passed_over"),
        ({"boots": 2, "starts": 2}, "power_cuts"),
        ({"starts": 5}, "restarts"),
        ({"clock_changes_h": 1.0}, "clock_change"),
        ({"first_alarm": "tank_dry"}, "alarm:tank_dry"),
    ],
)
def test_remarks(figures: dict[str, Any], code: str) -> None:
    assert judge(summary(**figures)).codes == {"held", code}


def test_each_alarm_of_room_and_parts_is_named() -> None:
    for code, words in ALARMS.items():
        assert words in judge(summary(first_alarm=code)).text


def test_each_alarm_a_rehearsal_can_raise_has_words() -> None:
    outside = {"state_lost", "state_unkept", "record_anew", "record_broken", "settings_refused"}
    outside |= {"notifier_failed", "wall_lost", "probe_not_back"}  # no rehearsal has those parts
    assert set(ALARMS) | outside == set(MESSAGES) - NOTICES


def test_each_trouble_that_a_notice_tells_of_is_one_and_each_such_notice_exists() -> None:
    assert set(TOLD_BY) <= {f"dry:{cause}" for cause in DRY} | {f"wet:{cause}" for cause in WET}
    assert set(TOLD_BY.values()) <= NOTICES


@pytest.mark.parametrize(
    ("notices", "words"),
    [
        (("too_humid",), "a notice told of it"),
        (("cap_reached", "too_humid"), "a notice told of it"),
        (("outrun",), "no alarm told of it"),
        ((), "no alarm told of it"),
    ],
)
def test_a_notice_tells_of_its_own_trouble_alone(notices: tuple[str, ...], words: str) -> None:
    found = judge(summary(wet_because_h={"weather": 100}, dry_because_h={"cap": 10}, notices=notices))
    assert found.text.endswith(f"; {words}.")


def test_a_notice_of_one_trouble_does_not_tell_of_another() -> None:
    found = judge(summary(wet_because_h={"weather": 100, "misread": 10}, notices=("too_humid",)))
    assert "untold" in found.codes


def test_a_fault_alarm_is_named_before_any_notice() -> None:
    found = judge(summary(wet_because_h={"weather": 9}, notices=("too_humid",), first_alarm="no_mist"))
    assert {"alarm:no_mist"} == found.codes - {"wet:weather"}


# --- figures -------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.25, 0.5, 0.9]), st.integers(60, 1440))
def test_time_past_the_cap_against_counting_it_all_again(seed: int, share: float, cap_min: int) -> None:
    from random import Random

    chance = Random(seed)
    on: list[float] = []
    while len(on) < 2 * DAY_MINUTES:
        on += [60.0 if chance.random() < share else 0.0] * chance.randrange(1, 120)
    watch = OverCap(cap_min * 60.0)
    expected = 0.0
    window = 0.0
    for number, on_s in enumerate(on):
        watch.minute(on_s)
        window += on_s - (on[number - DAY_MINUTES] if number >= DAY_MINUTES else 0.0)
        if window > cap_min * 60.0:
            expected += min(on_s, window - cap_min * 60.0)
    assert watch.over_s == pytest.approx(expected)


def test_a_humidifier_that_never_stops_is_past_a_cap_of_twelve_hours_for_half_of_each_day() -> None:
    watch = OverCap(12 * 3600.0)
    for _ in range(2 * DAY_MINUTES):
        watch.minute(60.0)
    # 12 h of the first day, and all of the second: every window then holds 24 h
    assert watch.over_s == pytest.approx(36 * 3600.0)


def decision(*codes: str) -> Decision:
    controller = make_rehearsal(Settings(bench={"days": 0.01}), False).begin(None).controller
    from datetime import UTC, datetime

    from controller.core.records import Inputs, Instant

    wall = datetime(2026, 1, 12, tzinfo=UTC)
    made = controller.step(Inputs(), Instant(0.0, wall, True, "x"))
    return made._replace(alarms=tuple(Message(code, wall) for code in codes))


def test_the_first_alarm_after_the_fault_is_not_one_that_stood_before() -> None:
    watch = FirstAlarm(3600.0)
    watch.look(decision("tank_dry"), 1800.0)
    watch.look(decision("tank_dry"), 3600.0)
    assert watch.code == ""
    watch.look(decision("tank_dry", "probe_lost"), 7200.0)
    watch.look(decision("relay_stuck_on"), 9000.0)
    assert (watch.code, watch.after_h) == ("probe_lost", 1.0)


def test_the_longest_dry_spell_is_one_stretch() -> None:
    faults = ({"kind": "probe-silent", "starts_h": 6, "lasts_h": 3}, {"kind": "probe-silent", "starts_h": 16})
    made = make_rehearsal(Settings(bench={"days": 0.9, "fault": faults}, loop={"tick_s": 30}), True)
    made.run()
    found, trace = made.witness.summary(), made.witness.trace
    assert trace is not None
    longest = run = 0
    for rh in trace.true_rh_pct:
        run = run + 1 if rh < 60 else 0
        longest = max(longest, run)
    assert found.longest_dry_h == pytest.approx(longest / 60)
    assert found.longest_dry_h > 3
    assert sum(found.dry_because_h.values()) == pytest.approx(found.day.below + found.night.below)
    assert found.dry_because_h["probe"] > 4
