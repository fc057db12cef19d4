"""Every command explains itself, and the exit codes are those that are documented."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from controller import __version__, cli
from controller.cli import COMMANDS, DONE, FAILED, NOT_RUNNING, REFUSED, WRONG, main, parser
from controller.errors import HygroholdError, SettingsError
from tests.cli.conftest import Run

README = Path(__file__).parents[2] / "README.md"


def test_the_codes_are_the_documented_ones(run: Run) -> None:
    assert (DONE, FAILED, WRONG, REFUSED, NOT_RUNNING) == (0, 1, 2, 3, 4)
    code, out, _ = run("--help")
    assert code == DONE
    for words in ("0 done", "1 failed", "2 wrong usage", "3 asked but refused", "4 status"):
        assert words in out
    assert cli.__doc__ is not None
    for number in range(5):
        assert re.search(rf"^    {number}  ", cli.__doc__, re.MULTILINE)


def test_the_help_names_every_command_and_an_example(run: Run) -> None:
    _, out, _ = run("--help")
    for name in COMMANDS:
        assert re.search(rf"^ +{name}( |$)", out, re.MULTILINE), name
    assert "example: hygrohold " in out


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example_that_parses(
    run: Run, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "500")
    code, out, err = run(name, "--help")
    assert (code, err) == (DONE, "")
    found = re.search(r"^example: hygrohold (.*)$", out, re.MULTILINE)
    assert found
    words = shlex.split(found[1].split(">")[0])
    assert words[0] == name
    args = parser().parse_args(words)
    assert callable(args.run)
    assert ("--settings" in out) == (name != "heard")  # what is heard is of other boards
    # Every option says what it does.
    for words in re.findall(r"^  (-.*(?:\n {10,}.*)*)", out, re.MULTILINE):
        assert re.search(r"\S(  +|\n +)\S", words), words


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_is_in_the_readme(name: str) -> None:
    assert f"hygrohold {name}" in README.read_text(encoding="utf-8")


def test_the_version(run: Run) -> None:
    assert run("--version")[:2] == (DONE, f"hygrohold {__version__}\n")


@pytest.mark.parametrize(
    "arguments", [(), ("nonsense",), ("--nonsense",), ("bench", "--nonsense"), ("note",)]
)
def test_wrong_usage_is_2_and_says_what_there_is(run: Run, arguments: tuple[str, ...]) -> None:
    code, out, err = run(*arguments)
    assert (code, out) == (WRONG, "")
    assert err.startswith("usage: hygrohold")


@pytest.mark.parametrize(
    ("error", "code", "told"),
    [
        (SettingsError("room.toml:3: no"), WRONG, "hygrohold: room.toml:3: no\n"),
        (HygroholdError("the relay is gone"), FAILED, "hygrohold: the relay is gone\n"),
        (KeyboardInterrupt(), FAILED, ""),
        (BrokenPipeError(), DONE, ""),
    ],
)
def test_what_goes_wrong_becomes_a_code(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    code: int,
    told: str,
) -> None:
    from controller.cli import status

    def bang(_: object) -> int:
        raise error

    monkeypatch.setattr(status, "run", bang)
    assert main(["status"]) == code
    assert capsys.readouterr().err == told


@pytest.mark.parametrize(
    "name", [name for name in COMMANDS if name not in ("note", "setup", "wall", "heard")]
)
def test_a_settings_file_with_a_mistake_is_named_with_its_line(run: Run, tmp_path: Path, name: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_text("settings_version = 1\n\n[loop]\ntick_s = 0.1\n")
    more = {
        "raise": "5",
        "bypass": "off",
        "service": "print",
        "tell": "hello",
        "calibrate": "show",
        "publish": "--metrics=localhost:1",
    }
    more |= dict.fromkeys(("backup", "restore"), "room.zip")
    words = (name, more[name]) if name in more else (name,)
    code, out, err = run(*words, "--settings", str(path))
    assert (code, out) == (WRONG, "")
    assert f"{path}:4" in err
    assert "loop.tick_s" in err
    assert "1 to 300" in err


@pytest.mark.parametrize("name", ["bench", "check", "run", "status"])
def test_a_settings_file_that_is_not_there(run: Run, tmp_path: Path, name: str) -> None:
    code, out, err = run(name, "--settings", str(tmp_path / "none.toml"))
    assert (code, out) == (WRONG, "")
    assert str(tmp_path / "none.toml") in err


def test_the_settings_file_may_come_from_the_environment(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HYGROHOLD_SETTINGS", str(tmp_path / "none.toml"))
    code, _, err = run("status")
    assert code == WRONG
    assert "none.toml" in err


def test_a_setting_from_the_environment_with_a_mistake_is_named(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HYGROHOLD_LOOP__TICK_S", "soon")
    code, _, err = run("check")
    assert code == WRONG
    assert "HYGROHOLD_LOOP__TICK_S" in err
