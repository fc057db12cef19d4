"""SERVE: the page on a socket. The one door to waitress.

In:    an address, a port, what answers.
Out:   answers, until a wish to stop.
Never: waits for a slow visitor: each has a connection to itself, and a request only so long to arrive.
"""

from __future__ import annotations

import ipaddress
import logging
import os
import signal
import socket
import time
from collections.abc import Callable
from threading import Event
from typing import Any, cast

from waitress.channel import HTTPChannel
from waitress.server import create_server

from controller.errors import HygroholdError
from controller.page.gate import LARGEST_FORM, Wsgi

ARRIVES_WITHIN_S = 10.0
"""From the first byte of a request to its last."""
IDLE_S = 20
THREADS, CONNECTIONS, FROM_ONE = 6, 120, 24
"""Answered at once; open at once; of these from one address that is not this board."""
LOOK_S, LAST_ANSWERS_S = 0.5, 2.0
"""A wish to stop is seen so soon; and what is being answered has so long to end."""
NICENESS = 10
"""The loop goes first, whatever is asked here: nice(1)."""


class BoundedChannel(HTTPChannel):  # type: ignore[misc]
    """A connection that is ended when its request dribbles in, or its address has too many."""

    def __init__(self, server: Any, sock: socket.socket, addr: Any, *args: Any, **named: Any) -> None:
        super().__init__(server, sock, addr, *args, **named)
        self._began_s: float | None = None
        others = sum(1 for each in server.active_channels.values() if each.addr[:1] == addr[:1])
        self._too_many = others > FROM_ONE and addr[0] not in ("127.0.0.1", "::1")

    def received(self, data: bytes) -> Any:
        now_s = time.monotonic()
        self._began_s = now_s if self._began_s is None else self._began_s
        if self._too_many or now_s - self._began_s > ARRIVES_WITHIN_S:
            self.will_close = True
            return False
        taken = super().received(data)
        if self.request is None:
            self._began_s = None
        return taken


def is_loopback(address: str) -> bool:
    """Whether only this board itself can reach it."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def listen(address: str, port: int) -> socket.socket:
    """Raises HygroholdError where it cannot be had."""
    try:
        family, kind, proto, _, where = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        found = socket.socket(family, kind, proto)
    except OSError as error:
        raise HygroholdError(f"--listen {address}: {error.strerror or error}") from error
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(where)
    except OSError as error:
        found.close()
        raise HygroholdError(
            f"{address} port {port} cannot be had: {error.strerror}. Another --port may be free."
        ) from error
    return found


def server(app: Wsgi, sock: socket.socket) -> Any:
    """What answers on ``sock``; ``run`` it."""
    made = create_server(
        app, sockets=[sock], threads=THREADS, connection_limit=CONNECTIONS, channel_timeout=IDLE_S,
        cleanup_interval=5, max_request_body_size=2 * LARGEST_FORM, max_request_header_size=16 * 1024,
        ident="hygrohold", expose_tracebacks=False, clear_untrusted_proxy_headers=True,
    )  # fmt: skip
    made.channel_class = BoundedChannel
    return made


def close(made: Any) -> None:
    """Answers nobody any more: ends every connection, then the threads."""
    made.asyncore.close_all(made._map)
    made.task_dispatcher.shutdown(timeout=LAST_ANSWERS_S)


def answer(made: Any, stopping: Event) -> None:
    """Answers until ``stopping``. Not ``made.run``, which is ended by an exception in whatever it is at."""
    while not stopping.is_set():
        made.asyncore.loop(timeout=LOOK_S, map=made._map, use_poll=True, count=1)


def run(app: Wsgi, sock: socket.socket, say: Callable[[str], None]) -> None:
    """Answers until SIGTERM or SIGINT."""
    stopping = Event()
    for wish in (signal.SIGTERM, signal.SIGINT):
        signal.signal(wish, lambda *_: stopping.set())
    os.nice(NICENESS)
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # that a few wait for an answer is no news
    made = server(app, sock)
    host, port = cast("tuple[str, int]", sock.getsockname()[:2])
    say(f"http://{f'[{host}]' if ':' in host else host}:{port}/")
    try:
        answer(made, stopping)
    finally:
        close(made)
