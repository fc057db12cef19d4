"""SERVED: one text at one address, by HTTP, for a collector that comes and asks.

In:    what makes the text when it is asked for.
Out:   GET /metrics answered; everything else refused.
Never: reads a body, or lets slow callers hold more than a few threads or for longer than some seconds each.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from controller.errors import HygroholdError

PATH = "/metrics"
MOST_AT_ONCE = 8
PATIENCE_S = 5.0
"""For one silence of a caller; a caller who drips is hung up on after the request line and headers fail."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 2 * MOST_AT_ONCE

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self.address_family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
        self._places = threading.BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(address, handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._places.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        # A caller who sends a byte now and then would never run into the socket's own timeout.
        hang_up = threading.Timer(2 * PATIENCE_S, _shut, (request,))
        hang_up.daemon = True
        hang_up.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            hang_up.cancel()
            self._places.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A caller that hung up is nobody's error."""


def _shut(request: socket.socket) -> None:
    try:
        request.shutdown(socket.SHUT_RDWR)
    except OSError:
        return  # it has ended by itself


class MetricsServer:
    """Answers from threads of its own between ``start`` and ``stop``."""

    def __init__(self, host: str, port: int, text: Callable[[], str], content_type: str) -> None:
        """Port 0 takes a free one. Raises HygroholdError where the address cannot be had."""

        class Handler(BaseHTTPRequestHandler):
            timeout = PATIENCE_S
            server_version, sys_version = "hygrohold", ""

            def do_GET(self) -> None:
                if self.path.split("?")[0] != PATH:
                    self.send_error(404, explain=f"There is only {PATH}")
                    return
                body = text().encode()
                self.send_response(200)
                self.send_header("Content-Type", content_type)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:  # noqa: A002  the base class's name
                """A collector asks every few seconds: that is no news."""

        try:
            self._server = _Server((host, port), Handler)
        except (OSError, OverflowError) as error:
            words = getattr(error, "strerror", None) or error
            raise HygroholdError(
                f"--metrics: cannot listen at {host} port {port}: {words}. Is it in use, or not ours?"
            ) from error
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.2,), daemon=True)

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
