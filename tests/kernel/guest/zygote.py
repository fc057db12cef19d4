"""ZYGOTE: a Python with everything slow already imported, that forks a program whenever asked.

In:    requests on a socket: which program, with which arguments, environment and user.
Out:   real processes, each of which ends like any Python program: atexit, then the interpreter's own end.
Never: imports lgpio or claims a line itself: lgpio starts a thread, and each program must do that alone.

Why: importing hygrohold's libraries takes seconds on an emulated machine, and there are some sixty
programs to start. What depends on the imports (the early off) is tested with a cold start instead.
"""

from __future__ import annotations

import gc
import json
import os
import socket
import sys
from importlib import import_module
from typing import Any

from tests.kernel.guest import children

LARGEST_BYTES = 65536
WARM = {
    "relay": ("gpiod", "gpiozero", "controller.devices.relay_gpiozero", "controller.devices.relay_libgpiod"),
    "room": ("gpiod", "gpiozero", "controller.daemon"),
}
"""What is imported beforehand, and no more than that: a program's end takes longer the more there is."""


def serve(sock: socket.socket) -> dict[str, Any] | None:
    """Answers requests. Returns in a forked child, with what it is to do; None when nobody asks any more."""
    while True:
        message, descriptors, _, _ = socket.recv_fds(sock, LARGEST_BYTES, 3)
        if not message:
            return None
        request = json.loads(message)
        if request["do"] == "start":
            pid = os.fork()
            if pid == 0:
                sock.close()
                _become(request, descriptors)
                return dict(request)
            for descriptor in descriptors:
                os.close(descriptor)
            answer: int | None = pid
        else:
            found, status = os.waitpid(request["pid"], os.WNOHANG)
            answer = os.waitstatus_to_exitcode(status) if found else None
        sock.send(json.dumps(answer).encode())


def _become(request: dict[str, Any], descriptors: list[int]) -> None:
    """A process of its own: session, standard streams, environment, folder, user."""
    os.setsid()
    for number, descriptor in enumerate((descriptors[0], descriptors[1], descriptors[1])):
        os.dup2(descriptor, number)
    for descriptor in descriptors:
        os.close(descriptor)
    os.environ.update(request["environment"])
    os.chdir(request["folder"])
    if request["user"]:
        import_module("controller.devices.relay_pins")  # that user may not be able to read it
        os.setgroups([])
        os.setgid(request["user"])
        os.setuid(request["user"])


def main() -> int:
    for name in WARM[sys.argv[2]]:
        import_module(name)
    if sys.argv[2] == "room":
        import_module("controller.cli").parser()  # imports all commands
        import_module("controller.core.air").warm_up()
    gc.freeze()  # or each program's end would go through all of this again
    todo = serve(socket.socket(fileno=int(sys.argv[1])))
    if todo is None:
        return 0
    words = todo["words"]
    sys.argv = words
    if words[0] == "hygrohold":
        from controller.cli import main as hygrohold

        return hygrohold(words[1:])
    getattr(children, words[0])(*words[1:])
    return 0


if __name__ == "__main__":
    sys.exit(main())
