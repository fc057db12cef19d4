"""The page on real sockets: many clients, slow ones, huge ones; and the command as a process of its own."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from controller.errors import HygroholdError
from controller.page import serve
from controller.page.gate import LARGEST_FORM
from controller.page.rooms import Room
from tests.page.conftest import Site

pytestmark = pytest.mark.process
ROOT = Path(__file__).parents[2]
SOON_S = 5.0
"""A shared machine may be slow: an answer takes some milliseconds."""


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with ExitStack() as hold:
        site = Site(tmp_path_factory.mktemp("served"), hold)
        site.says(site.room())
        sock = serve.listen("127.0.0.1", 0)
        made = serve.server(site.app().wsgi, sock)
        stopping = threading.Event()
        thread = threading.Thread(target=serve.answer, args=(made, stopping), daemon=True)
        thread.start()
        yield sock.getsockname()[1]
        stopping.set()
        thread.join(timeout=SOON_S)
        assert not thread.is_alive()
        serve.close(made)


def get(port: int, path: str = "/room/larch/now", **heads: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SOON_S)
    try:
        connection.request("GET", path, headers=heads)
        reply = connection.getresponse()
        return reply.status, reply.read()
    finally:
        connection.close()


def test_fifty_clients_at_once_each_get_the_page(port: int) -> None:
    with ThreadPoolExecutor(50) as pool:
        found = list(pool.map(lambda n: get(port, "/room/larch" if n % 2 else "/room/larch/now"), range(150)))
    assert {status for status, _ in found} == {200}
    assert all(b"66.1" in body for _, body in found)


def test_slow_and_silent_visitors_delay_nobody(port: int) -> None:
    """Sixty that say nothing, or half a head, or half a form: ten times as many as there are threads."""
    held = []
    for n in range(60):
        sock = socket.create_connection(("127.0.0.1", port), timeout=SOON_S)
        sock.sendall(
            (
                b"",
                b"GET / HTTP/1.1\r\nHost: localhost\r\n",
                b"POST /name HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4000\r\n\r\nby=",
            )[n % 3]
        )
        held.append(sock)
    began = time.monotonic()
    assert get(port)[0] == 200
    assert time.monotonic() - began < SOON_S
    for sock in held:
        sock.close()


def test_a_request_that_dribbles_in_is_ended(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "ARRIVES_WITHIN_S", 0.2)
    with socket.create_connection(("127.0.0.1", port), timeout=SOON_S) as sock:
        sock.sendall(b"GET / HTTP/1.1\r\n")
        end = time.monotonic() + SOON_S
        ended = False
        while not ended and time.monotonic() < end:
            time.sleep(0.05)
            try:
                sock.sendall(b"X: y\r\n")
                sock.settimeout(0.01)
                ended = sock.recv(10) == b""
            except TimeoutError:
                continue
            except OSError:
                ended = True
        assert ended


def test_one_address_cannot_take_every_connection(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "FROM_ONE", 2)
    with socket.socket() as one, socket.socket() as two, socket.socket() as three:
        for sock in (one, two, three):
            sock.bind(("127.0.0.9", 0))  # not the address that the board itself comes from
            sock.settimeout(SOON_S)
            sock.connect(("127.0.0.1", port))
            sock.sendall(b"GET /style.css HTTP/1.1\r\nHost: localhost\r\n\r\n")
            time.sleep(0.1)
        assert one.recv(12) == b"HTTP/1.1 200"
        assert three.recv(12) == b""
    assert get(port)[0] == 200


@pytest.mark.parametrize(
    ("head", "status"),
    [
        (
            f"POST /name HTTP/1.1\r\nHost: localhost\r\nContent-Length: {10**12}\r\n\r\n".encode()
            + b"x" * 50000,
            413,
        ),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"y" * 40000 + b"\r\n\r\n", 431),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: x\r\n\r\n", 501),
        (b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", 400),
    ],
)
def test_what_is_huge_or_no_http_is_refused_at_once(port: int, head: bytes, status: int) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=SOON_S) as sock:
        with suppress(OSError):  # cut off before its end is as good
            sock.sendall(head)
        assert int(sock.recv(100).split()[1]) == status
    assert get(port)[0] == 200


def test_a_form_of_the_largest_size_arrives(port: int) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SOON_S)
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    connection.request("POST", "/name", b"by=" + b"x" * (LARGEST_FORM - 3), kind)
    assert connection.getresponse().status == 403  # read whole, and without a seal
    connection.close()


def test_which_addresses_are_this_boards_own() -> None:
    own = ("localhost", "127.0.0.1", "127.9.9.9", "::1")
    assert all(serve.is_loopback(address) for address in own)
    assert not any(serve.is_loopback(address) for address in ("0.0.0.0", "::", "192.0.2.1", "board"))


def test_an_address_that_cannot_be_had_is_told(port: int) -> None:
    with pytest.raises(HygroholdError, match=r"port \d+ cannot be had"):
        serve.listen("127.0.0.1", port)
    with pytest.raises(HygroholdError, match=r"--listen no\.such\.host\.invalid"):
        serve.listen("no.such.host.invalid", 0)


def test_the_command_serves_until_it_is_asked_to_stop(site: Site, larch: Room, tmp_path: Path) -> None:
    file = tmp_path / "larch.toml"
    file.write_text(
        f'settings_version = 1\n[room]\nname = "larch"\nstate_dir = "{site.folder}"\ntimezone = "UTC"\n'
    )
    environ = {**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path), "PYTHONWARNINGS": "error"}
    environ.pop("XDG_STATE_HOME", None)
    process = subprocess.Popen(
        [sys.executable, "-m", "controller", "page", "--port", "0", "--settings", str(file)],
        env=environ,
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line.startswith("The page of larch: http://127.0.0.1:")
        assert get(int(line.rstrip("/\n").rpartition(":")[2]))[0] == 200
        assert os.getpriority(os.PRIO_PROCESS, process.pid) >= serve.NICENESS
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=15)
        assert (process.returncode, out, err) == (0, "", "")
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()


@pytest.mark.parametrize("wish", [signal.SIGTERM, signal.SIGINT])
def test_a_wish_to_stop_ends_it_within_a_second_or_two(
    site: Site, larch: Room, monkeypatch: pytest.MonkeyPatch, wish: signal.Signals
) -> None:
    monkeypatch.setattr(serve.os, "nice", lambda more: more)  # this process goes on
    before = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGINT)}
    said: list[str] = []

    def ask_and_stop(address: str) -> None:
        said.append(address)
        threading.Timer(0.2, lambda: os.kill(os.getpid(), wish)).start()

    began = time.monotonic()
    try:
        serve.run(site.app().wsgi, serve.listen("127.0.0.1", 0), ask_and_stop)
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
    assert said[0].startswith("http://127.0.0.1:")
    assert time.monotonic() - began < 2 * SOON_S
