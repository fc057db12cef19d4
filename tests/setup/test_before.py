"""Setup on a file that is there: its values in the brackets, and nothing lost that no answer changed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.first_setup import walk
from controller.first_setup.answers import Line
from controller.first_setup.before import NOT_HERE, Before, Clash
from controller.first_setup.machine import Machine
from controller.settings import Settings
from controller.settings.lines import Place
from tests.setup.any_settings import any_settings
from tests.setup.conftest import BARE, OTHER, PI, PROBE, Told


def before(text: str = "", **tables: Any) -> Before:
    return Before("larch.toml", Settings(**tables), text)


def walked(file: Before, *answers: str, on: Machine = BARE) -> tuple[Settings | None, str]:
    told = Told(answers, for_ever=True)
    made = walk.walk(told.person, on, "larch", lambda settings: (), before=file)
    return (made.settings if made else None), told.heard


@settings(max_examples=60)
@given(any_settings(), st.sampled_from([BARE, PI, OTHER]))
def test_the_files_own_answers_make_the_file(
    made: tuple[Settings, frozenset[Place]], machine: Machine
) -> None:
    file = Before("larch.toml", made[0], "")
    here = file.on(machine)
    again = file.made(file.answers(here), here)
    assert again.settings == made[0]
    assert file.changes(again.settings) == []


def test_a_probe_that_is_not_here_now_stays_with_its_correction() -> None:
    entry = {"kind": "iio", "at": "1-0041", "chip": "hdc3020", "rh_offset_pct": -1.5}
    file = before(probe=[entry])
    for machine in (BARE, PI):
        kept, heard = walked(file, on=machine)
        assert kept is not None
        assert kept.probe[0].rh_offset_pct == -1.5
        assert NOT_HERE in heard
    here = file.on(PI)
    both = file.answers(here)._replace(probe=(PROBE, here.probes[-1]))
    assert [probe.rh_offset_pct for probe in file.made(both, here).settings.probe] == [0.0, -1.5]


def test_a_pin_stays_where_no_chip_is_found() -> None:
    file = before(relay={"kind": "libgpiod", "pin": 5, "chip": 1, "rated_operations": 100000})
    assert file.answers(BARE).relay_pin == Line(1, 5)
    kept, heard = walked(file)
    assert kept == file.settings
    assert "Not asked on this machine; it stays as in the file: line 5 of gpiochip1." in heard


def test_a_changed_output_is_not_said_twice() -> None:
    file = before(tank={"tank_l": 4, "output_l_per_h": 0.25})
    answers = file.answers(BARE)
    assert answers.tank_lasts == 16.0
    made = file.made(answers._replace(tank=8.0), BARE).settings
    assert (made.tank.tank_l, made.tank.output_l_per_h, made.tank.rate_l_per_h) == (8.0, None, 0.5)


def test_what_does_not_go_with_the_file_is_not_written() -> None:
    file = before(guards={"lowest_temp_c": 20}, ceiling={"highest_rh_pct": 90, "probe_accuracy_rh_pct": 9})
    clash = file.answers(BARE)._replace(day_target=80.0, ceiling=86.0)
    with pytest.raises(Clash, match="ceiling"):
        file.made(clash, BARE)
    typed = ["", "", "", "", "", "", "", "80", "", "", "", "86", *[""] * 5]
    made, heard = walked(file, *typed, "")
    assert made is None
    assert "do not go together with what else stands in the file" in heard
    made, heard = walked(file, *typed, "9", "70", "q")
    assert made is None
    assert "Of larch.toml this changes:" in heard
    assert "ceiling.highest_rh_pct = 90 -> 86" in heard


def test_a_band_set_by_hand_stays_until_it_does_not_go_with_the_target() -> None:
    file = before(target={"band_low_rh_pct": 58, "band_high_rh_pct": 75})
    answers = file.answers(BARE)
    target = file.made(answers._replace(day_target=68.0), BARE).settings.target
    assert (target.band_low_rh_pct, target.band_high_rh_pct) == (58.0, 75.0)
    target = file.made(answers._replace(day_target=76.0), BARE).settings.target
    assert (target.band_low_rh_pct, target.band_high_rh_pct) == (65.0, 78.0)


def test_back_comes_to_the_question_before_and_the_first_has_none() -> None:
    typed = [*[""] * 7, "70", "75", "", "", "78", "back", "back", "back", "71", "", "", ""]
    settings, heard = walked(before(), *typed)
    assert settings is not None
    assert (settings.target.day_rh_pct, settings.target.night_rh_pct) == (70.0, 71.0)
    assert "With 78 %, no target may be above 74 %: write back to come to the targets again." in " ".join(
        heard.split()
    )
    first, _ = walked(before(), "back")
    assert first is not None
    assert first.room.name == "back"
