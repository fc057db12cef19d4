"""Scenarios: each gives the verdict it says, no two the same; a mistake is answered with its line."""

from __future__ import annotations

import json
import os
import re
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.cli import DONE, WRONG, main
from controller.errors import SettingsError
from controller.settings.scenario import Scenario, names, path_of
from controller.simulator.faults import KINDS, BenchFault, read_short
from controller.verdict import judge
from controller.wiring import make_rehearsal

HEAD = 'settings_version = 1\nabout = "x"\n'


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("HYGROHOLD"):
            monkeypatch.delenv(name)


def load(path: Path) -> Scenario:
    return Scenario.load(path, {})


def test_there_are_at_least_twelve() -> None:
    assert len(names()) >= 12


@pytest.mark.parametrize("name", names())
def test_a_scenario_says_what_it_is_about_and_fixes_its_days(name: str) -> None:
    scenario = load(path_of(name))
    assert 20 <= len(scenario.about) <= 110
    assert scenario.expect.endswith(".")
    bench = tomllib.loads(path_of(name).read_text(encoding="utf-8"))["bench"]
    assert {"seed", "starts", "climate", "days"} <= set(bench)


def test_no_two_expect_the_same() -> None:
    expected = [load(path_of(name)).expect for name in names()]
    assert len(set(expected)) == len(expected)


LONG = {
    "power-cuts",
    "hourly-restarts",
    "probe-frozen",
    "sleeping-evaporator",
    "probe-that-jumps",
    "leaking-tank",
    "humidifier-breaks",
    "humidifier-too-strong",
    "one-of-two-probes-dies",
    "scale-over-months",
    "soaked-substrate",
    "winter-room",
    "forgetful-keeper",
    "probe-that-drifts",
    "humid-summer",
    "cellar-with-cold-wall",
    "door-left-open",
    "humidifier-too-small",
    "heating-fails-in-frost",
    "attic-against-the-cap",
}


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.slow if name in LONG else ()) for name in names()],
)
def test_a_scenario_gives_its_verdict(name: str) -> None:
    scenario = load(path_of(name))
    rehearsal = make_rehearsal(scenario, trace=False)
    rehearsal.run()
    assert judge(rehearsal.witness.summary()).text == scenario.expect
    assert rehearsal.history.trouble() == ""


# --- mistakes ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[bench.fault]]\nkind = 'probe-silnt'", (":4:", "probe-silent", "relay-welded")),
        ("[[bench.fault]]\nstarts_h = -1", (":4:", "starts_h", "0 to 90000")),
        ("[[bench.fault]]\nstarts_h = '3'", (":4:", "starts_h", "number")),
        ("[[bench.fault]]\nwhen = 3", (":4:", "when")),
        ("[[bench.fault]]\nkind = 'probe-nan'\nstarts_h = 2\nsize = 3", (":3:", "probe-nan has no size")),
        ("[[bench.fault]]\nkind = 'door-open'\nstarts_h = 2\nsize = 99", (":3:", "from 0 to 60")),
        ("[[bench.fault]]\nprobe = 3", (":4:", "1 to 2")),
        ("[[bench.fault]]\nkind = 'probe-nan'\nstarts_h = 2\nprobe = 2", (":3:", "only one [[probe]]")),
        ("[[bench.fault]]\nstarts_h = 3", (":3:", "kind", "missing")),
        ("[[bench.fault]]\nkind = 'probe-nan'\nstarts_h = 999", ("begins after 999 h",)),
        ("[[bench.fault]]\nkind = 'restarts'\nstarts_h = 1\nsize = 0.001", ("every minute",)),
        ("abuot = 'x'", (":3:", "abuot", "about")),
        ("expect = 3", (":3:", "expect", "text")),
        ("[bench]\ndays = 0", (":4:", "bench.days")),
        ("[bench", (":3:", "TOML")),
    ],
)
def test_a_mistake_in_a_scenario_file_names_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, told: tuple[str, ...]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + text + "\n")
    assert main(["bench", "--scenario", str(path)]) == WRONG
    out, err = capsys.readouterr()
    assert out == ""
    assert str(path) in err
    for words in told:
        assert words in err


def test_a_scenario_needs_its_version(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('about = "x"\n')
    with pytest.raises(SettingsError, match="settings_version"):
        load(path)


def test_a_settings_file_has_no_about(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "room.toml"
    path.write_text(HEAD)
    assert main(["bench", "--settings", str(path)]) == WRONG
    assert f"{path}:2" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--scenario", "winter-rom"), ("--scenario", "winter-room")),
        (("--scenario", "gone.toml"), ("gone.toml", "no such")),
        (("--scenario", "winter-room", "--settings", "x.toml"), ("--scenario", "--settings")),
        (("--fault", "probe-silent"), ("--fault", "KIND@HOURS")),
        (("--fault", "probe-silent@-3"), ("--fault", "KIND@HOURS")),
        (("--fault", "probe-silent@1..3"), ("--fault", "1..3", "not a number")),
        (("--fault", "nothing@3"), ("--fault nothing@3", "probe-silent", "door-open")),
        (("--fault", "door-open@3=61"), ("--fault door-open@3=61", "0 to 60")),
        (("--fault", "door-open@3+999999"), ("--fault door-open@3+999999", "0 to 90000")),
        (("--fault", "probe-nan@3=1"), ("probe-nan has no size",)),
        (("--fault", "door-open@3=-"), ("--fault", "not a number")),
    ],
)
def test_a_mistake_in_an_option_names_it(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], told: tuple[str, ...]
) -> None:
    assert main(["bench", *options]) == WRONG
    out, err = capsys.readouterr()
    assert out == ""
    assert "environment" not in err
    for words in told:
        assert words in err


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=30) | st.from_regex(r"[a-z-]{1,20}@[0-9.]{1,6}(\+[0-9.]{1,6})?(=[-0-9.]{1,6})?"))
def test_any_text_for_a_fault_is_a_table_or_words(text: str) -> None:
    words, plain = "", {}
    try:
        plain = read_short(text)
    except ValueError as error:
        words = str(error)
    assert ("KIND@HOURS" in words) != ("kind" in plain)
    assert set(plain) <= {"kind", "starts_h", "lasts_h", "size"}


def test_a_kind_alone_is_told_what_it_lacks() -> None:
    with pytest.raises(ValueError, match="probe-silent lacks the hour at which it begins") as raised:
        read_short("probe-silent")
    assert "is not a fault" not in str(raised.value)


@given(
    st.sampled_from(list(KINDS)),
    st.floats(0, 1000).map(lambda x: round(x, 3)),
    st.none() | st.floats(0, 100).map(lambda x: round(x, 3)),
)
def test_what_is_written_is_what_is_read(kind: str, starts_h: float, lasts_h: float | None) -> None:
    text = f"{kind}@{starts_h:.3f}" + ("" if lasts_h is None else f"+{lasts_h:.3f}")
    assert BenchFault(**read_short(text)) == BenchFault(
        kind=kind, starts_h=starts_h, **({} if lasts_h is None else {"lasts_h": lasts_h})
    )


VALUES = ["nan", "1e999", "true", '"50"', "0", "-1", "1e9", "[]", "{}", '"x"', "[[1]]", '"probe-nan"', "24.0"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("scenarios")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(list(BenchFault.model_fields)), st.sampled_from(VALUES)), max_size=4)
)
def test_odd_faults_in_a_file_are_answered_in_words(folder: Path, pairs: list[tuple[str, str]]) -> None:
    path = folder / "mine.toml"
    path.write_text(HEAD + "[[bench.fault]]\n" + "\n".join(f"{key} = {value}" for key, value in pairs))
    words = f"{path}: accepted"
    try:
        load(path)
    except SettingsError as error:
        words = str(error)
    assert f"{path}:" in words
    assert "pydantic" not in words
    assert "as described" not in words


# --- the command ---------------------------------------------------------------------------------


def test_the_list_names_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--list"]) == DONE
    out = capsys.readouterr().out
    for name in names():
        assert f"{name} " in out
        assert load(path_of(name)).about in out
    for name in KINDS:
        assert f"{name} " in out
    assert max(map(len, out.splitlines())) <= 130


def test_the_verdict_is_the_last_line_and_an_unmet_expectation_stands_before_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + 'expect = "Something else."\n[bench]\ndays = 0.2\n[loop]\ntick_s = 30\n')
    assert main(["bench", "--scenario", str(path)]) == DONE
    *_, before, last = capsys.readouterr().out.splitlines()
    assert before == "Expected: Something else."
    assert last.startswith("Verdict: ")


def test_a_room_that_began_dry_and_held_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + "[bench]\ndays = 3\n[bench.room]\nstart_rh_pct = 40\n[loop]\ntick_s = 60\n")
    assert main(["bench", "--scenario", str(path)]) == DONE
    *_, before, last = capsys.readouterr().out.splitlines()
    assert last == "Verdict: Held."
    assert re.fullmatch(
        r"It began dry: the mist took \d+ (min|h \d+ min) to bring it into the band, which counts as no "
        r"trouble\.",
        before,
    )
    path.write_text(HEAD + "[bench]\ndays = 1\n[bench.room]\nstart_rh_pct = 68\n[loop]\ntick_s = 60\n")
    assert main(["bench", "--scenario", str(path)]) == DONE
    assert "began dry" not in capsys.readouterr().out


def test_faults_of_the_option_come_on_top_of_the_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    fault = '[[bench.fault]]\nkind = "restarts"\nstarts_h = 1\nlasts_h = 2\n'
    path.write_text(HEAD + "[bench]\ndays = 0.3\n[loop]\ntick_s = 30\n" + fault)
    options = ["--scenario", str(path), "--json", "--fault", "power-cut@4+1"]
    assert main(["bench", *options]) == DONE
    found = json.loads(capsys.readouterr().out)
    assert (found["starts"], found["boots"]) == (1 + 2 + 1, 2)
    assert "power_cuts" in found["verdict_codes"]


class Terminal:
    """Standard error as a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return True


def test_progress_is_wiped_although_hours_without_power_are_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr("controller.cli.progress.QUIET_S", 0.0)
    monkeypatch.setattr(sys, "stderr", terminal)
    assert main(["bench", "--days", "0.2", "--fault", "power-cut@3+1"]) == DONE
    assert "70 %" in terminal.text
    assert terminal.text.split("\r")[-1].strip() == ""


def test_a_scenario_given_as_settings_is_told_from_a_mistake(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("settings_version = 1\nabout = 'a'\nexpect = 'b'\n")
    assert main(["bench", "--settings", str(path)]) == 2
    assert "--scenario FILE" in capsys.readouterr().err
