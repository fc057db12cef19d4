"""The command: what it refuses, the rehearsal, a look at the record, and the real site over a spool."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller import status
from controller.cli import DONE, FAILED, REFUSED, WRONG, main
from controller.core.records import Answer, Instant, Request
from controller.errors import HygroholdError
from controller.history.store import SqliteHistory
from controller.settings import Settings
from controller.spool import Spool
from controller.step_test import real
from controller.step_test.real import RealSite
from controller.step_test.rehearsed import RehearsedSite
from controller.wiring import places
from tests.step_test.known import START_S, minutes, noisy, on, rows

MIST = ((30, 52),)
COUNT = 75


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in list(os.environ):
        if name.startswith(("HYGROHOLD", "STATE_DIR", "RUNTIME_DIR")):
            monkeypatch.delenv(name)
    path = tmp_path / "room.toml"
    path.write_text(
        f'settings_version = 1\n[room]\nstate_dir = "{tmp_path / "state"}"\ntimezone = "UTC"\nunits = "us"\n'
        "[loop]\ntick_s = 30\n"
    )
    return path


@pytest.fixture
def said(room: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    def command(*words: str) -> tuple[int, str]:
        code = main(["step-test", *words, "--settings", str(room)])
        out, err = capsys.readouterr()
        return code, out + err

    return command


Said = Callable[..., tuple[int, str]]
Typed = Callable[[str], None]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--for", "5min"), "from 15min to 40min"),
        (("--last", "--for", "20min"), "ask for none"),
        (("--look", "23:00", "2099-01-01"), "--look: 2099-01-01"),
        (("--look", "2026-01-14", "2026-01-13"), "is not before"),
        (("--rehearse", "--picture", "step.txt"), "a picture ends in"),
        (("--picture", "nowhere/step.png"), "no folder"),
    ],
)
def test_what_does_not_fit_is_refused(said: Said, words: tuple[str, ...], told: str) -> None:
    code, text = said(*words)
    assert code == WRONG
    assert told in text


def test_settings_that_allow_too_little_mist_are_refused(room: Path, said: Said) -> None:
    room.write_text(room.read_text() + "[keeper]\nhumidify_minutes = 5\nlongest_humidify_minutes = 10\n")
    code, text = said("--rehearse")
    assert code == WRONG
    assert "no more than 10 min in one go" in text


def test_without_the_program_nothing_is_asked(said: Said, typed: Typed) -> None:
    typed("y\n")
    code, text = said()
    assert code == FAILED
    assert "not running" in text
    assert "--rehearse" in text


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    def site(settings: Settings) -> RehearsedSite:
        return RehearsedSite(settings, before_s=1800.0)

    monkeypatch.setattr("controller.step_test.rehearsed.RehearsedSite", site)


@pytest.mark.usefixtures("short")
def test_a_rehearsal_ends_with_lines_to_paste(said: Said, typed: Typed, tmp_path: Path) -> None:
    typed("y\n")
    code, text = said("--rehearse", "--for", "20min")
    assert code == DONE, text
    assert text.startswith("SIMULATED")
    assert "integral_minutes = " in text
    assert not (tmp_path / "state").exists(), "nothing is kept"


@pytest.mark.usefixtures("short")
@pytest.mark.parametrize(("answers", "told"), [("n\n", "Nothing was begun"), ("", "Ended: there was")])
def test_who_does_not_say_yes_begins_nothing(said: Said, typed: Typed, answers: str, told: str) -> None:
    typed(answers)
    code, text = said("--rehearse")
    assert code == REFUSED
    assert told in text


@pytest.mark.usefixtures("short")
def test_a_doubted_probe_is_said_before_anything_is_asked(room: Path, said: Said, typed: Typed) -> None:
    room.write_text(room.read_text() + '[[bench.fault]]\nkind = "probe-silent"\nstarts_h = 0.2\n')
    typed("y\n")
    code, text = said("--rehearse")
    assert code == REFUSED
    assert "No step test: no probe is believed" in text


def recorded(room: Path, moisture: list[float]) -> None:
    where = places(Settings.load(room, {}))
    where.state.mkdir(parents=True)
    history = SqliteHistory.open(where.history)
    for row in rows(moisture, on(COUNT, MIST)):
        history.sample(row)
    at = datetime.fromtimestamp(START_S + 30 * 60.0, UTC)
    history.note(Instant(0.0, at, True), Answer(Request("humidify_now", for_s=1320.0), True, "asked"))
    history.close()


QUIET = noisy(minutes(COUNT, MIST, 25.0, 1500.0, 100.0), 0.08)


def test_a_look_at_the_record_asks_for_nothing(room: Path, said: Said) -> None:
    recorded(room, QUIET)
    code, text = said("--last")
    assert code == DONE
    assert "Nothing is asked" in text
    begins, ends = (datetime.fromtimestamp(START_S + 60.0 * at, UTC) for at in (0, 74))
    code, same = said("--look", f"{begins:%Y-%m-%dT%H:%M:%S}", f"{ends:%Y-%m-%dT%H:%M:%S}")
    assert code == DONE
    assert text.splitlines() == same.splitlines()


def test_a_look_that_does_not_tell_says_so_and_draws_what_there_is(
    room: Path, said: Said, tmp_path: Path
) -> None:
    recorded(room, [v - 5.0 * (minute > 40) for minute, v in enumerate(QUIET)])
    code, text = said("--last", "--picture", str(tmp_path / "door.png"))
    assert code == REFUSED
    assert "This test does not tell the gains: the air jumped" in text
    assert (tmp_path / "door.png").read_bytes().startswith(b"\x89PNG")
    code, text = said("--look", "2025-01-01T10:00", "2025-01-01T11:00", "--picture", str(tmp_path / "no.png"))
    assert code == REFUSED
    assert "has 0 minutes" in text
    assert "No picture" in text


def test_nobody_has_asked_yet(room: Path, said: Said) -> None:
    where = places(Settings.load(room, {}))
    where.state.mkdir(parents=True)
    SqliteHistory.open(where.history).close()
    code, text = said("--last")
    assert code == FAILED
    assert "nobody has asked for mist yet" in text


class Answering(Spool):
    """Answers as soon as it is asked."""

    def leave(self, request: Request, now: datetime) -> str:
        identity = super().leave(request, now)
        self.answer([Answer(request._replace(id=identity), True, "heard at 20.0 °C")])
        return identity


def test_the_real_site_asks_looks_and_reads(room: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    where = places(Settings.load(room, {}))
    recorded(room, QUIET)
    monkeypatch.setattr(real, "Spool", Answering)
    site = RealSite(where, UTC, 10.0, "us")
    assert site.ask(Request("humidify_now", for_s=60.0)) == (True, "heard at 68.0 °F")
    assert len(site.minutes(START_S, START_S + 600.0)) == 10
    plain = {
        "sentence": "Off: below 16.0 °C.", "reasons": ["too_cold"], "rh_pct": 50.0, "temp_c": 15.0,
        "relay_on": False,
    }  # fmt: skip
    monkeypatch.setattr(real, "read_status", lambda path: plain)
    monkeypatch.setattr(real, "runs", lambda found, now, state: True)
    look = site.look()
    assert (look.rh_pct, look.on, look.reasons) == (50.0, False, ("too_cold",))
    assert "°F" in look.sentence
    monkeypatch.setattr(real, "read_status", status.read_status)
    monkeypatch.setattr(real, "runs", status.runs)
    with pytest.raises(HygroholdError, match="not running"):
        site.look()


def test_a_program_that_does_not_answer_is_said(room: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(real, "LONGEST_S", -1.0)
    site = RealSite(places(Settings.load(room, {})), UTC, 0.0)
    with pytest.raises(HygroholdError, match="does not answer"):
        site.ask(Request("pause", for_s=60.0))
