"""Every question: what Enter means, what is refused, what follows."""

from __future__ import annotations

from datetime import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.first_setup.answers import Answers, Line, settings_of
from controller.first_setup.machine import Machine
from controller.first_setup.person import Nonsense
from controller.first_setup.questions import BUILDINGS, NUMBERS, QUESTIONS, WINTERS
from controller.first_setup.questions_board import slug
from controller.settings import Settings
from controller.simulator.climate import CLIMATES
from controller.simulator.rooms import ROOMS
from tests.setup.conftest import BARE, OTHER, PI, PROBE, SECOND

BY_KEY = {question.key: question for question in QUESTIONS}


def understood(key: str, text: str, answers: Answers | None = None, machine: Machine = BARE) -> Any:
    return BY_KEY[key].understood(text, answers or Answers(), machine)


def test_every_answer_has_a_question_and_every_choice_is_offered() -> None:
    assert sorted(NUMBERS) == sorted(Answers._fields)
    assert set(BUILDINGS) == set(ROOMS)
    assert set(WINTERS) == set(CLIMATES)
    assert {question.then for question in QUESTIONS} - {""} <= set(NUMBERS)


@pytest.mark.parametrize("machine", [BARE, PI, OTHER])
def test_what_stands_in_the_brackets_can_be_typed(machine: Machine) -> None:
    answers = Answers(probe=machine.probes, time_zone="Europe/Oslo")
    for question in QUESTIONS:
        if question.asked(answers, machine):
            value = question.value(answers)
            assert question.understood(question.typed(value, machine), answers, machine) == value
            assert question.understood("", answers, machine) == value
            assert question.in_summary(answers, machine)


def test_nothing_but_enter_gives_the_default_save_for_the_careful_answer() -> None:
    made = settings_of(Answers(), BARE).settings
    usual = Settings()
    assert made.tank.dry_cutout is False
    careful = {"tank": {**usual.tank.model_dump(exclude={"output_l_per_h"}), "dry_cutout": False}}
    room = {"warm_from": usual.target.day_starts, "cool_from": usual.target.night_starts}
    assert made == Settings(**careful, bench={"room": room, "humidifier": {"dry_cutout": False}})


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("name", "larch-2", "larch-2"),
        ("time_zone", "europe/oslo", "Europe/Oslo"),
        ("time_zone", "America/Argentina/Buenos Aires", "America/Argentina/Buenos_Aires"),
        ("building", "3", "leaky-attic"),
        ("building", "Tight-Cellar", "tight-cellar"),
        ("winter", "2", "mild-maritime"),
        ("dry_cutout", "Yes", True),
        ("tank_lasts", "300 ml/h", 13.3),
        ("tank_lasts", "8", 8.0),
        ("visits", "7 am", (time(7),)),
    ],
)
def test_understood(key: str, text: str, value: Any) -> None:
    assert understood(key, text) == value


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("name", "Larch Room", "Perhaps larch-room?"),
        ("name", "***", "small letters, digits and hyphens."),
        ("name", "-a", "Perhaps a?"),
        ("time_zone", "oslo", "Perhaps Europe/Oslo?"),
        ("time_zone", "Europe/Osslo", "Europe/Oslo"),
        ("time_zone", "qqqqqqqq", "They look like Europe/Oslo"),
        ("time_zone", "../../etc/passwd", "no time zone"),
        ("building", "4", "a number from 1 to 3"),
        ("building", "²", "a number from 1 to 3"),
        ("dry_cutout", "perhaps", "Please answer y or n."),
        ("height", "9", None),
        ("day_target", "95", "not between 20 and 90"),
        ("night_begins", "7 am", "The day begins at 07:30. Each must last 60 minutes or more."),
        ("ceiling", "72", "it must be 74 % or more"),
        ("tank_lasts", "0.1 l/h", None),
        ("tank_lasts", "40 l/h", "is not between"),
        ("most_hours", "0.2", "is not between 0.5 and 24"),
    ],
)
def test_refused(key: str, text: str, words: str | None) -> None:
    if words is None:
        assert understood(key, text)
        return
    with pytest.raises(Nonsense) as nonsense:
        understood(key, text)
    assert words in str(nonsense.value)


def doubt(**answers: Any) -> str:
    return BY_KEY["tank_lasts"].doubt(Answers(**answers))


def test_a_humidifier_far_too_strong_for_a_room_is_doubted() -> None:
    """The threshold is common practice, no source."""
    words = doubt(tank=80.0, tank_lasts=8.0)
    assert words.startswith("80 L in 8 h are 10 L/h: more than a room humidifier gives")
    assert doubt(tank=8.0, tank_lasts=8.0) == ""
    assert doubt(tank=20.0, tank_lasts=10.0, size=(60.0, True)) == ""
    assert doubt(tank=20.5, tank_lasts=10.0, size=(60.0, True)) != ""


def test_a_rise_that_no_probe_could_follow_is_doubted() -> None:
    words = doubt(tank=10.0, tank_lasts=10.0, size=(3.0, True))
    assert words.startswith("10 L in 10 h are 1 L/h. In 3 m³ of air that is up to ")
    assert "room humidifier" not in words


def test_how_fast_mist_raises_humidity() -> None:
    """pws(25 °C) = 3169.7 Pa: ASHRAE HoF 2017 ch.1 Table 3; 461.5 J/(kg K). 1 %: its volume is that of moist
    air at the start, and the total pressure is kept."""
    answers = Answers(tank=5.0, tank_lasts=10.0, size=(20.0, True), day_warmth=25.0, night_warmth=25.0)
    expected = 100.0 * 0.5 / 60.0 * 461.5 * 298.15 / (20.0 * 3169.7)
    assert answers.most_rh_pct_per_min == pytest.approx(expected, rel=0.03)


def test_a_hall_is_refused_where_floor_and_height_make_it() -> None:
    with pytest.raises(Nonsense, match="more than 2000 m³"):
        understood("height", "9", Answers(size=(500.0, False)))


def test_the_ceiling_offered_leaves_room_for_the_targets() -> None:
    assert understood("ceiling", "", Answers(night_target=79.5)) == 84.0
    assert understood("ceiling", "", Answers(night_target=60.0)) == 80.0


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", (PROBE,)), ("2 1", (SECOND, PROBE)), ("1 and 2", (PROBE, SECOND)), ("0", ()), ("none", ())],
)
def test_probes_by_number(text: str, value: Any) -> None:
    assert understood("probe", text, machine=OTHER) == value


@pytest.mark.parametrize("text", ["3", "1 3", "sht4x", "1 1", "-1", "1 2 1", "²"])
def test_probes_that_are_not_there(text: str) -> None:
    with pytest.raises(Nonsense):
        understood("probe", text, machine=OTHER)


@pytest.mark.parametrize(
    ("machine", "text", "value"),
    [
        (PI, "17", Line(0, 17)),
        (PI, "GPIO 22", Line(0, 22)),
        (PI, "none", None),
        (OTHER, "1:7", Line(1, 7)),
        (OTHER, "0 : 31", Line(0, 31)),
        (OTHER, "no", None),
        (OTHER._replace(chips=OTHER.chips[:1]), "0", Line(0, 0)),
    ],
)
def test_pins(machine: Machine, text: str, value: Any) -> None:
    assert understood("relay_pin", text, machine=machine) == value


@pytest.mark.parametrize(
    ("machine", "text", "words"),
    [
        (PI, "28", "no GPIO number from 4 to 27"),
        (PI, "pin 11", "no GPIO number"),
        (PI, "2", "the relay could be on by itself"),
        (OTHER, "17", "chip and line with a colon, like 0:17"),
        (OTHER, "x", "is no line"),
        (OTHER, "5:1", "There is no gpiochip5. There is gpiochip0, gpiochip1."),
        (OTHER, "1:8", "gpiochip1 has the lines 0 to 7."),
    ],
)
def test_pins_that_cannot_be(machine: Machine, text: str, words: str) -> None:
    with pytest.raises(Nonsense) as nonsense:
        understood("relay_pin", text, machine=machine)
    assert words in str(nonsense.value)


def test_a_pi_takes_gpiozero_and_any_other_board_libgpiod() -> None:
    pi = settings_of(Answers(relay_pin=Line(4, 17), probe=(PROBE,)), PI).settings
    assert (pi.relay.kind, pi.relay.pin, pi.relay.chip, pi.relay.active_high) == ("gpiozero", 17, 4, True)
    assert (pi.probe[0].kind, pi.probe[0].at, pi.probe[0].chip) == ("hwmon", "1-0044", "sht4x")
    other = settings_of(Answers(relay_pin=Line(1, 7), switches_on_high=False, probe=(SECOND, PROBE)), OTHER)
    assert (other.settings.relay.kind, other.settings.relay.active_high) == ("libgpiod", False)
    assert [probe.kind for probe in other.settings.probe] == ["iio", "hwmon"]


def test_a_room_is_the_named_one_grown() -> None:
    """The named attic: 50 m³ that lose 90 W for each K. Twice the room loses twice as much."""
    room = settings_of(Answers(building="leaky-attic", size=(100.0, True)), BARE).settings.bench.room
    assert (room.volume_m3, room.air_changes_per_h, room.heat_loss_w_per_k) == (100.0, 0.7, 180.0)
    assert room.heater_w >= 180.0 * 40.0


def test_the_name_of_a_file_makes_the_name_of_the_room() -> None:
    assert slug("My Larch_Room!") == "my-larch-room"
    assert slug("---") == ""


answers_made = st.builds(
    Answers,
    name=st.just("room"),
    time_zone=st.just(""),
    visits=st.just((time(8), time(19))),
    day_begins=st.just(time(7, 30)),
    size=st.tuples(st.floats(1, 500), st.booleans()),
    height=st.floats(1.5, 4),
    building=st.sampled_from(sorted(BUILDINGS)),
    winter=st.sampled_from(sorted(WINTERS)),
    day_target=st.floats(20, 90),
    night_target=st.floats(20, 90),
    night_begins=st.times(min_value=time(8, 30)).map(lambda at: at.replace(second=0, microsecond=0)),
    ceiling=st.floats(20, 95),
    day_warmth=st.floats(5, 45),
    night_warmth=st.floats(5, 45),
    tank=st.floats(0.1, 500),
    tank_lasts=st.floats(0.2, 1000),
    dry_cutout=st.booleans(),
    most_hours=st.floats(0.5, 24),
    probe=st.sampled_from([(), (PROBE,), (SECOND, PROBE)]),
    relay_pin=st.sampled_from([None, Line(0, 17), Line(1, 7)]),
    switches_on_high=st.booleans(),
)


@given(answers_made)
def test_what_the_questions_let_pass_is_valid(answers: Answers) -> None:
    for question in QUESTIONS:
        try:
            question.check(getattr(answers, question.key), answers)
        except Nonsense:
            answers = answers._replace(**{question.key: question.value(answers)})
    settings = settings_of(answers, OTHER).settings
    assert settings.target.band_low_rh_pct < answers.day_target < settings.target.band_high_rh_pct
    highest = max(answers.day_target, answers.night_target)
    assert settings.ceiling.release_rh_pct >= highest
