"""A real web server on the loopback interface that keeps what it is asked and answers as it is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest


class Web:
    """``status`` and ``location`` are what it answers; ``silent`` makes it listen and never answer."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str, str, bytes]] = []  # method, path, content type, body
        self.status = 200
        self.location = ""
        self.silent = False
        self.let_go = threading.Event()
        web = self

        class Answers(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                kind = self.headers.get("Content-Type", "")
                web.asked.append((self.command, self.path, kind, body))
                if web.silent:
                    web.let_go.wait(60.0)
                    return
                self.send_response(web.status)
                if web.location:
                    self.send_header("Location", web.location)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST  # noqa: N815 - the library's name

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
        self.server.daemon_threads = True
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True)
        self.thread.start()

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.server.server_port}"

    def close(self) -> None:
        self.let_go.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(10.0)


@pytest.fixture
def web(monkeypatch: pytest.MonkeyPatch) -> Iterator[Web]:
    for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    made = Web()
    yield made
    made.close()
