"""Some hundreds of damaged files of each kind; and what is no file at all, or far too much of one.

HYGROHOLD_TEST_ROUNDS is how many of each (60 unless said); tests/long/fuzz.py takes ten thousand.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller import commissioned
from controller.devices.probe_replay import ReplayProbe
from controller.errors import HygroholdError
from controller.force_off import FILE as LINE_FILE
from controller.force_off import find_line
from controller.history import HistoryReader, SqliteHistory
from controller.keep import NAMES, FileKeep
from controller.settings import Settings
from controller.settings.scenario import Scenario
from controller.simulator.weather_files import load_weather
from controller.spool import Spool
from controller.status import read_status
from tests.crash.targets import TARGETS
from tests.crash.targets_kept import CAP_S
from tests.loop.helpers import NOON

ROUNDS = int(os.environ.get("HYGROHOLD_TEST_ROUNDS", "60"))
HUNDRED_MB = 100 * 1024 * 1024
AT_ONCE_S = 20.0
"""A shared machine may be slow; whoever waits for a pipe waits for ever."""


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_damaged_files(name: str, tmp_path: Path) -> None:
    for seed in range(ROUNDS):
        folder = tmp_path / str(seed)
        folder.mkdir()
        TARGETS[name](random.Random(f"{name} {seed}"), folder)


def refused(read: Callable[[], Any]) -> Any:
    """What ``read`` gives, or the words of its error; in good time, and without holding a lot of memory."""
    found: list[Any] = []

    def run() -> None:
        try:
            found.append(read())
        except HygroholdError as error:
            found.append(str(error))
        except BaseException as error:
            found.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(AT_ONCE_S)
    assert found, "it waits for ever"
    if isinstance(found[0], BaseException):
        raise found[0]
    return found[0]


def load_kept(path: Path) -> str:
    return "; ".join(FileKeep(path.parent).load(CAP_S).remarks)


def open_record(path: Path) -> str:
    history = SqliteHistory.open(path)
    words = history.trouble() or history.set_aside
    history.close()
    return words


def poll(path: Path) -> str:
    said: list[str] = []
    spool = Spool(path.parents[1], said.append)
    spool.prepare()
    assert spool.poll(NOON) == ()
    return "; ".join(said)


READERS: dict[str, tuple[str, Callable[[Path], Any]]] = {
    "settings": ("room.toml", lambda path: Settings.load(path, {})),
    "scenario": ("scene.toml", lambda path: Scenario.load(path, {})),
    "weather": ("out.csv", load_weather),
    "replay": ("rows.csv", lambda path: ReplayProbe(path, lambda: 0.0)),
    "kept state": (NAMES[0], load_kept),
    "commissioning": (commissioned.FILE, lambda path: commissioned.read(path.parent)),
    "line file": (LINE_FILE, lambda path: find_line([str(path.parent)])[1]),
    "request": ("requests/asked/a.json", poll),
    "record, read": ("history.sqlite", lambda path: HistoryReader(path).events()),
    "record, written": ("history.sqlite", open_record),
}
"""Name -> the file's name, and what reads it; the answer is words."""


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_folder(path: Path) -> None:
    path.mkdir()


def endless(path: Path) -> None:
    path.symlink_to("/dev/zero")


def hundred_mb(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(HUNDRED_MB)


@pytest.mark.parametrize("what", [a_pipe, a_folder, endless, hundred_mb])
@pytest.mark.parametrize("name", READERS)
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, name: str, what: Callable[[Path], None]) -> None:
    file, read = READERS[name]
    path = tmp_path / file
    path.parent.mkdir(parents=True, exist_ok=True)
    what(path)
    words = refused(lambda: read(path))
    assert isinstance(words, str)
    assert words


@pytest.mark.parametrize("what", [a_pipe, a_folder, endless, hundred_mb])
def test_what_is_no_status_or_answer_is_none(tmp_path: Path, what: Callable[[Path], None]) -> None:
    what(tmp_path / "status.json")
    assert refused(lambda: read_status(tmp_path / "status.json") or "none") == "none"
    (tmp_path / "answered").mkdir()
    what(tmp_path / "answered/one.json")
    assert refused(lambda: Spool(tmp_path).answer_to("one") or "none") == "none"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything: see the next test")
@pytest.mark.parametrize("name", ["settings", "scenario", "weather", "replay", "commissioning"])
def test_a_file_that_may_not_be_read_is_said(tmp_path: Path, name: str) -> None:
    said_plainly(tmp_path, name)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
@pytest.mark.parametrize("name", ["settings", "scenario", "weather", "replay", "commissioning"])
def test_a_file_of_another_user_is_said(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    said_plainly(tmp_path, name, as_user=65534)


def said_plainly(folder: Path, name: str, as_user: int | None = None) -> None:
    file, read = READERS[name]
    path = folder / file
    path.write_text("x")
    path.chmod(0)
    for above in (folder, folder.parent):
        above.chmod(0o755)
    if as_user is not None:
        os.seteuid(as_user)
    try:
        with pytest.raises(HygroholdError) as caught:
            read(path)
    finally:
        if as_user is not None:
            os.seteuid(0)
    words = str(caught.value)
    assert file in words
    assert "ermission denied" in words or "may not" in words
