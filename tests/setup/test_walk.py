"""The walk: questions, summary, back to an answer, and out again; no rehearsal is run here."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from controller.errors import SettingsError
from controller.first_setup import walk
from controller.first_setup.machine import Machine
from controller.first_setup.person import WIDTH, Ended
from controller.first_setup.questions import NUMBERS, QUESTIONS
from controller.settings import Settings
from tests.setup.conftest import BARE, OTHER, PI, Told


class Rehearsals:
    """Remembers what it was asked to rehearse."""

    def __init__(self) -> None:
        self.seen: list[Settings] = []

    def __call__(self, settings: Settings) -> Iterator[str]:
        self.seen.append(settings)
        yield "REHEARSED"


def walked(
    *answers: str, on: Machine = BARE, called: str = "larch"
) -> tuple[Settings | None, str, list[Settings]]:
    """Typed answers, then Enter for ever."""
    told, rehearsals = Told(answers, for_ever=True), Rehearsals()
    made = walk.walk(told.person, on, called, rehearsals)
    return made.settings if made else None, told.heard, rehearsals.seen


def to(key: str, machine: Machine = BARE) -> list[str]:
    """Enter up to this question."""
    before = QUESTIONS[: NUMBERS[key] - 1]
    answers = walk.start(machine, "larch")
    return ["" for question in before if question.asked(answers, machine)]


@pytest.mark.parametrize("machine", [BARE, PI, OTHER])
def test_enter_everywhere_makes_settings(machine: Machine) -> None:
    settings, heard, seen = walked(on=machine)
    assert settings is not None
    assert seen == [settings]
    assert settings.room.name == "larch"
    assert settings.room.timezone == machine.timezone
    assert settings.relay.kind == "simulated"
    assert (settings.probe[0].kind == "simulated") == (machine is BARE)
    assert "REHEARSED" in heard
    assert all(len(line) <= WIDTH for line in heard.splitlines())


def test_a_machine_without_parts_is_told_so() -> None:
    _, heard, _ = walked()
    assert "No probe with a driver is found on this machine: it stays simulated for now." in heard
    assert "No GPIO chip is found on this machine: the relay stays simulated for now." in heard
    assert "probe             simulated: no probe yet" in heard
    assert "relay pin         simulated: nothing is switched" in heard


def test_a_board_shows_its_probe_and_asks_for_the_pin() -> None:
    settings, heard, _ = walked(*to("relay_pin", PI), "17", "n", on=PI)
    assert "1  sht4x at 1-0044: 58.3 %RH, 23.1 °C" in heard
    assert "relay pin         GPIO17" in heard
    assert settings is not None
    assert (settings.relay.kind, settings.relay.active_high) == ("gpiozero", False)
    assert "Mind: the relay's line GPIO17 on gpiochip0 switches on when low" in heard


def test_a_chip_is_chosen_on_another_board() -> None:
    settings, heard, _ = walked(*to("relay_pin", OTHER), "1:7", on=OTHER)
    assert '/dev/gpiochip1: "second", 8 lines' in heard
    assert settings is not None
    assert (settings.relay.chip, settings.relay.pin) == (1, 7)


def test_what_is_missing_for_the_relay_is_said() -> None:
    machine = PI._replace(
        relay_trouble=lambda relay: "gpiozero not installed" if relay.kind == "gpiozero" else ""
    )
    assert "Mind: gpiozero not installed" in walked(*to("relay_pin", PI), "17", on=machine)[1]
    assert "Mind:" not in walked(on=machine)[1]


def test_nonsense_is_asked_again_and_what_it_was_is_said() -> None:
    settings, heard, _ = walked("Larch Room", "larch-room")
    assert heard.count("[larch] > ") == 2
    assert "Perhaps larch-room?" in heard
    assert settings is not None
    assert settings.room.name == "larch-room"


def test_a_doubtful_humidifier_is_asked_for_again_with_its_tank() -> None:
    settings, heard, _ = walked(*to("tank"), "80", "8", "", "8", "8")
    assert "10 L/h: more than a room humidifier gives" in " ".join(heard.split())
    assert heard.count("How much does the humidifier's tank hold") == 2
    assert settings is not None
    assert (settings.tank.tank_l, settings.tank.full_tank_lasts_h) == (8.0, 8.0)
    assert "Mind:" not in heard


def test_a_doubtful_humidifier_may_be_meant_and_is_minded_in_the_summary() -> None:
    settings, heard, _ = walked(*to("tank"), "80", "8", "perhaps", "y")
    assert settings is not None
    assert (settings.tank.tank_l, settings.tank.full_tank_lasts_h) == (80.0, 8.0)
    assert "neither yes nor no" in heard
    assert "Mind: 80 L in 8 h are 10 L/h" in heard


def test_a_doubtful_humidifier_in_a_file_of_answers_is_minded() -> None:
    told = Told()
    made = walk.prepared(
        told.person, BARE, "larch", Rehearsals(), {"tank": "80", "tank_lasts": "8"}, "a.toml"
    )
    assert made.settings.tank.tank_l == 80.0
    assert "Mind: 80 L in 8 h are 10 L/h" in told.heard


def test_a_volume_needs_no_height() -> None:
    settings, heard, _ = walked("", "", "40 m3")
    assert "How high is it" not in heard
    assert "  height " not in heard
    assert settings is not None
    assert settings.bench.room.volume_m3 == 40.0


def test_too_cold_a_room_and_utc_are_minded() -> None:
    _, heard, _ = walked(*to("night_warmth"), "12", on=Machine("Etc/UTC"))
    assert "Mind: no mist is given into a room colder than 16 °C" in heard
    assert "Mind: the time zone is UTC" in heard


def test_an_answer_is_changed_and_rehearsed_again() -> None:
    settings, heard, seen = walked(*["" for _ in range(18)], str(NUMBERS["most_hours"]), "20")
    assert [each.runtime.cap_hours_in_any_24 for each in seen] == [12.0, 20.0]
    assert settings == seen[-1]
    assert heard.count("REHEARSED") == 2
    assert "[12 h] > 20" in heard


def test_what_hangs_on_a_changed_answer_is_asked_again() -> None:
    settings, _, _ = walked(*["" for _ in range(18)], str(NUMBERS["tank"]), "1 gal", "12")
    assert settings is not None
    assert (settings.tank.tank_l, settings.tank.full_tank_lasts_h) == (3.79, 12.0)


def test_what_no_longer_fits_is_asked_again() -> None:
    settings, heard, _ = walked(
        *["" for _ in range(18)], f"{NUMBERS['night_target']}, {NUMBERS['visits']}", "79", ""
    )
    assert settings is not None
    assert (settings.target.night_rh_pct, settings.ceiling.highest_rh_pct) == (79.0, 83.0)
    assert heard.count("What is the most it may ever be") == 2
    assert heard.count("When do you look at the tank") == 2


def test_one_that_is_not_asked_says_so() -> None:
    _, heard, _ = walked("", "", "40 m3", *["" for _ in range(14)], str(NUMBERS["height"]))
    assert f"{NUMBERS['height']:>2}. Not asked: it does not go with the other answers." in heard


def test_leaving_makes_nothing_and_nonsense_at_the_end_is_asked_again() -> None:
    settings, heard, _ = walked(*["" for _ in range(18)], "99", "later", "q")
    assert settings is None
    assert '"99" is no number from 1 to' in heard
    assert '"later" is no number' in heard


@pytest.mark.parametrize("lines", [0, 7, 18])
def test_the_end_of_input_ends_it(lines: int) -> None:
    told = Told("" for _ in range(lines))
    with pytest.raises(Ended):
        walk.walk(told.person, BARE, "larch", Rehearsals())


def test_a_name_that_cannot_be_made_from_the_file() -> None:
    assert walk.start(BARE, "???").name == "room"


def test_odd_letters_and_long_lines_do_no_harm() -> None:
    settings, heard, _ = walked("\x1b[31mred" + "x" * 5000, "red")
    assert "\x1b" not in heard
    assert settings is not None
    assert settings.room.name == "red"


def prepared(given: dict[str, str], on: Machine = BARE) -> Settings:
    return walk.prepared(Told().person, on, "larch", Rehearsals(), given, "answers.toml").settings


def test_answers_from_a_file_ask_nobody() -> None:
    settings = prepared({"tank": "1 gal", "dry_cutout": "y", "size": "40 m3"})
    assert (settings.tank.tank_l, settings.tank.dry_cutout, settings.bench.room.volume_m3) == (
        3.79,
        True,
        40.0,
    )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"tonk": "4"}, "answers.toml: there is no answer 'tonk'; there are name, time_zone,"),
        ({"tank": "big"}, 'answers.toml: tank: "big" is not understood'),
        ({"probe": "1"}, "answers.toml: probe: No probe with a driver is found"),
        ({"size": "40 m3", "height": "3"}, "answers.toml: height: It does not go with the other answers."),
    ],
)
def test_wrong_answers_in_a_file(given: dict[str, str], words: str) -> None:
    with pytest.raises(SettingsError) as error:
        prepared(given)
    assert str(error.value).startswith(words)
