"""What is said, to whom and when: the teller, its desk and its ways together, under a hand-moved clock."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.notifier import words
from controller.notifier.desk import MOST_AN_HOUR
from controller.notifier.lane import TROUBLE_AFTER_S
from tests.notifier.helpers import DAY_S, HOUR_S, MINUTE_S, Scene, message

LOST = message("probe_lost", detail="it does not answer")
DRY = message("tank_dry")
LOW = message("tank_low", seen=0.5, limit=2.0)
KNOWN = LOST._replace(acked_by="Ann")


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path)


def test_nothing_to_say_and_nothing_is_said(scene: Scene) -> None:
    scene.hour(hours=30)
    assert scene.first.letters == scene.second.letters == []
    assert scene.notifier.troubles() == ()


def test_an_alarm_is_said_once_while_it_stands_and_then_that_it_is_over(scene: Scene) -> None:
    scene.tick()
    scene.tick(LOST, for_s=30 * MINUTE_S)
    assert scene.first.said == [("alarm", "probe_lost")]
    scene.tick(for_s=30 * MINUTE_S)
    assert scene.first.said == [("alarm", "probe_lost"), ("over", "probe_lost")]
    assert scene.second.said == []


def test_the_second_person_hears_of_it_when_nobody_has_acknowledged_it_for_an_hour(scene: Scene) -> None:
    scene.tick(LOST, for_s=60 * MINUTE_S - 10.0)
    assert scene.second.said == []
    scene.tick(LOST, for_s=20.0)
    assert scene.second.said == [("second", "probe_lost")]
    scene.tick(LOST, for_s=HOUR_S)
    scene.tick()
    assert scene.second.said == [("second", "probe_lost"), ("over", "probe_lost")]
    assert scene.first.said == [("alarm", "probe_lost"), ("over", "probe_lost")]


def test_when_the_second_is_told_can_be_set(tmp_path: Path) -> None:
    scene = Scene(tmp_path, second_after_minutes=5)
    scene.tick(LOST, for_s=5 * MINUTE_S)
    assert scene.second.said == [("second", "probe_lost")]


def test_acknowledging_keeps_the_second_out_and_ends_the_repeats(scene: Scene) -> None:
    scene.tick(LOST, for_s=59 * MINUTE_S)
    scene.hour(KNOWN, hours=40)
    assert scene.second.said == []
    assert scene.first.said == [("alarm", "probe_lost")]
    scene.tick()
    assert scene.first.said[-1] == ("over", "probe_lost")


def test_an_unacknowledged_alarm_is_said_again_to_both(tmp_path: Path) -> None:
    scene = Scene(tmp_path, repeat_hours=12)
    scene.hour(LOST, hours=11.9)
    assert [kind for kind, _ in scene.first.said] == ["alarm"]
    scene.hour(LOST, hours=24.2)
    assert [kind for kind, _ in scene.first.said] == ["alarm", "still", "still", "still"]
    assert [kind for kind, _ in scene.second.said] == ["second", "still", "still", "still"]


def test_notices_go_to_the_first_person_once_and_only_those_that_are_named(scene: Scene) -> None:
    scene.hour(LOW, message("cap_reached"), hours=30)
    assert scene.first.said == [("notice", "tank_low")]
    assert scene.second.said == []
    scene.hour(hours=2)
    assert scene.first.said == [("notice", "tank_low")]  # nobody has to hear that the tank was filled
    scene.tick(LOW)
    assert scene.first.said == [("notice", "tank_low")] * 2


def test_which_notices_are_sent_can_be_set(tmp_path: Path) -> None:
    scene = Scene(tmp_path, notices=("cap_reached",))
    scene.tick(LOW, message("cap_reached"))
    assert scene.first.said == [("notice", "cap_reached")]


def test_what_somebody_knows_of_already_is_not_sent(scene: Scene) -> None:
    scene.hour(KNOWN, hours=3)
    scene.tick()
    assert scene.first.letters == scene.second.letters == []


def flap(scene: Scene, hours: float, every_s: float = 10.0) -> None:
    for _ in range(int(hours * HOUR_S / (2 * every_s))):
        for standing in ((LOST._replace(since=scene.wall),), ()):
            scene.tick(*standing)
            scene.since_s += every_s


def test_what_comes_and_goes_does_not_flood(scene: Scene) -> None:
    flap(scene, 0.9)
    assert [kind for kind, _ in scene.first.said] == ["alarm", "over"] * (MOST_AN_HOUR // 2)
    flap(scene, 0.2)
    assert scene.first.said[MOST_AN_HOUR:] == [("summary", "probe_lost")]
    flap(scene, 22.9)
    sums = scene.first.said[MOST_AN_HOUR:]
    assert {kind for kind, _ in sums} == {"summary"}
    assert len(sums) == 4  # after 1, 3, 7 and 15 hours: the wait doubles
    assert "It came " in scene.first.letters[-1].words
    assert next(kind for kind, _ in scene.second.said) == "second"
    assert len(scene.second.letters) <= len(sums) + 1


def test_after_it_has_kept_still_it_is_told_as_before(scene: Scene) -> None:
    flap(scene, 2.0)
    scene.hour(hours=8)
    assert not scene.first.letters[-1].stands  # the last word is that it is over
    before = len(scene.first.letters)
    scene.hour(hours=8)
    assert len(scene.first.letters) == before
    scene.tick(LOST)
    assert scene.first.said[-1] == ("alarm", "probe_lost")


def test_what_stays_after_it_came_and_went_is_said_to_stand(scene: Scene) -> None:
    flap(scene, 0.5)
    scene.hour(LOST, hours=3)
    assert scene.first.letters[-1].stands
    scene.hour(hours=20)
    assert not scene.first.letters[-1].stands


def test_a_sum_is_not_sent_of_what_somebody_has_acknowledged(scene: Scene) -> None:
    flap(scene, 0.5)
    scene.hour(KNOWN, hours=2)
    assert len(scene.first.letters) == MOST_AN_HOUR
    scene.hour(hours=20)
    assert len(scene.first.letters) == MOST_AN_HOUR


def test_a_flapping_notice_is_summed_up_too(scene: Scene) -> None:
    for _ in range(40):
        scene.tick(LOW)
        scene.tick(for_s=20.0)
    assert scene.first.said == [("notice", "tank_low")] * MOST_AN_HOUR
    scene.hour(hours=20)
    assert scene.first.said[MOST_AN_HOUR:] == [("summary", "tank_low")]
    scene.tick(LOW)
    assert scene.first.said[-1] == ("notice", "tank_low")


def test_what_cannot_be_sent_waits_and_is_tried_again_ever_more_rarely(scene: Scene) -> None:
    scene.first.broken = scene.second.broken = "it refuses the connection"
    scene.tick(LOST)
    assert scene.first.tries == 1
    scene.tick(LOST, for_s=29.0, every_s=1.0)
    assert scene.first.tries == 1
    scene.tick(LOST, for_s=2.0, every_s=1.0)
    assert scene.first.tries == 2
    scene.tick(LOST, for_s=57.0, every_s=1.0)
    assert scene.first.tries == 2
    scene.hour(LOST, hours=24)
    tries = scene.first.tries
    assert 8 <= tries <= 14  # 30 s, 1, 2, 4 ... min
    scene.hour(LOST, hours=24 * 7)
    assert tries + 7 <= scene.first.tries <= tries + 8  # daily from then on
    scene.first.broken = ""
    scene.hour(LOST, hours=25)
    assert scene.first.said[0] == ("alarm", "probe_lost")


def test_a_reminder_of_what_nobody_was_told_yet_changes_nothing(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.hour(LOST, hours=40)
    scene.first.broken = ""
    scene.hour(LOST, hours=11)
    assert scene.first.said == [("alarm", "probe_lost")]


def test_what_stands_again_before_anybody_heard_that_it_was_over(scene: Scene) -> None:
    scene.tick(LOST)
    scene.first.broken = "down"
    scene.tick(for_s=20.0)
    scene.tick(LOST, for_s=20.0)
    scene.first.broken = ""
    scene.hour(LOST)
    assert scene.first.said == [("alarm", "probe_lost")]


def test_an_alarm_that_came_back_while_nothing_could_be_sent_is_sent_as_standing(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.tick(LOST, for_s=20.0)
    scene.tick(for_s=20.0)
    scene.tick(LOST, for_s=20.0)
    scene.first.broken = ""
    scene.hour(LOST)
    assert scene.first.said == [("alarm", "probe_lost")]


def test_a_new_alarm_does_not_wait_for_an_old_one_s_turn(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.hour(LOST, hours=10)
    tries = scene.first.tries
    scene.first.broken = ""
    scene.tick(LOST, DRY)
    assert scene.first.tries > tries
    assert [code for _, code in scene.first.said] == ["probe_lost", "tank_dry"]


def test_another_way_that_gets_through_is_a_reason_to_try(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.hour(LOST, hours=10.9)
    scene.first.broken = ""
    scene.tick(for_s=10.0)  # over: said to the second, and so the first is tried
    assert scene.second.said[-1] == ("over", "probe_lost")
    scene.tick(for_s=20.0)
    assert scene.first.said == [("was", "probe_lost")]


def test_a_way_that_fails_for_long_is_an_alarm_of_its_own(scene: Scene) -> None:
    scene.first.broken = "it refuses the connection"
    scene.tick(LOST, for_s=TROUBLE_AFTER_S - 20.0)
    assert scene.notifier.troubles() == ()
    scene.tick(LOST, for_s=40.0)
    ((code, said),) = scene.notifier.troubles()
    assert (code, said) == ("notifier_failed", "fake: it refuses the connection")
    own = message(code, scene.wall, detail=said)
    scene.hour(LOST, own, hours=2)
    assert scene.second.said == [("second", "probe_lost"), ("second", "notifier_failed")]
    scene.first.broken = ""
    scene.hour(LOST, own, hours=2)
    assert scene.notifier.troubles() == ()
    assert scene.first.said == [("alarm", "probe_lost")]  # this way works again: no word about itself
    scene.tick(LOST)
    assert scene.second.said[-1] == ("over", "notifier_failed")
    assert scene.first.said == [("alarm", "probe_lost")]


def test_a_failure_is_logged_once_and_what_goes_out_each_time(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.tick(LOST, for_s=10 * MINUTE_S)
    assert scene.said == ["Not told outside by fake: down. It is tried again."]
    scene.first.broken = ""
    scene.tick(LOST, for_s=10 * MINUTE_S)
    assert scene.said[1:] == ["Told outside by fake: larch: Alarm - Probe: it does not answer."]


def test_a_notice_that_is_over_before_it_could_be_sent_is_left_out(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.tick(LOW, for_s=60.0)
    scene.first.broken = ""
    scene.hour(hours=2)
    assert scene.first.said == []


def test_too_many_changes_at_once_are_left_out_and_counted(scene: Scene) -> None:
    scene.tick()
    for number in range(300):  # while the sender is away
        standing = (LOST,) if number % 2 else (LOST, LOW)
        scene.notifier.ticked(None, scene.decision(*standing), False)  # type: ignore[arg-type]
    scene.tick(LOST, DRY)
    alarms = [letter for letter in scene.first.letters if letter.kind == words.ALARM]
    assert [letter.code for letter in alarms] == ["probe_lost", "tank_dry"]
    lost = ["earlier changes were not passed on" in letter.words for letter in scene.first.letters]
    assert sum(lost) == 1  # said once


# Over a restart.


def test_a_restart_does_not_say_again_what_was_said(scene: Scene) -> None:
    scene.tick(LOST, LOW, for_s=600.0)
    for _ in range(50):
        scene.restart()
        scene.tick(LOST, LOW, for_s=20.0)
    assert scene.first.said == [("alarm", "probe_lost"), ("notice", "tank_low")]
    scene.hour(LOST, LOW)
    assert scene.second.said == [("second", "probe_lost")]  # its hour went on
    scene.restart()
    scene.hour(LOST, LOW, hours=3)
    assert len(scene.second.said) == 1


def test_a_restart_sends_what_stands_and_was_not_sent(scene: Scene) -> None:
    scene.first.broken = "down"
    scene.tick(LOST, for_s=600.0)
    scene.restart()
    scene.first.broken = ""
    scene.tick(LOST, for_s=600.0)
    assert scene.first.said == [("alarm", "probe_lost")]


def test_what_was_over_while_the_program_was_away_is_said_after_a_while(scene: Scene) -> None:
    scene.tick(LOST, for_s=600.0)
    scene.restart(away_s=3 * HOUR_S)
    scene.tick(for_s=25 * MINUTE_S)
    assert len(scene.first.said) == 1  # it has 10 min of patience, and may yet come back
    scene.tick(for_s=20 * MINUTE_S)
    assert scene.first.said == [("alarm", "probe_lost"), ("over", "probe_lost")]


def test_what_comes_back_after_a_restart_is_the_same_alarm(scene: Scene) -> None:
    scene.tick(LOST, for_s=600.0)
    scene.restart()
    scene.tick(for_s=10 * MINUTE_S)
    scene.tick(LOST._replace(since=scene.wall), for_s=10 * MINUTE_S)
    scene.hour(KNOWN, hours=5)
    assert scene.first.said == [("alarm", "probe_lost")]


def test_a_repeat_that_fell_due_while_the_board_was_away_is_made_up_for(scene: Scene) -> None:
    scene.tick(LOST, for_s=600.0)
    scene.restart(away_s=2 * DAY_S)
    scene.tick(LOST, for_s=60.0)
    assert scene.first.said == [("alarm", "probe_lost"), ("still", "probe_lost")]
    assert scene.second.said[0] == ("second", "probe_lost")


def test_a_crash_loop_does_not_flood(scene: Scene) -> None:
    """Each start loses the alarm and finds it again: its letters are counted over the restarts."""
    for _ in range(60):
        scene.tick(LOST._replace(since=scene.wall))
        scene.tick(for_s=10.0)
        scene.restart()
    assert len(scene.first.letters) <= MOST_AN_HOUR + 1


def test_a_restart_without_the_book_says_what_stands_once_more(scene: Scene) -> None:
    scene.tick(LOST)
    (scene.folder / "told.json").write_text("{torn", encoding="utf-8")
    scene.restart()
    scene.tick(LOST, for_s=100.0)
    assert scene.first.said == [("alarm", "probe_lost")] * 2


def test_the_book_is_written_when_something_was_told_and_not_each_round(scene: Scene) -> None:
    path = scene.folder / "told.json"
    scene.tick(for_s=60.0)
    assert not path.exists()
    scene.tick(LOST)
    written = path.stat().st_ino
    scene.tick(LOST, for_s=600.0)
    assert path.stat().st_ino == written


def test_a_folder_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    scene = Scene(tmp_path / "file")
    scene.tick(LOST)
    scene.tick()
    assert [kind for kind, _ in scene.first.said] == ["alarm", "over"]


# The sign of life.


class Beats:
    def __init__(self) -> None:
        self.at: list[float] = []
        self.broken = False
        self.scene: Scene | None = None

    def __call__(self) -> None:
        assert self.scene is not None
        if self.broken:
            raise TimeoutError
        self.at.append(self.scene.since_s)


@pytest.fixture
def beats(tmp_path: Path) -> Beats:
    found = Beats()
    found.scene = Scene(tmp_path, beat=("heartbeat (h)", 5.0, found), heartbeat_minutes=5)
    return found


def test_the_sign_of_life_comes_as_often_as_set(beats: Beats) -> None:
    assert beats.scene is not None
    beats.scene.hour()
    assert len(beats.at) == 13
    assert beats.at[:3] == [0.0, 300.0, 600.0]


def test_it_ends_when_the_loop_stands_still_and_comes_back_with_it(beats: Beats) -> None:
    scene = beats.scene
    assert scene is not None
    scene.tick(for_s=600.0)
    before = len(beats.at)
    for _ in range(1000):  # the thread goes round, the loop does not
        scene.since_s += 10.0
        scene.notifier.work()
    assert len(beats.at) <= before + 0
    scene.tick()
    assert len(beats.at) == before + 1


def test_before_the_first_cycle_there_is_no_sign(beats: Beats) -> None:
    assert beats.scene is not None
    beats.scene.notifier.work()
    assert beats.at == []


def test_a_sign_that_cannot_be_given_is_a_trouble(beats: Beats) -> None:
    scene = beats.scene
    assert scene is not None
    beats.broken = True
    scene.tick(for_s=TROUBLE_AFTER_S - 30.0)
    assert scene.notifier.troubles() == ()
    scene.tick(for_s=60.0)
    assert scene.notifier.troubles() == (("notifier_failed", "heartbeat (h): TimeoutError"),)
    beats.broken = False
    scene.tick(for_s=300.0)
    assert scene.notifier.troubles() == ()


# Troubles of its own.


def test_an_error_of_its_own_is_a_trouble_and_no_end(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr(scene.notifier._desk, "look", fails)
        scene.tick(LOST)
    assert scene.notifier.trouble() == "the part that sends met an error (ZeroDivisionError)"
    scene.tick(LOST)
    assert scene.notifier.trouble() == ""
    assert scene.first.said == [("alarm", "probe_lost")]


def test_a_log_that_fails_stops_nothing(scene: Scene) -> None:
    def fails(words: str) -> None:
        raise OSError

    scene.say = fails
    scene.tick(LOST)
    assert scene.first.said == [("alarm", "probe_lost")]
