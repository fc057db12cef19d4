"""A world around the real loop: starts lives of it, leaves notes for it, ends them, and judges what is left.

In:    a folder for the room, one for the log; a seed.
Out:   lives (processes), and complaints in words.
Never: looks into the program: it knows files, signals and the log only.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.core.records import Request
from controller.keep import NAMES, FileKeep
from controller.spool import Spool
from tests.crash.child import BEGAN, Life
from tests.crash.truth import Truth, complaints_of_record

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0
"""A shared machine may be slow; nothing here takes a tenth of this on a healthy one."""


def not_tested(why: str) -> None:
    """Skips, and says so where nobody can overlook it."""
    print(f"\nNOT TESTED: {why}", file=sys.__stderr__, flush=True)
    pytest.skip(why)


def tool(name: str) -> str:
    """The path of a program; installed where this may be done, else the test is not run, loudly."""
    if shutil.which(name) is None and os.geteuid() == 0 and shutil.which("apt-get"):
        subprocess.run(("apt-get", "install", "-qq", "-y", name), capture_output=True, check=False)
    found = shutil.which(name)
    if found is None:
        not_tested(f"there is no {name} (apt install {name})")
    return str(found)


def traced(inject: str, strace: str) -> tuple[str, ...]:
    calls = inject.partition(":")[0]
    # "--seccomp-bpf" would be faster, and injects nothing (strace 6.1)
    return (strace, "-f", "-qq", "-o", "/dev/null", "-e", f"trace={calls}", "-e", f"inject={inject}")


def until(true: Callable[[], Any], what: str, process: subprocess.Popen[bytes] | None = None) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        if process is not None and process.poll() is not None:
            raise AssertionError(f"ended with {process.returncode} before: {what}\n{_said(process)}")
        if time.monotonic() > end:
            raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")
        time.sleep(0.005)


def _said(process: subprocess.Popen[bytes]) -> str:
    return process.stderr.read().decode(errors="replace")[-3000:] if process.stderr else ""


class World:
    """``room`` may be put on another disk between two lives; the log is never on that disk."""

    def __init__(self, room: Path, logs: Path, seed: int) -> None:
        self.room, self.logs = room, logs
        self.fate = random.Random(seed)
        self.truth = Truth()
        self.lives = 0
        self.boot, self.mono_base_s = 0, 1000.0
        self.left: list[str] = []
        self._log = logs / "none"
        self._taken_bytes = 0

    # a life

    def start(self, under: tuple[str, ...] = (), **more: Any) -> subprocess.Popen[bytes]:
        """``under``: a program that runs the life, such as a tracer with its options."""
        self._log, self._taken_bytes = self.logs / f"life-{self.lives}.log", 0
        self.lives += 1
        life = Life(
            str(self.room), str(self._log), self.truth.at_s, self.mono_base_s, f"boot-{self.boot}",
            seed=self.fate.randrange(2**31),
        )._replace(**more)  # fmt: skip
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
        return subprocess.Popen(
            (*under, sys.executable, str(ROOT / "tests/crash/child.py"), json.dumps(life._asdict())),
            env=environment,
            stderr=subprocess.PIPE,
        )

    def looked(self, ticks: int) -> Callable[[], bool]:
        """Whether the life has completed so many ticks."""
        return lambda: self._log.exists() and self._log.read_bytes().count(b'["done"') >= ticks

    def began(self) -> bool:
        return self.looked(1)()

    def days(self) -> float:
        """How far the life has come, in days of the room, looked up at the log's end."""
        if not self._log.exists():
            return 0.0
        with self._log.open("rb") as file:
            file.seek(max(0, self._log.stat().st_size - 4000))
            last = [line for line in file.read().split(b"\n")[:-1] if line.startswith(b'["t"')]
        return float(json.loads(last[-1])[1]) / 86400.0 if last else 0.0

    def take_log(self) -> None:
        """Takes in what the life has written since."""
        if not self._log.exists():
            return
        whole = self._log.read_bytes()
        for line in whole[self._taken_bytes :].split(b"\n")[:-1]:
            self.truth.line(line.decode())
        self._taken_bytes = whole.rfind(b"\n") + 1

    def leave(self, kind: str) -> None:
        """A person asks, as ``hygrohold note`` does. Their wall clock is the room's."""
        self.take_log()
        now = BEGAN + timedelta(seconds=self.truth.at_s)
        for_s = 3600.0 if kind == "pause" else None
        expires = now + timedelta(hours=24) if kind == "refilled" else now + timedelta(minutes=15)
        spool = Spool(self.room / "requests")
        self.left.append(spool.leave(Request(kind, by="Ann", expires=expires, for_s=for_s), now))

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        os.kill(process.pid, signal.SIGKILL)
        process.communicate(timeout=PATIENCE_S)
        self.after_end()

    def stop(self, process: subprocess.Popen[bytes]) -> None:
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err.decode(errors="replace")[-3000:]
        self.after_end()

    def after_end(self) -> None:
        self.take_log()
        self.truth.killed()  # does nothing where it ended in good order

    def wait(self, gap_s: float, reboot: bool = False) -> None:
        """Nothing runs for so long. After a power cut the boot's own clock begins anew."""
        self.truth.at_s += gap_s
        if reboot:
            self.boot += 1
            self.mono_base_s = self.fate.uniform(5.0, 60.0) - self.truth.at_s

    # judging

    def complaints(self, aside_allowed: int = 0) -> list[str]:
        """``aside_allowed``: copies of the kept state that may have been set aside by the next start."""
        found = [*self.truth.complaints, *self.truth.whole()]
        self.truth.complaints.clear()
        found += complaints_of_record(self.truth, self.room / "history.sqlite", self.answers())
        twin = self.logs / "twin"  # a start sets aside what it cannot read: on a copy
        shutil.rmtree(twin, ignore_errors=True)
        twin.mkdir()
        for name in NAMES:
            if (self.room / name).exists():
                shutil.copy(self.room / name, twin / name)
        kept = FileKeep(twin).load(4 * 3600.0)
        if len(kept.remarks) > aside_allowed or kept.state.lost:
            found.append(f"kept state: {kept.remarks} {kept.state.lost}")
        return found

    def answers(self) -> dict[str, bool]:
        """What a person who asks finds in the spool."""
        found = {}
        for path in (self.room / "requests/answered").glob("*.json"):
            answer = Spool(self.room / "requests").answer_to(path.stem)
            if answer is not None and not path.name.startswith("."):
                found[path.stem] = answer[0]
        return found

    def unanswered(self) -> int:
        """Requests that a killed program took with it: nobody was told, and none waits for the next one."""
        folders = [self.room / "requests" / name for name in ("asked", "taken")]
        waiting = {path.stem for folder in folders for path in folder.glob("*.json")}
        return len(set(self.left) - waiting - self.truth.answered - set(self.answers()))
