"""By a command: real programs, real signals."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import pytest

from controller.notifier import words
from controller.notifier.by_command import command_way
from controller.notifier.ways import SendError
from controller.notifier.words import letter
from tests.notifier.helpers import NOON, SECRET, message

pytestmark = pytest.mark.process

LETTER = letter("larch", words.ALARM, message("probe_lost", detail="gone \u2602 $(touch x)"), NOON)


def python(code: str, *arguments: str) -> tuple[str, ...]:
    return (sys.executable, "-I", "-S", "-c", code, *arguments)


def send(command: tuple[str, ...], timeout_s: float = 30.0, **environ: str) -> str:
    """Why it was not sent; "" when it was."""
    way = command_way(command, {"PATH": os.environ["PATH"], **environ}, timeout_s)
    assert SECRET not in way.name
    try:
        way.send(LETTER)
    except SendError as error:
        return str(error)
    return ""


def test_the_message_is_on_its_input_and_in_its_environment(tmp_path: Path) -> None:
    code = (
        "import os, sys, json\n"
        "json.dump([sys.stdin.read(), dict(os.environ), sys.argv[2:]], open(sys.argv[1], 'w'))"
    )
    got = tmp_path / "got.json"
    given = {
        "NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1", "HYGROHOLD_NOTIFY__WEBHOOK_URL": SECRET,
        "HYGROHOLD_SETTINGS": "f", "KEPT": "1",
    }  # fmt: skip
    assert send(python(code, str(got), "$HOME; *", ""), **given) == ""
    text, environ, arguments = json.loads(got.read_text())
    assert text == LETTER.words + "\n"
    assert arguments == ["$HOME; *", ""]  # no shell has touched them
    ours = {name: value for name, value in environ.items() if name.startswith("HYGROHOLD_")}
    assert ours == {
        "HYGROHOLD_ROOM": "larch",
        "HYGROHOLD_CODE": "probe_lost",
        "HYGROHOLD_KIND": "alarm",
        "HYGROHOLD_WORDS": LETTER.words,
    }
    assert environ["KEPT"] == "1"
    assert "NOTIFY_SOCKET" not in environ
    assert "WATCHDOG_USEC" not in environ


def test_one_that_does_not_read_is_fine() -> None:
    assert send(("true",)) == ""


def test_what_fails_says_its_last_line_without_its_arguments(tmp_path: Path) -> None:
    script = tmp_path / "s.py"
    script.write_text(
        "import sys; print('first', file=sys.stderr)\n"
        "sys.exit(f'{sys.argv[1]} is unknown, see https://h/{sys.argv[1]}')"
    )
    assert send((sys.executable, "-I", str(script), SECRET)) == (
        "it ended with status 1: ... is unknown, see (address)"
    )
    assert send(("false",)) == "it ended with status 1"


def test_one_that_is_killed() -> None:
    assert send(python("import os; os.kill(os.getpid(), 9)")) == "it was killed by signal 9"


def test_one_that_is_not_there_or_may_not_be_run(tmp_path: Path) -> None:
    assert send((str(tmp_path / SECRET / "x"),)) == "it cannot be started: No such file or directory"
    (tmp_path / "plain").write_text("")
    assert send((str(tmp_path / "plain"),)) == "it cannot be started: Permission denied"


def test_one_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    code = (
        "import subprocess, sys, time, pathlib\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(300)'])\n"
        "pathlib.Path(sys.argv[1]).write_text(str(child.pid))\n"
        "time.sleep(300)"
    )
    noted = tmp_path / "pid"
    assert send(python(code, str(noted)), timeout_s=3.0) == "it took too long and was ended"
    child = int(noted.read_text())
    until = time.monotonic() + 10.0
    while time.monotonic() < until and _runs(child):
        time.sleep(0.05)
    assert not _runs(child)


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_child_that_stays_behind_and_holds_the_pipes_holds_nobody_up(tmp_path: Path) -> None:
    code = (
        "import subprocess, sys, pathlib\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        "pathlib.Path(sys.argv[1]).write_text(str(child.pid))"
    )
    noted = tmp_path / "pid"
    began = time.monotonic()
    assert send(python(code, str(noted))) == ""
    assert time.monotonic() - began < 25.0
    os.kill(int(noted.read_text()), 9)


def test_one_that_prints_without_end_fills_nothing() -> None:
    code = "import sys\nwhile True: sys.stderr.write('x' * 65536)"
    assert send(python(code), timeout_s=1.0) == "it took too long and was ended"


def test_starting_one_does_not_stop_the_interpreter() -> None:
    """vfork(2): the caller is suspended until the child has loaded its program."""
    import subprocess

    assert subprocess._USE_VFORK is False  # type: ignore[attr-defined]
