"""The copy of the last accepted file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller.errors import KeptStateError, SettingsError
from controller.settings.file import LAST_GOOD, load_or_last_good, load_settings, remember_good

GOOD = "settings_version = 1\r\n[loop]\ntick_s = 20\n# é\n"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "room.toml"
    path.write_bytes(GOOD.encode())
    return path


def test_a_good_file_is_used_and_nothing_said(toy, path, tmp_path):
    settings, words = load_or_last_good(toy, path, tmp_path / "state", {})
    assert (settings.loop.tick_s, words) == (20, "")
    assert load_or_last_good(toy, None, tmp_path / "state", {}) == (toy(), "")


@pytest.mark.parametrize("spoilt", [b"[loop", b"settings_version = 1\n[loop]\ntick_s = 0\n", b"\xff", None])
def test_a_refused_file_falls_back_and_says_why(toy, path, tmp_path, spoilt):
    remember_good(path, tmp_path / "state")
    if spoilt is None:
        path.unlink()
    else:
        path.write_bytes(spoilt)
    settings, words = load_or_last_good(toy, path, tmp_path / "state", {})
    assert settings.loop.tick_s == 20
    first, last = words.split("\n")[0], words.split("\n")[-1]
    assert first.startswith(str(path))
    assert last == f"In use instead: the last good copy, {tmp_path / 'state' / LAST_GOOD}."


def test_the_environment_counts_over_the_copy_too(toy, path, tmp_path):
    remember_good(path, tmp_path)
    path.write_text("[")
    settings, _ = load_or_last_good(toy, path, tmp_path, {"HYGROHOLD_LOOP__TICK_S": "30"})
    assert settings.loop.tick_s == 30


@pytest.mark.parametrize("copy", [None, "settings_version = 1\n[loop]\ntick_s = 1000\n", "["])
def test_with_no_good_copy_the_first_error_is_raised(toy, path, tmp_path, copy):
    path.write_text("settings_version = 1\n[loop]\ntick_s = 0\n")
    if copy is not None:
        (tmp_path / LAST_GOOD).write_text(copy)
    with pytest.raises(SettingsError) as caught:
        load_or_last_good(toy, path, tmp_path, {})
    assert f"{path}:3: loop.tick_s: found 0;" in str(caught.value)
    assert LAST_GOOD not in str(caught.value)


def test_a_mistake_in_the_environment_has_no_way_round(toy, path, tmp_path):
    remember_good(path, tmp_path)
    with pytest.raises(SettingsError, match="HYGROHOLD_TYPO"):
        load_or_last_good(toy, path, tmp_path, {"HYGROHOLD_TYPO": "1"})


def test_the_copy_is_the_text_itself_and_written_once(path, tmp_path, toy):
    state = tmp_path / "deep" / "state"
    remember_good(path, state)
    copy = state / LAST_GOOD
    assert copy.read_bytes() == GOOD.encode()
    assert [p.name for p in state.iterdir()] == [LAST_GOOD]
    assert load_settings(toy, copy, {}).loop.tick_s == 20
    before = copy.stat()
    remember_good(path, state)
    assert copy.stat().st_ino == before.st_ino  # the same text is not written again
    path.write_text(GOOD + "#\n")
    remember_good(path, state)
    assert copy.stat().st_ino != before.st_ino  # replaced, never written over
    assert copy.read_bytes() == path.read_bytes()


def test_a_write_that_fails_leaves_the_old_copy(path, tmp_path, monkeypatch):
    remember_good(path, tmp_path)
    path.write_text(GOOD + "# more\n")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(KeptStateError, match="cannot be written: No space left on device"):
        remember_good(path, tmp_path)
    assert (tmp_path / LAST_GOOD).read_bytes() == GOOD.encode()


def test_a_state_folder_that_cannot_be(path, tmp_path):
    with pytest.raises(KeptStateError, match=LAST_GOOD):
        remember_good(path, path / "state")
