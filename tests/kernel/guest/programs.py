"""PROGRAMS: starts a program in the guest, talks with it, and sees how it ends.

In:    words, environment, user; lines to send; signals.
Out:   its output and its exit status.
Never: leaves one behind: ``Programs.end_all`` kills what a failed test forgot.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
PATIENCE_S = 60.0
SCRIPT = ROOT / "controller/force_off.py"


class Program:
    """One process. ``output`` is all it has said so far, on both streams."""

    def __init__(self, programs: Programs, pid: int, stdin: int, stdout: int) -> None:
        self._programs = programs
        self.pid = pid
        self._stdin = stdin
        self._stdout = stdout
        self.output = ""
        self.ended: int | None = None

    def tell(self, line: str) -> None:
        os.write(self._stdin, f"{line}\n".encode())

    def says(self, text: str, within_s: float = PATIENCE_S) -> None:
        """Waits for ``text`` in what it says from the start on. Raises AssertionError with all it said."""
        until = time.monotonic() + within_s
        while text not in self.output:
            if not self._read(until - time.monotonic()) and text not in self.output:
                raise AssertionError(f"{text!r} was not said; what was:\n{self.output}")

    def does(self, line: str) -> str:
        """Tells it a step and waits until it is done; what it said of it."""
        before = len(self.output)
        self.tell(line)
        until = time.monotonic() + PATIENCE_S
        while f"did {line}" not in self.output[before:]:
            assert self._read(until - time.monotonic()), f"{line!r} was not done; said:\n{self.output}"
        return self.output[before:]

    def send(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def end(self, within_s: float = PATIENCE_S) -> int:
        """Waits for its end; the exit status, or the negative number of the signal that ended it."""
        until = time.monotonic() + within_s
        while self.ended is None:
            self._read(0.02)
            self.ended = self._programs.poll(self.pid)
            assert self.ended is not None or time.monotonic() < until, f"it goes on; said:\n{self.output}"
        while self._read(0.0):
            pass
        self._close()
        return self.ended

    def kill(self) -> int:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        return self.end()

    def _read(self, wait_s: float) -> bool:
        """Takes in more output; False at its end, or when there was none in the time."""
        if self._stdout < 0 or not select.select([self._stdout], [], [], max(wait_s, 0.0))[0]:
            return False
        more = os.read(self._stdout, 65536)
        self.output += more.decode(errors="replace")
        return bool(more)

    def _close(self) -> None:
        for descriptor in (self._stdin, self._stdout):
            if descriptor >= 0:
                os.close(descriptor)
        self._stdin = self._stdout = -1


class Programs:
    """Forks programs from a warm Python (``zygote``)."""

    def __init__(self, warm: str, folder: Path) -> None:
        """``warm``: a key of ``zygote.WARM``."""
        self._folder = folder  # lgpio makes a FIFO in the working directory
        self._sock, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._zygote = subprocess.Popen(
            [sys.executable, "-u", "-m", "tests.kernel.guest.zygote", str(theirs.fileno()), warm],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            pass_fds=(theirs.fileno(),),
        )
        theirs.close()
        self._started: list[Program] = []

    def start(self, *words: str, user: int = 0, **environment: str) -> Program:
        """``words``: "hygrohold" and its arguments, or a function of ``children`` and its."""
        their_in, our_out = os.pipe()
        our_in, their_out = os.pipe()
        request = {
            "do": "start",
            "words": words,
            "environment": environment,
            "folder": str(self._folder),
            "user": user,
        }
        pid = self._ask(request, [their_in, their_out])
        os.close(their_in)
        os.close(their_out)
        program = Program(self, pid, our_out, our_in)
        self._started.append(program)
        return program

    def poll(self, pid: int) -> Any:
        return self._ask({"do": "poll", "pid": pid}, [])

    def end_all(self) -> None:
        for program in self._started:
            if program.ended is None:
                program.kill()
        self._started.clear()

    def close(self) -> None:
        self.end_all()
        self._sock.close()
        self._zygote.wait(30)

    def _ask(self, request: dict[str, Any], descriptors: list[int]) -> Any:
        socket.send_fds(self._sock, [json.dumps(request).encode()], descriptors)
        return json.loads(self._sock.recv(65536))


def start_force_off(*folders: Path, **environment: str) -> subprocess.Popen[str]:
    """The script, in the way its own documentation calls it."""
    return subprocess.Popen(
        [sys.executable, "-I", "-S", str(SCRIPT), *map(str, folders)],
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, **environment},
    )


def force_off(*folders: Path, **environment: str) -> tuple[int, str]:
    """Its exit status and what it said."""
    script = start_force_off(*folders, **environment)
    said, _ = script.communicate(timeout=60)
    return script.returncode, said
