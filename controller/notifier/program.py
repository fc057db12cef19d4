"""PROGRAM: runs a short-lived program that carries a message, and ends it when its time is up.

In:    a list of words (no shell), the text for its input, an environment.
Out:   what it printed; SendError when it could not be started, failed or took too long.
Never: leaves one running that took too long, nor its children; waits on a pipe that a child keeps open.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import time
from collections.abc import Mapping, Sequence

from controller.notifier.ways import SendError

MOST_HEARD = 4096
LOOK_S = 0.1
END_WITHIN_S = 5.0
NOT_FOR_OTHERS = (
    "NOTIFY_SOCKET",
    "WATCHDOG_USEC",
    "WATCHDOG_PID",
    "LISTEN_FDS",
    "LISTEN_PID",
    "LISTEN_FDNAMES",
)
"""Between the service manager and this program alone: sd_notify(3), sd_listen_fds(3)."""
OURS = "HYGROHOLD_"

subprocess._USE_VFORK = False  # type: ignore[misc]
"""vfork(2) stops the whole interpreter until the kernel has loaded the program, the dead man's switch with
it: on a disk that hangs, for as long as that lasts. A fork stops it for a moment that depends on no
disk. The switch is documented under "Disabling use of vfork() or posix_spawn()" of the module."""


_running: set[subprocess.Popen[bytes]] = set()


def end_all() -> None:
    """Ends what still runs: for a program that is about to end itself."""
    for process in list(_running):
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)


def environment(own: Mapping[str, str], more: Mapping[str, str]) -> dict[str, str]:
    """What the program is given: ours without the service manager's keys and without any settings of ours."""
    kept = {
        name: value
        for name, value in own.items()
        if name not in NOT_FOR_OTHERS and not name.upper().startswith(OURS)
    }
    return {**kept, **more}


def run(
    words: Sequence[str], text: str, environ: Mapping[str, str], timeout_s: float
) -> tuple[int, str, str]:
    """The exit status, and the last of what it printed to its output and to its error output."""
    until = time.monotonic() + timeout_s
    try:
        process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=dict(environ), start_new_session=True,
        )  # fmt: skip
    except (OSError, ValueError) as error:
        told = getattr(error, "strerror", None) or type(error).__name__
        raise SendError(f"it cannot be started: {told}") from None
    _running.add(process)
    try:
        _feed(process, text)
        heard = _listen(process, until)
    finally:
        _end(process)
        _running.discard(process)
    return process.returncode, *heard


def _feed(process: subprocess.Popen[bytes], text: str) -> None:
    """A message fits a pipe's buffer (pipe(7): 64 KiB): nobody has to read for this to end."""
    assert process.stdin is not None
    with contextlib.suppress(OSError):
        os.set_blocking(process.stdin.fileno(), False)
        os.write(process.stdin.fileno(), text.encode("utf-8", "replace"))
    with contextlib.suppress(OSError):
        process.stdin.close()


def _listen(process: subprocess.Popen[bytes], until: float) -> tuple[str, str]:
    """Reads until it has ended; a child of its own may keep the pipes open for longer."""
    assert process.stdout is not None
    assert process.stderr is not None
    ends = [process.stdout.fileno(), process.stderr.fileno()]
    heard = {end: b"" for end in ends}
    for end in ends:
        os.set_blocking(end, False)
    open_ends = list(ends)
    while True:
        ended = process.poll() is not None
        if not ended and time.monotonic() >= until:
            raise SendError("it took too long and was ended")
        ready, _, _ = select.select(open_ends, [], [], 0.0 if ended else LOOK_S)
        for end in ready:
            with contextlib.suppress(BlockingIOError):
                got = os.read(end, 65536)
                heard[end] = (heard[end] + got)[-MOST_HEARD:]
                if not got:
                    open_ends.remove(end)
        if ended and (not ready or not open_ends or time.monotonic() >= until):
            break
    out, err = (heard[end].decode("utf-8", "replace") for end in ends)
    return out, err


def _end(process: subprocess.Popen[bytes]) -> None:
    """Ends it with all its children if it still runs; what ended by itself may leave some behind."""
    if process.poll() is None:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(END_WITHIN_S)
    for pipe in (process.stdout, process.stderr):
        if pipe is not None:
            pipe.close()
