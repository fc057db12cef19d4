"""Whether what is shown is of now: a program that runs, one that hangs, one gone, clocks that jump."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.core.records import Inputs, Request
from controller.errors import SettingsError
from controller.loop import Loop
from controller.page import rooms, words
from controller.page.rooms import DOWN, SILENT, UP, Room
from controller.settings import Settings
from controller.status import StatusFile, read_status
from tests.loop.helpers import Bench
from tests.page.conftest import ALARM, NOON, Site, status


def test_a_status_in_these_tests_has_the_keys_of_a_real_one(tmp_path: Path) -> None:
    bench = Bench(for_s=60.0)
    bench.inbox.asked.append(Request("refilled"))
    Loop(bench.parts(), 10.0).run()
    path = tmp_path / "status.json"
    StatusFile(path, "larch", 10.0, 0.4).ticked(Inputs(), bench.watch.decisions[-1], True)
    real = read_status(path)
    assert real is not None
    assert set(status()) <= set(real)


def test_a_room_that_runs_and_spoke_is_up(site: Site, larch: Room) -> None:
    seen = larch.seen()
    assert (seen.standing, seen.fresh, words.standing(seen, "")) == (UP, True, "")
    assert words.title(larch, seen) == "66.1 %RH, larch"


def test_files_are_looked_at_once_a_second(site: Site, larch: Room) -> None:
    before = larch.seen()
    site.says(larch, rh_pct=50.0)
    assert larch.seen() is before
    site.passes(rooms.LOOK_S)
    assert larch.seen().plain != before.plain


def test_one_that_was_killed_is_down_at_once(site: Site) -> None:
    room = site.room(runs=False)
    (room.places.state / "lock").touch()
    site.says(room)
    seen = room.seen()
    assert (seen.standing, seen.fresh) == (DOWN, False)
    told = words.standing(seen, "Start it with `hygrohold run`.")
    assert "does not run" in told
    assert "12:00" in told
    assert told.endswith("Start it with `hygrohold run`.")
    assert words.title(room, seen) == "larch: not known"


def test_one_that_hangs_is_silent_once_it_should_have_spoken(site: Site, larch: Room) -> None:
    larch.seen()
    site.passes(99.0)
    assert larch.seen().standing == UP
    site.passes(2.0)
    seen = larch.seen()
    assert seen.standing == SILENT
    assert "said nothing for 2 min" in words.standing(seen, "")


@pytest.mark.parametrize("jump", [timedelta(hours=3), timedelta(hours=-3)])
def test_a_clock_that_jumps_makes_nothing_old(site: Site, larch: Room, jump: timedelta) -> None:
    larch.seen()
    site.passes(5.0)
    site.says(larch)
    larch.seen()
    site.now += jump
    site.passes(5.0)
    assert larch.seen().standing == UP
    site.passes(120.0)  # and nothing young
    assert larch.seen().standing == SILENT
    site.says(larch)
    site.passes(2.0)
    assert larch.seen().standing == UP


def test_an_old_file_is_old_at_the_first_look(site: Site) -> None:
    room = site.room()
    site.says(room)
    site.now += timedelta(hours=1)
    assert room.seen().standing == SILENT


def test_one_that_has_said_nothing_yet_or_does_not_run(site: Site) -> None:
    runs, not_ = site.room("a"), site.room("b", runs=False)
    assert words.standing(runs.seen(), "") == "The program has just begun and has not said anything yet."
    assert words.standing(not_.seen(), "Start it.").endswith("its humidity. Start it.")
    assert words.why(not_.seen()) == "Nothing is known."
    assert (words.to_do(not_.seen()), words.said_at(not_.seen())) == ("", "")


def test_a_bad_end_that_the_service_noted_is_told(
    site: Site, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(
        rooms,
        "newest",
        lambda folders: {"at": NOON.isoformat(), "times": 2, "gave_up": False, "why": "it crashed"},
    )
    monkeypatch.setattr("controller.service.folders.STATE", tmp_path / "state")
    room = site.room()
    assert "it crashed" in room.seen().ended
    site.passes(2.0)
    site.says(room)
    assert "it runs again" in room.seen().ended


def test_settings_are_read_again_when_their_file_changes(site: Site, tmp_path: Path) -> None:
    file = tmp_path / "larch.toml"
    found = [Settings(room={"name": "larch"}), Settings(room={"name": "other"})]
    new = Settings(room={"name": "larch", "units": "us", "timezone": "UTC"})

    def load(path: Path) -> Settings:
        if not found:
            raise SettingsError("spoilt")
        return found.pop()

    file.write_text("a")
    room = Room(new, file, load)
    assert room.settings is new
    file.write_text("of another room")
    assert room.settings is new
    file.write_text("right")
    assert room.settings.room.units == "si"
    file.write_text("a mistake")
    assert room.settings.room.units == "si"
    assert found == []
    assert room.now().tzinfo is not None
    assert Room(new).told("24.0 °C") == "75.2 °F"


def test_words_name_the_button_where_there_is_one() -> None:
    assert words.marked("a <b> & `hygrohold resume` or `hygrohold check`") == (
        "a &lt;b&gt; &amp; “End the pause” or <code>hygrohold check</code>"
    )


def test_alarms_are_told_in_a_line() -> None:
    known = {**ALARM, "words": "Probe: it is 3.5 %RH off. No mist.", "acked_by": "Ann"}
    assert words.alarms_short(status()) == "No alarm."
    told = words.alarms_short(status(alarms=[known, ALARM]))
    assert told == "Humidifier: on, and the air does not get wetter. And 1 more."
    assert words.alarms_short(status(alarms=[known])) == "Probe: it is 3.5 %RH off."
    assert (words.waiting(status(alarms=[known])), words.waiting(status(alarms=[known, ALARM]))) == (0, 1)


@pytest.mark.parametrize(
    ("rh", "told"),
    [(None, "no reading"), (50.0, "below the band"), (60.0, "in the band"), (78.1, "above the band")],
)
def test_where_the_air_is_against_its_band(rh: float | None, told: str) -> None:
    assert words.against_band(rh, 60.0, 78.0).startswith(told)
    assert words.figure(None) == "?"


def test_now_is_in_the_rooms_zone() -> None:
    room = Room(Settings(room={"timezone": "Asia/Tokyo"}))
    assert room.now().utcoffset() == timedelta(hours=9)
    assert room.now() - datetime.now(UTC) < timedelta(seconds=5)
