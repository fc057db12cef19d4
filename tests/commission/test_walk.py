"""The whole walk on the simulated room: a keeper who answers what really is, and what goes wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import pytest

from controller import commissioned
from controller.commissioned import FAILED_FILE, FILE, KILL_FORCED, KILL_OFF, fingerprint
from controller.commissioning.hand import Seen
from controller.commissioning.hand_child import MOST_ON_S
from controller.commissioning.rehearsed import RehearsedSite, SimulatedHand
from controller.commissioning.relay import ANSWER_S, IS_OFF, IS_ON
from controller.commissioning.scene import Scene
from controller.commissioning.walk import Result, walk
from controller.errors import KeptStateError, ProbeError, RelayError
from tests.commission.helpers import Keeper, bench, settings_of


class Walked(NamedTuple):
    result: Result
    keeper: Keeper
    site: RehearsedSite
    folder: Path

    @property
    def said(self) -> str:
        return self.keeper.said


def go(
    tmp_path: Path, site: RehearsedSite | None = None, keeper: dict[str, Any] | None = None, **groups: Any
) -> Walked:
    settings = settings_of(**groups)
    site = site or RehearsedSite(settings)
    talk = Keeper(site, **(keeper or {}))
    result = walk(settings, site, talk, "ann", tmp_path)
    assert not site.outlet_on or "UNPLUG" in talk.said.upper(), "the relay was left on, and nobody was told"
    return Walked(result, talk, site, tmp_path)


def test_a_room_in_order_gets_its_record(tmp_path: Path) -> None:
    walked = go(tmp_path)
    assert walked.result is Result.PASSED
    assert not walked.site.outlet_on
    record = commissioned.read(tmp_path)
    assert record is not None
    assert (record.by, record.room, record.kill) == ("ann", "attic", KILL_OFF)
    assert record.wiring == fingerprint(settings_of())
    assert record.at.startswith("2026-01-12T00:")
    assert [step.step for step in record.steps] == ["before", "relay", "kill", "probe", "mist"]
    assert (IS_ON, "yes") in record.steps[1].seen
    assert commissioned.refusal(settings_of(), tmp_path) == ""
    assert str(tmp_path / FILE) in walked.said
    assert not (tmp_path / FAILED_FILE).exists()


def test_it_says_first_what_is_coming_and_touches_nothing_before_the_answer(tmp_path: Path) -> None:
    walked = go(tmp_path, keeper={"otherwise": lambda question: False})
    assert walked.result is Result.REFUSED
    assert len(walked.keeper.asked) == 1
    assert walked.site.world.relay.switchings == 0
    for words in ("15 minutes", "LAMP", "Never touch wiring", "can stay as it is", "before step 4"):
        assert words in walked.said
    assert walked.said.index("what you see") < walked.said.index("What there is")
    assert not (tmp_path / FILE).exists()


def test_it_takes_about_a_quarter_of_an_hour(tmp_path: Path) -> None:
    """As its first line promises; the simulated keeper thinks three seconds about each question."""
    assert 10 * 60 < go(tmp_path).site.world.mono_s < 18 * 60


def count(tmp_path: Path) -> Keeper:
    return go(tmp_path / "whole").keeper


@pytest.mark.parametrize("stays_on", [False, True], ids=["goes off when killed", "stays on when killed"])
def test_whoever_ends_it_at_any_question_leaves_the_relay_off_and_no_record(
    tmp_path: Path, stays_on: bool
) -> None:
    site = RehearsedSite(settings_of(), stays_on)
    questions = len(go(tmp_path / "whole", site).keeper.asked)
    assert questions >= 7
    for number in range(1, questions + 1):
        site = RehearsedSite(settings_of(), stays_on)
        walked = go(tmp_path / str(number), site, keeper={"ends_at_ask": number})
        assert walked.result is Result.REFUSED
        assert not site.outlet_on
        at_the_mist = number == questions  # what came before it has passed, and is kept
        assert [path.name for path in (tmp_path / str(number)).glob("*")] == [FAILED_FILE] * at_the_mist


@pytest.mark.parametrize("stays_on", [False, True], ids=["goes off when killed", "stays on when killed"])
def test_whoever_ends_it_while_it_waits_leaves_the_relay_off_and_no_record(
    tmp_path: Path, stays_on: bool
) -> None:
    waits = count(tmp_path).waits
    for number in range(1, waits + 1):
        site = RehearsedSite(settings_of(), stays_on)
        walked = go(tmp_path / str(number), site, keeper={"ends_at_wait": number})
        assert walked.result is Result.REFUSED
        assert not site.outlet_on
        assert not (tmp_path / str(number) / FILE).exists()


def test_the_other_polarity_is_known_from_the_answers_and_the_line_to_change_is_said(tmp_path: Path) -> None:
    walked = go(tmp_path, bench=bench("relay-backwards"))
    assert walked.result is Result.FAILED
    assert "on while the line is driven OFF. Unplug it now." in walked.said
    assert "active_high = false" in walked.said
    assert "normally open" in walked.said
    assert walked.site.world.relay.switchings <= 1, "more was tried on an outlet that is on at OFF"
    assert walked.keeper.asked[1:] == [IS_OFF, IS_ON]
    assert not (tmp_path / FILE).exists()
    assert (tmp_path / FAILED_FILE).exists()
    assert "Step 2" not in walked.said


def test_the_other_polarity_of_a_low_active_setting(tmp_path: Path) -> None:
    relay = {"kind": "libgpiod", "pin": 5, "active_high": False}
    assert "active_high = true" in go(tmp_path, bench=bench("relay-backwards"), relay=relay).said


def test_a_dead_relay(tmp_path: Path) -> None:
    walked = go(tmp_path, bench=bench("relay-dead"))
    assert walked.result is Result.FAILED
    assert "relay.pin" in walked.said


def test_a_contact_that_welds(tmp_path: Path) -> None:
    walked = go(tmp_path, bench=bench("relay-welded"))
    assert walked.result is Result.FAILED
    assert "does not go off again" in walked.said
    assert "Unplug it now" in walked.said


def test_an_outlet_that_is_always_on(tmp_path: Path) -> None:
    walked = go(tmp_path, keeper={"otherwise": {IS_OFF: False, IS_ON: True}.get})
    assert walked.result is Result.FAILED
    assert "HAND" in walked.said
    assert "welded" in walked.said


def test_a_confused_answer_may_be_given_again(tmp_path: Path) -> None:
    answers = iter([False, False])  # off? no; on? no: no outlet does that

    def confused(question: str) -> bool | None:
        return next(answers, None)

    def settle(question: str) -> bool | None:
        return None if question.startswith("Is a lamp") or "Look again" in question else confused(question)

    walked = go(tmp_path, keeper={"otherwise": settle})
    assert "fit no relay" in " ".join(walked.keeper.asked)
    assert walked.result is Result.PASSED


def test_a_confused_answer_that_stays_so(tmp_path: Path) -> None:
    answers = iter(
        [True, True, False, False, False]
    )  # ready; off? yes; on? no; off again? no; look again? no
    walked = go(tmp_path, keeper={"otherwise": lambda question: next(answers)})
    assert walked.result is Result.FAILED
    assert "fit no relay" in walked.said


def test_who_looks_too_long_is_asked_again(tmp_path: Path) -> None:
    """It has gone off by itself, so that the answer told of nothing."""
    site = RehearsedSite(settings_of())
    slow = Keeper(site)
    seen = []

    def sleepy(question: str) -> bool | None:
        if question == IS_ON:
            seen.append(site.outlet_on)
            slow.think_s = MOST_ON_S + 1 if len(seen) == 1 else 1.0
        return None

    slow._otherwise = sleepy
    assert walk(settings_of(), site, slow, "ann", tmp_path) is Result.PASSED
    assert seen == [True, True]
    assert "gone off by itself" in slow.said


def test_the_relay_goes_off_by_itself_after_a_minute() -> None:
    site = RehearsedSite(settings_of())
    hand = site.hand()
    hand.switch(True)
    site.pass_time(MOST_ON_S - 1)
    assert hand.look().on
    site.pass_time(2)
    assert hand.look() == Seen(False, False)
    assert not site.outlet_on


def test_a_line_that_reads_back_otherwise_is_said(tmp_path: Path) -> None:
    class Shorted(RehearsedSite):
        def hand(self) -> Any:
            class Hand(SimulatedHand):
                def look(self) -> Seen:
                    return super().look()._replace(line_on=False)

            return Hand(self.world.relay, lambda: self.world.mono_s, False)

    walked = go(tmp_path, Shorted(settings_of()))
    assert "driven ON, and the line itself reads OFF" in walked.said
    record = commissioned.read(tmp_path)
    assert record is not None
    assert "line read back" in [what for what, _ in record.steps[1].seen]


def test_a_kill_that_leaves_it_on_is_allowed_and_said(tmp_path: Path) -> None:
    walked = go(tmp_path, RehearsedSite(settings_of(), stays_on=True))
    assert walked.result is Result.PASSED
    record = commissioned.read(tmp_path)
    assert record is not None
    assert record.kill == KILL_FORCED
    assert [answer for question, answer in record.steps[2].seen if question.startswith("Is the")] == [
        "no",
        "yes",
    ]
    for words in ("pull-down resistor", "only as the service", "strict_gpiod"):
        assert words in walked.said


class Deaf(RehearsedSite):
    """After a kill nothing gets the line off any more, or only pretends to."""

    works = False
    tries = 0

    def force_off(self) -> tuple[bool, str]:
        self.tries += 1
        if self.works:
            super().force_off()
        return False, "relay NOT driven off: line 5 is held"


def test_an_outlet_that_cannot_be_forced_off_is_refused(tmp_path: Path) -> None:
    site = Deaf(settings_of(), stays_on=True)
    walked = go(tmp_path, site)
    assert walked.result is Result.FAILED
    assert "Unplug what is in the outlet now" in walked.said
    assert site.tries >= 2, "not tried again on the way out"
    assert not (tmp_path / FILE).exists()


def test_an_off_step_that_fails_is_refused_even_where_the_lamp_is_dark(tmp_path: Path) -> None:
    site = Deaf(settings_of(), stays_on=True)
    site.works = True
    walked = go(tmp_path, site)
    assert walked.result is Result.FAILED
    assert "could not switch off after a crash" in walked.said


def test_who_ends_it_after_the_kill_is_told_when_it_could_not_be_driven_off(tmp_path: Path) -> None:
    site = Deaf(settings_of(), stays_on=True)
    keeper = Keeper(site, ends_at_ask=5)
    assert walk(settings_of(), site, keeper, "ann", tmp_path) is Result.REFUSED
    assert site.outlet_on
    assert "may be ON" in keeper.said
    assert "Unplug" in keeper.said
    assert "driven off." not in keeper.said


def test_nobody_answers_after_the_kill(tmp_path: Path) -> None:
    """The outlet may be on, and nobody looks: it is forced off."""
    site = RehearsedSite(settings_of(), stays_on=True)
    keeper = Keeper(site)

    def leaves(question: str) -> bool | None:
        keeper.think_s = ANSWER_S + 1 if question == IS_OFF and keeper.asked.count(IS_OFF) == 2 else 1.0
        return None

    keeper._otherwise = leaves
    assert walk(settings_of(), site, keeper, "ann", tmp_path) is Result.REFUSED
    assert "nobody answered" in keeper.said
    assert not site.outlet_on


@pytest.mark.parametrize(
    "fault", ["probe-frozen", "probe-silent", "probe-zero", "probe-nan", "probe-all-ones"]
)
def test_a_probe_that_does_not_move(tmp_path: Path, fault: str) -> None:
    walked = go(tmp_path, bench=bench(fault))
    assert walked.result is Result.FAILED
    assert "Step 4" not in walked.said
    assert not (tmp_path / FILE).exists()
    if fault == "probe-frozen":
        assert "frozen, or its driver" in walked.said
        assert "hygrohold check" in walked.said


def test_nobody_breathes(tmp_path: Path) -> None:
    site = RehearsedSite(settings_of())
    site.breathes = False
    walked = go(tmp_path, site)
    assert walked.result is Result.FAILED
    assert "90 s" in walked.said


def test_each_of_two_probes_is_breathed_on(tmp_path: Path) -> None:
    two = ({"kind": "hwmon", "at": "1-0044"}, {"kind": "hwmon", "at": "1-0045"})
    walked = go(tmp_path, probe=two)
    assert walked.result is Result.PASSED
    assert walked.said.count("Good: it rose by") == 2
    assert "probe 1 rose" in walked.said
    assert "probe 2 rose" in walked.said


def test_two_probes_that_are_swapped(tmp_path: Path) -> None:
    two = ({"kind": "hwmon", "at": "1-0044"}, {"kind": "hwmon", "at": "1-0045"})
    site = RehearsedSite(settings_of(probe=two))
    site._probes.reverse()  # whoever breathes on the first breathes on what the settings call the second
    site.probes = lambda: list(reversed(site._probes))  # type: ignore[method-assign]
    walked = go(tmp_path, site, probe=two)
    assert walked.result is Result.FAILED
    assert "swapped" in walked.said


def test_a_probe_in_the_plume(tmp_path: Path) -> None:
    walked = go(tmp_path, bench={"probe": {"plume_rh_pct": 25}})
    assert walked.result is Result.FAILED
    assert "stands in the plume" in walked.said
    assert "two metres" in walked.said
    assert walked.site.world.on_s < 300, "mist went on although it was known"


def test_a_room_that_is_being_aired(tmp_path: Path) -> None:
    walked = go(tmp_path, bench={"room": {"volume_m3": 120, "start_rh_pct": 55}})
    assert walked.result is Result.REFUSED
    assert "when its figure stands still" in walked.said


def test_a_dry_humidifier(tmp_path: Path) -> None:
    walked = go(tmp_path, bench=bench("humidifier-dead", room={"start_rh_pct": 20}))
    assert walked.result is Result.FAILED
    assert "No mist arrived" in walked.said


@pytest.mark.parametrize("start", [79, 92])
def test_a_room_too_humid_to_try(tmp_path: Path, start: float) -> None:
    walked = go(tmp_path, bench={"room": {"start_rh_pct": start}})
    assert walked.result is Result.REFUSED
    assert "at the ceiling" in walked.said
    assert "another hour" in walked.said
    assert not (tmp_path / FILE).exists()


def test_a_room_too_cold_to_try(tmp_path: Path) -> None:
    walked = go(tmp_path, bench={"room": {"cool_temp_c": 12, "heater_w": 0}})
    assert walked.result is Result.REFUSED
    assert "gets no mist below" in walked.said


def test_a_probe_that_falls_silent_in_the_mist(tmp_path: Path) -> None:
    walked = go(tmp_path, bench={"fault": ({"kind": "probe-silent", "starts_h": 0.06},)})
    assert walked.result is Result.REFUSED
    assert "not to be trusted" in walked.said


def test_a_wish_that_may_only_be_short_is_asked_again(tmp_path: Path) -> None:
    """Two minutes of humidify-now at most, in a room that is humid enough: ten come together all the same."""
    settings = settings_of(
        keeper={"humidify_minutes": 2, "longest_humidify_minutes": 2},
        bench={"room": {"start_rh_pct": 68, "air_changes_per_h": 0.1, "volume_m3": 60}},
        target={"day_rh_pct": 61, "night_rh_pct": 61},
    )
    site = RehearsedSite(settings)
    talk = Keeper(site)
    assert walk(settings, site, talk, "ann", tmp_path) is Result.PASSED
    runs = (site.world.relay.switchings - 4) / 2  # two of the switchings on were for the lamp
    assert runs == 5


def test_the_tank_is_booked_as_full(tmp_path: Path) -> None:
    kept: list[Any] = []

    class Looking(RehearsedSite):
        def hold(self, inbox: Any, teller: Any, over: Any) -> None:
            class Both:
                def ticked(self, inputs: Any, decision: Any, changed: bool) -> None:
                    kept.append(decision)
                    teller.ticked(inputs, decision, changed)

            super().hold(inbox, Both(), over)

    settings = settings_of()
    site = Looking(settings)
    assert walk(settings, site, Keeper(site), "ann", tmp_path) is Result.PASSED
    answers = [answer for decision in kept for answer in decision.answers]
    assert [(answer.request.kind, answer.done, answer.request.by) for answer in answers] == [
        ("refilled", True, "ann"),
        ("humidify_now", True, "ann"),
    ]
    assert kept[-1].tank_l == pytest.approx(4.0 - 0.4 / 6, abs=0.01)  # 10 of 600 minutes of a 4 L tank


def test_no_mist_without_leave(tmp_path: Path) -> None:
    walked = go(tmp_path, keeper={"otherwise": lambda question: False if "plugged in" in question else None})
    assert walked.result is Result.REFUSED
    assert walked.site.world.on_s < 60


def test_a_finding_withdraws_an_earlier_record(tmp_path: Path) -> None:
    go(tmp_path)
    assert go(tmp_path, bench=bench("relay-welded")).result is Result.FAILED
    assert commissioned.read(tmp_path) is None
    assert list(tmp_path.glob(f"{FILE}.withdrawn-*"))


@pytest.mark.parametrize("more", [{"probe": {"plume_rh_pct": 25}}, {"room": {"start_rh_pct": 92}}])
def test_mist_that_does_not_pass_takes_no_earlier_record_away(tmp_path: Path, more: dict[str, Any]) -> None:
    """Where the probe stands is no wiring; animals are not to go dry for it."""
    go(tmp_path)
    walked = go(tmp_path, bench=more)
    assert walked.result is not Result.PASSED
    assert "earlier record stays" in walked.said
    assert commissioned.read(tmp_path) is not None


def test_a_relay_that_cannot_be_claimed(tmp_path: Path) -> None:
    class Busy(RehearsedSite):
        def hand(self) -> Any:
            raise RelayError("the relay's line 5 on gpiochip1 is in use")

    walked = go(tmp_path, Busy(settings_of()))
    assert walked.result is Result.FAILED
    assert "is in use" in walked.said


def test_a_probe_that_cannot_be_found(tmp_path: Path) -> None:
    class Gone(RehearsedSite):
        def probes(self) -> Any:
            raise ProbeError("no probe fits")

    walked = go(tmp_path, Gone(settings_of()))
    assert walked.result is Result.FAILED
    assert len(walked.keeper.asked) == 0


def test_a_hand_that_dies_is_forced_off(tmp_path: Path) -> None:
    class Dying(RehearsedSite):
        forced = 0

        def force_off(self) -> tuple[bool, str]:
            self.forced += 1
            return super().force_off()

        def hand(self) -> Any:
            class Hand(SimulatedHand):
                def switch(self, on: bool) -> Seen:
                    if on:
                        self._relay.switch(True)
                        raise RelayError("gone")
                    return super().switch(on)

                def close(self) -> None:
                    raise RelayError("gone")

            return Hand(self.world.relay, lambda: self.world.mono_s, False)

    site = Dying(settings_of())
    assert go(tmp_path, site).result is Result.FAILED
    assert site.forced >= 1
    assert not site.outlet_on


@pytest.mark.parametrize("forced", [False, True])
def test_off_is_said_only_where_it_was_driven(tmp_path: Path, forced: bool) -> None:
    """A line that another program holds, or a mute process that was killed: nobody knows where it stands."""

    class Busy(RehearsedSite):
        def hand(self) -> Any:
            raise RelayError("the relay's line 5 on gpiochip1 is in use")

        def force_off(self) -> tuple[bool, str]:
            return forced, "relay driven off" if forced else "relay NOT driven off: line 5 is held"

    site = Busy(settings_of())
    keeper = Keeper(site)
    assert walk(settings_of(), site, keeper, "ann", tmp_path) is Result.FAILED
    assert ("may be ON" in keeper.said) is not forced
    assert "The relay is driven off." not in keeper.said or forced


def test_before_anything_was_begun_nothing_is_said_to_be_driven(tmp_path: Path) -> None:
    said = go(tmp_path, keeper={"otherwise": lambda question: False}).said
    assert "Nothing was switched." in said
    assert "driven off" not in said


def test_an_outlet_that_is_on_is_not_called_off(tmp_path: Path) -> None:
    assert "The relay is driven off." not in go(tmp_path, bench=bench("relay-backwards")).said


@pytest.mark.parametrize(("ask", "forgotten"), [(2, True), (3, True), (5, False)])
def test_a_level_that_nobody_has_seen_to_be_off_is_not_left_for_the_off_step(
    tmp_path: Path, ask: int, forgotten: bool
) -> None:
    """Whoever sees the lamp lit at OFF and presses Ctrl-C leaves no line file that would drive it on."""

    class Noting(RehearsedSite):
        forgot = False

        def forget_line(self) -> None:
            self.forgot = True

    site = Noting(settings_of())
    assert go(tmp_path, site, keeper={"ends_at_ask": ask}).result is Result.REFUSED
    assert site.forgot is forgotten


def test_what_cannot_be_kept_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any) -> None:
        raise KeptStateError("the disk is full")

    monkeypatch.setattr(commissioned, "write_failed", broken)
    assert "the disk is full" in go(tmp_path, bench=bench("relay-dead")).said


def test_a_scene_writes_down_that_nobody_answered() -> None:
    from controller.commissioning.scene import Notebook

    site = RehearsedSite(settings_of())
    notes = Notebook()
    notes.begin("x")
    Scene(settings_of(), site, Keeper(site, think_s=9.0), notes, "").ask("Well?", within_s=5.0)
    assert notes.steps[0].seen == (("Well?", "nobody answered"),)
