"""Moving a room's kept state and record into the service's hands; who may do what there."""

from __future__ import annotations

import fcntl
import os
import stat
from pathlib import Path

import pytest

from controller.errors import HygroholdError
from controller.service import folders
from controller.service.folders import Folders, barred, holds_a_room, rooms_settings, set_aside, take_over


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """A room as `hygrohold run` by hand leaves it."""
    folder = tmp_path / "by-hand" / "larch"
    (folder / "requests" / "asked").mkdir(parents=True)
    (folder / "lock").touch()
    (folder / "status.json").write_text("{}")
    (folder / ".state-a.json.part").write_text("cut short")
    (folder / "state-a.json").write_text("a")
    (folder / "history.sqlite").write_bytes(b"x" * 3_000_000)
    (folder / "history.sqlite-wal").write_bytes(b"w")
    (folder / "requests" / "asked" / "1.json").write_text("{}")
    return folder


@pytest.fixture
def target(elsewhere: Path) -> Path:
    return folders.STATE / "larch"


def test_everything_that_lasts_comes_along(source: Path, target: Path) -> None:
    assert take_over(source, target, None) == 4
    found = {str(path.relative_to(target)) for path in target.rglob("*")}
    assert found == {
        *("state-a.json", "history.sqlite", "history.sqlite-wal"),
        *("requests", "requests/asked", "requests/asked/1.json"),
    }
    assert (target / "history.sqlite").read_bytes() == (source / "history.sqlite").read_bytes()
    assert (source / "state-a.json").exists()  # a copy: the old one is left as it was
    for path in (target, *target.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) == (0o2770 if path.is_dir() else 0o660), path


def test_it_belongs_to_the_service(source: Path, target: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can give files away")
    take_over(source, target, (12345, 12346))
    for path in (target, *target.rglob("*")):
        assert (path.stat().st_uid, path.stat().st_gid) == (12345, 12346)
        assert stat.S_IMODE(path.stat().st_mode) == (0o2770 if path.is_dir() else 0o660), path


def test_an_empty_folder_is_in_nobody_s_way(source: Path, target: Path) -> None:
    target.mkdir()
    (target / "lock").touch()
    assert not holds_a_room(target)
    take_over(source, target, None)
    assert holds_a_room(target)


def test_what_an_earlier_copy_left_is_cleared(source: Path, target: Path) -> None:
    left = target.with_name(".larch.new")
    (left / "inner").mkdir(parents=True)
    (left / "inner" / "x").touch()
    (left / "link").symlink_to("/etc")
    take_over(source, target, None)
    assert not left.exists()
    left.symlink_to("/etc")
    target.rename(target.with_name("other"))
    take_over(source, target, None)
    assert Path("/etc/passwd").exists()


def test_no_link_and_no_pipe_is_copied(source: Path, target: Path, tmp_path: Path) -> None:
    """Root copies out of a user's folder: a link there may point at anything."""
    (tmp_path / "secret").write_text("root's")
    (source / "link").symlink_to(tmp_path / "secret")
    (source / "folder").symlink_to(tmp_path)
    os.mkfifo(source / "pipe")
    assert take_over(source, target, None) == 4
    assert not {"link", "folder", "pipe"} & {path.name for path in target.iterdir()}


def test_a_room_that_runs_is_not_copied(source: Path, target: Path) -> None:
    with (source / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(HygroholdError, match=r"run by hand just now.*Ctrl-C"):
            take_over(source, target, None)
    assert not target.exists()
    take_over(source, target, None)


def test_a_room_that_is_there_is_never_replaced(source: Path, target: Path) -> None:
    target.mkdir()
    (target / "state-a.json").write_text("the service's")
    with pytest.raises(HygroholdError, match="is as it was"):
        take_over(source, target, None)
    assert (target / "state-a.json").read_text() == "the service's"


def test_nothing_set_aside_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "larch.toml"
    found = set()
    for number in range(3):
        path.write_text(str(number))
        found.add(set_aside(path, "older").read_text())
    assert found == {"0", "1", "2"}
    assert rooms_settings(tmp_path) == []  # none of them counts as a room's settings


def test_below_another_root(tmp_path: Path) -> None:
    where = Folders.under(tmp_path)
    assert where.state_of("larch").is_relative_to(tmp_path)
    assert where.settings_of("larch").is_relative_to(tmp_path)
    assert rooms_settings(tmp_path / "none") == []


def test_who_may_not_look_is_told_how(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert barred(tmp_path, "larch") == ""
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert "usermod -aG hygrohold" in barred(tmp_path / "larch.toml", "larch")
