"""Drafts: what was answered is kept at once, gone on from, and never in the place of anything else."""

from __future__ import annotations

import builtins
import os
from pathlib import Path
from typing import Any

import pytest

from controller.cli import DONE, FAILED, REFUSED
from controller.errors import SettingsError
from controller.first_setup import walk
from controller.first_setup.draft import LARGEST_BYTES, MARK, Draft, as_typed
from controller.first_setup.machine import Machine
from controller.first_setup.questions import QUESTIONS
from controller.settings import Settings
from tests.setup.conftest import BARE, OTHER, PI, Run, Told
from tests.setup.test_walk import Rehearsals

ENTER = "\n" * 40
BRIEFLY = "--no-rehearsal"
HALF = "fern\n\n4 x 3 m\n8 ft\n3\n"
DRAFT = "larch.toml.draft"


def test_who_leaves_at_the_last_question_goes_on_from_there(run: Run, here: Path) -> None:
    code, out, _ = run("larch.toml", BRIEFLY, typed=HALF + "\n" * 13 + "q\n")
    assert code == REFUSED
    assert out.endswith(f"18 answers are kept in {DRAFT}. To go on: hygrohold setup larch.toml\n")
    code, out, _ = run("larch.toml", BRIEFLY, typed="\n\n")
    assert code == DONE
    assert f"{DRAFT}, a draft of 2" in out
    assert "has 18 answers. Go on from it?" in out
    assert out.count(" > ") == 2
    settings = Settings.load("larch.toml", {})
    assert (settings.room.name, settings.bench.room.volume_m3) == ("fern", 29.3)
    assert [path.name for path in here.iterdir()] == ["larch.toml"]


def test_what_is_missing_is_asked_and_the_rest_is_kept(run: Run, here: Path) -> None:
    assert run("larch.toml", BRIEFLY, typed=HALF)[0] == REFUSED
    code, out, _ = run("larch.toml", BRIEFLY, typed="y\n2\n")
    assert code == REFUSED
    assert "Go on from it?" in out
    assert "What is the room called?" not in out
    assert "What is the weather like?" in out
    assert "6 answers are kept" in out
    assert [path.name for path in here.iterdir()] == [DRAFT]
    code, _, _ = run("larch.toml", BRIEFLY, typed=ENTER)
    assert code == DONE
    settings = Settings.load("larch.toml", {})
    assert (settings.room.name, settings.bench.climate) == ("fern", "mild-maritime")


def test_a_draft_is_a_file_of_answers(run: Run, here: Path) -> None:
    run("larch.toml", BRIEFLY, typed=HALF)
    text = (here / DRAFT).read_text(encoding="utf-8")
    assert text.startswith(MARK)
    assert "hygrohold setup larch.toml" in text
    assert 'size = "12 m2"\nheight = "2.44 m"\nbuilding = "3"\n' in text
    assert run("larch.toml", BRIEFLY, "--answers", DRAFT)[0] == DONE
    assert Settings.load("larch.toml", {}).room.name == "fern"
    assert (here / DRAFT).exists(), "a file that the keeper has named is theirs"


def test_ctrl_c_and_a_changed_answer(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter([*[""] * 18, "17", "20"])

    def typed(prompt: str) -> str:
        answer = next(answers, None)
        if answer is None:
            raise KeyboardInterrupt
        return answer

    monkeypatch.setattr(builtins, "input", typed)
    code, out, _ = run("larch.toml", BRIEFLY)
    assert code == REFUSED
    assert "18 answers are kept" in out
    assert 'most_hours = "20 h"' in (here / DRAFT).read_text(encoding="utf-8")


def test_every_answer_is_kept_as_soon_as_it_is_given(here: Path) -> None:
    """A lost connection or a power cut leaves no time for it."""
    kept: list[dict[str, str]] = []
    walk.walk(
        Told(for_ever=True).person, PI, "larch", Rehearsals(), keep=lambda texts: kept.append({**texts})
    )
    assert [len(texts) for texts in kept] == list(range(1, 21))


def test_nothing_answered_leaves_nothing_and_an_earlier_draft_alone(run: Run, here: Path) -> None:
    run("larch.toml", BRIEFLY, typed=HALF)
    before = (here / DRAFT).read_bytes()
    for typed in ("", "y\n"):
        assert run("larch.toml", BRIEFLY, typed=typed)[0] == REFUSED
        assert (here / DRAFT).read_bytes() == before
    assert [path.name for path in here.iterdir()] == [DRAFT]


def test_beginning_anew_leaves_the_earlier_draft_until_the_file_is_written(run: Run, here: Path) -> None:
    run("larch.toml", BRIEFLY, typed=HALF)
    before = (here / DRAFT).read_bytes()
    os.utime(here / DRAFT, (0, 0))
    _, out, _ = run("larch.toml", BRIEFLY, typed="n\nmoss\n")
    assert "1 answer is kept in larch.toml.draft-2." in out
    assert (here / DRAFT).read_bytes() == before
    code, out, _ = run("larch.toml", BRIEFLY, typed=ENTER)
    assert code == DONE
    assert "larch.toml.draft-2, a draft of" in out
    assert "has 1 answer. Go on" in out
    assert Settings.load("larch.toml", {}).room.name == "moss"
    assert [path.name for path in here.iterdir()] == ["larch.toml"]


@pytest.mark.parametrize("text", [b"mine", b"name = 'mine'\n", b"\xff"])
def test_a_file_of_the_keeper_s_is_neither_taken_nor_touched(run: Run, here: Path, text: bytes) -> None:
    (here / DRAFT).write_bytes(text)
    _, out, _ = run("larch.toml", BRIEFLY, typed="fern\n")
    assert "Go on from it?" not in out
    assert "kept in larch.toml.draft-2." in out
    assert run("larch.toml", BRIEFLY, typed=ENTER)[0] == DONE
    assert (here / DRAFT).read_bytes() == text
    assert not (here / "larch.toml.draft-2").exists()


@pytest.mark.parametrize("spoilt", [f"{MARK}\nname", f"{MARK}\n" + "#" * LARGEST_BYTES])
def test_a_draft_that_was_spoilt_is_said_and_left(run: Run, here: Path, spoilt: str) -> None:
    (here / DRAFT).write_text(spoilt)
    _, out, _ = run("larch.toml", BRIEFLY, typed=ENTER)
    assert f"{DRAFT} is left as it is: " in out
    assert (here / DRAFT).read_text() == spoilt


def test_a_draft_without_answers_and_a_folder_are_not_offered(here: Path) -> None:
    (here / DRAFT).write_text(MARK)
    (here / f"{DRAFT}-2").mkdir()
    drafts, remarks = Draft(Path("larch.toml")).found()
    assert (drafts, len(remarks)) == ([], 1)


def test_an_answer_of_a_draft_that_no_longer_fits_is_asked_for(run: Run, here: Path) -> None:
    (here / DRAFT).write_text(f'{MARK}\nname = "fern"\ntank = "big"\nheight = 2.2\nsize = "40 m3"\n')
    code, out, _ = run("larch.toml", BRIEFLY, typed=ENTER)
    assert code == DONE
    assert 'The draft\'s answer does not fit: "big" is not understood' in out
    assert "How much does the humidifier's tank hold" in out
    assert Settings.load("larch.toml", {}).bench.room.volume_m3 == 40.0


def test_an_answer_that_is_missing_early_does_not_lose_the_later_ones(run: Run, here: Path) -> None:
    (here / DRAFT).write_text(f'{MARK}\nname = "fern"\ntank = 6\n')
    run("larch.toml", BRIEFLY, typed="y\n\n")
    text = (here / DRAFT).read_text(encoding="utf-8")
    assert 'name = "fern"\ntime_zone = "Europe/Vienna"\ntank = "6"\n' in text


def test_a_disk_that_is_full_stops_no_question(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("controller.first_setup.draft.write_whole", full)
    code, out, _ = run("larch.toml", BRIEFLY, typed=HALF)
    assert code == REFUSED
    assert f"could not be kept: {DRAFT} cannot be written: No space left on device." in out
    assert run("larch.toml", BRIEFLY, typed=ENTER)[0] == DONE


def test_what_goes_wrong_at_the_end_keeps_the_answers(
    run: Run, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> None:
        raise SettingsError("no weather")

    monkeypatch.setattr("controller.cli.setup_bench._sizing", broken)
    code, out, err = run("larch.toml", BRIEFLY, typed=ENTER)
    assert code not in (DONE, REFUSED, FAILED)
    assert "18 answers are kept" in out
    assert "no weather" in err


def test_ctrl_c_with_a_file_of_answers(run: Run, here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: Any) -> None:
        raise KeyboardInterrupt

    (here / "a.toml").write_text("tank = 5")
    monkeypatch.setattr("controller.cli.setup_bench._sizing", stopped)
    code, out, _ = run("larch.toml", BRIEFLY, "--answers", "a.toml")
    assert code == REFUSED
    assert out.endswith("Nothing was written.\n")


@pytest.mark.parametrize("machine", [BARE, PI, OTHER, Machine()])
def test_the_probe_alone_is_asked_again(machine: Machine, here: Path) -> None:
    """It is answered by its number in a list, which may be another one on another day."""
    draft = Draft(here / "larch.toml")
    first = walk.walk(Told(for_ever=True).person, machine, "larch", Rehearsals(), keep=draft.keep)
    (found,), _ = draft.found()
    told = Told(for_ever=True)
    again = walk.walk(told.person, machine, "larch", Rehearsals(), found.answers, draft.keep)
    assert first == again
    assert told.heard.count(" > ") == 1 + bool(machine.probes)
    assert "probe" not in found.answers
    left_out = {question.key for question in QUESTIONS} - set(found.answers)
    assert left_out <= {"probe", "relay_pin", "switches_on_high"}


def test_the_pin_is_kept(here: Path) -> None:
    answers = iter([*[""] * 19, "17", "n"])
    told = Told(answers, for_ever=True)
    draft = Draft(here / "larch.toml")
    walk.walk(told.person, PI, "larch", Rehearsals(), keep=draft.keep)
    (found,), _ = draft.found()
    assert (found.answers["relay_pin"], found.answers["switches_on_high"]) == ("17", "n")


def test_only_the_probe_answered_is_nothing(here: Path) -> None:
    draft = Draft(here / "larch.toml")
    draft.keep({"probe": "1"})
    assert draft.left() == "Nothing was written."
    assert list(here.iterdir()) == []


def test_as_typed() -> None:
    assert as_typed([True, 5, 2.5]) == "y 5 2.5"
