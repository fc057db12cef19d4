"""`hygrohold tell`, and what `hygrohold check` says of [notify]."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.cli import DONE, FAILED, REFUSED, main
from tests.notifier.conftest import Web
from tests.notifier.helpers import SECRET

pytestmark = pytest.mark.process


@pytest.fixture(autouse=True)
def _nowhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("HYGROHOLD_SETTINGS", raising=False)


def settings(folder: Path, *lines: str) -> str:
    path = folder / "larch.toml"
    text = "\n".join(["settings_version = 1", "[room]", 'name = "larch"', "[notify]", *lines])
    path.write_text(text + "\n", encoding="utf-8")
    path.chmod(0o644)
    return str(path)


def test_everybody_is_told_and_each_answer_is_said(
    tmp_path: Path, web: Web, capsys: pytest.CaptureFixture[str]
) -> None:
    got = tmp_path / "got"
    file = settings(
        tmp_path, f'command = ["sh", "-c", "cat > {got}"]', f'second_webhook_url = "http://{web.host}/{SECRET}"',
        f'heartbeat_url = "http://{web.host}/beat"',
    )  # fmt: skip
    assert main(["tell", "Does this arrive?", "--settings", file]) == DONE
    assert capsys.readouterr().out.splitlines() == [
        "First      command (sh): sent",
        "Second     webhook (127.0.0.1): sent",
        "Heartbeat  not tried: only the running program may say that it runs",
    ]
    assert got.read_text().startswith("larch: Trial - Does this arrive?\nSent 2")
    assert [path for _, path, _, _ in web.asked] == [f"/{SECRET}"]
    assert b'"kind": "trial"' in web.asked[0][3]


def test_one_that_fails_is_said_and_the_others_are_told(
    tmp_path: Path, web: Web, capsys: pytest.CaptureFixture[str]
) -> None:
    web.status = 404
    file = settings(tmp_path, 'command = ["true"]', f'webhook_url = "http://{web.host}/{SECRET}"')
    assert main(["tell", "--settings", file]) == FAILED
    out = capsys.readouterr().out
    assert "First      command (true): sent\n" in out
    assert "First      webhook (127.0.0.1): not sent: it answered 404 Not Found\n" in out
    assert "Second     nobody" in out
    assert SECRET not in out


def test_nobody_to_tell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tell", "--settings", settings(tmp_path)]) == REFUSED
    assert "Nobody is told outside the board" in capsys.readouterr().out


def test_check_says_who_is_told_and_who_else_can_read_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.notifier.by_service.find_spec", lambda name: None)
    file = settings(
        tmp_path, 'command = ["true"]', f'services = ["tgram://{SECRET}/1"]', 'second_command = ["false"]'
    )
    main(["check", "--settings", file])
    out = capsys.readouterr().out
    assert "Told       first: command (true), service 1 (tgram); `hygrohold tell` tries it" in out
    assert "Told       second: command (false)" in out
    assert "pip install '.[notify]'" in out
    assert f"Careful: everybody on this machine can read {file}" in out
    assert SECRET not in out
    Path(file).chmod(0o600)
    main(["check", "--settings", file])
    assert "Careful: everybody" not in capsys.readouterr().out
