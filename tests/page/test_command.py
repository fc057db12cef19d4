"""The command: what it refuses before it serves anything, and the keys that it sets."""

from __future__ import annotations

import io
import stat
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.cli import page as command
from controller.page import keys, serve

GOOD = "four words do not belong"


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HYGROHOLD_SETTINGS", "STATE_DIRECTORY", "RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "xdg"))
    monkeypatch.setattr("controller.service.folders.SETTINGS", tmp_path / "etc")
    real = keys.scrypt
    monkeypatch.setattr(keys, "scrypt", lambda password, salt: real(password, salt, 16, 1, 1))


def room(folder: Path, name: str = "larch") -> str:
    path = folder / f"{name}.toml"
    path.write_text(f'settings_version = 1\n[room]\nname = "{name}"\nstate_dir = "{folder}"\n')
    return str(path)


def served(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What would be served, in place of serving it."""
    found: list[Any] = []

    def run(app: Any, sock: Any, say: Any) -> None:
        found.append(sock.getsockname()[0])
        say("http://x/")
        sock.close()

    monkeypatch.setattr(serve, "run", run)
    return found


def test_one_room_and_several(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    found = served(monkeypatch)
    one, two = room(tmp_path), room(tmp_path, "attic")
    assert main(["page", "--settings", one, "--settings", two, "--port", "0"]) == 0
    assert capsys.readouterr().out == "The page of larch, attic: http://x/\n"
    monkeypatch.setenv("HYGROHOLD_SETTINGS", one)
    assert main(["page", "--port", "0"]) == 0
    monkeypatch.delenv("HYGROHOLD_SETTINGS")
    (tmp_path / "etc").mkdir()
    room(tmp_path / "etc", "cellar")
    assert main(["page", "--port", "0"]) == 0
    assert "The page of cellar" in capsys.readouterr().out
    assert found == ["127.0.0.1"] * 3


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ([], 2, "which room?"),
        (["--settings", "ROOM", "--settings", "ROOM"], 2, "a room larch is there already"),
        (["--settings", "/nowhere.toml"], 2, "/nowhere.toml"),
        (
            ["--settings", "ROOM", "--listen", "0.0.0.0"],
            3,
            "others can reach 0.0.0.0, and no password is set",
        ),
        (["--settings", "ROOM", "--name", "larch.example"], 3, "a proxy lets others in"),
        (["--settings", "ROOM", "--https"], 3, "a proxy lets others in"),
        (["--settings", "ROOM", "--port", "http"], 2, "is not a port"),
        (["--settings", "ROOM", "--port", "99999"], 2, "is not a port"),
        (["--drop-token", "x"], 2, "no token 'x'"),
        (["--add-token", "a b"], 2, "no name of a token"),
    ],
)
def test_what_is_refused(tmp_path: Path, words: list[str], code: int, told: str, capsys: Any) -> None:
    file = room(tmp_path)
    try:
        found = main(["page", *(file if word == "ROOM" else word for word in words)])
    except SystemExit as end:
        found = end.code  # type: ignore[assignment]
    assert found == code
    assert told in capsys.readouterr().err


def test_others_are_let_in_once_a_password_is_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    found = served(monkeypatch)
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{GOOD}\n"))
    assert main(["page", "--set-password"]) == 0
    path = tmp_path / "xdg" / "hygrohold" / "page-keys.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert str(path) in capsys.readouterr().out
    assert main(["page", "--settings", room(tmp_path), "--listen", "0.0.0.0", "--port", "0"]) == 0
    assert found == ["0.0.0.0"]
    assert "Without TLS whoever shares the network can read the password" in capsys.readouterr().out
    assert (
        main(["page", "--settings", room(tmp_path), "--https", "--name", "larch.example", "--port", "0"]) == 0
    )
    assert "Without TLS" not in capsys.readouterr().out


def test_a_password_is_typed_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    typed = [GOOD, "another one of these", GOOD, GOOD]
    monkeypatch.setattr(sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})())
    monkeypatch.setattr(command.getpass, "getpass", lambda prompt: typed.pop(0))
    file = tmp_path / "own" / "keys.json"
    assert main(["page", "--set-password", "--keys", str(file)]) == 2
    assert "not the same" in capsys.readouterr().err
    assert main(["page", "--set-password", "--keys", str(file)]) == 0
    assert keys.is_password(keys.load(file), GOOD)  # type: ignore[arg-type]


def test_a_token_is_shown_once_and_taken_away(tmp_path: Path, capsys: Any) -> None:
    file = tmp_path / "keys.json"
    assert main(["page", "--add-token", "screen", "--keys", str(file)]) == 0
    token = capsys.readouterr().out.partition("once: ")[2].split()[0]
    assert keys.is_token(keys.load(file), token)  # type: ignore[arg-type]
    assert main(["page", "--drop-token", "screen", "--keys", str(file)]) == 0
    assert keys.load(file).tokens == ()  # type: ignore[union-attr]


def test_without_its_libraries_it_says_how_to_get_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    monkeypatch.setitem(sys.modules, "controller.page.serve", None)
    monkeypatch.delattr("controller.page.serve")
    assert main(["page", "--settings", room(tmp_path)]) == 1
    assert "pip install '.[page]'" in capsys.readouterr().err


def test_a_room_of_the_service_that_cannot_be_read_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    served(monkeypatch)
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "attic.toml").write_text("spoilt")
    assert main(["page", "--port", "0"]) == 2
    assert "no room of the service can be shown" in capsys.readouterr().err
    room(tmp_path / "etc", "cellar")
    assert main(["page", "--port", "0"]) == 0
    out, err = capsys.readouterr()
    assert "The page of cellar:" in out
    assert "attic.toml is left out" in err
