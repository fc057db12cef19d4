"""The metrics by HTTP, asked by the standard library's own client."""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator

import pytest

from controller.errors import HygroholdError
from controller.outlets import served
from controller.outlets.served import MetricsServer


@pytest.fixture
def server() -> Iterator[MetricsServer]:
    made = MetricsServer("127.0.0.1", 0, lambda: "hygrohold_up 1\n", "text/plain")
    made.start()
    yield made
    made.stop()


def ask(server: MetricsServer, method: str, path: str) -> tuple[int, str, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5.0)
    try:
        connection.request(method, path)
        answer = connection.getresponse()
        return answer.status, answer.headers.get("Content-Type", ""), answer.read()
    finally:
        connection.close()


def test_there_is_one_page_and_one_way_to_ask(server: MetricsServer) -> None:
    assert ask(server, "GET", "/metrics") == (200, "text/plain", b"hygrohold_up 1\n")
    assert ask(server, "GET", "/metrics?x=1")[0] == 200
    assert ask(server, "GET", "/")[0] == 404
    assert ask(server, "POST", "/metrics")[0] == 501


def test_a_port_in_use_is_told(server: MetricsServer) -> None:
    with pytest.raises(HygroholdError, match=r"cannot listen at 127\.0\.0\.1 port \d+: .*in use"):
        MetricsServer("127.0.0.1", server.port, str, "text/plain")


def test_a_name_that_is_none_is_told() -> None:
    with pytest.raises(HygroholdError, match="cannot listen"):
        MetricsServer("no host at all.invalid", 0, str, "text/plain")


def test_callers_who_say_nothing_take_only_so_many_places(
    server: MetricsServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One more than there are places is hung up on at once; when one leaves, there is a place again."""
    silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(served.MOST_AT_ONCE)]
    try:
        for one in silent[:-1]:
            one.sendall(b"GET ")
        with socket.create_connection(("127.0.0.1", server.port), timeout=5.0) as more:
            assert more.recv(1) == b""
    finally:
        for one in silent:
            one.close()


def test_hanging_up_twice_is_no_error() -> None:
    one, other = socket.socketpair()
    with one, other:
        served._shut(one)
        assert other.recv(1) == b""
        one.close()
        served._shut(one)


@pytest.mark.process
def test_a_caller_who_drips_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(served, "PATIENCE_S", 0.15)
    server = MetricsServer("127.0.0.1", 0, lambda: "", "text/plain")
    server.start()
    with socket.create_connection(("127.0.0.1", server.port), timeout=0.05) as dripping:
        for _ in range(200):  # a byte each 50 ms is never silent for long
            try:
                dripping.sendall(b"G")
                if dripping.recv(1) == b"":
                    break
            except TimeoutError:
                continue
            except OSError:
                break
        else:
            raise AssertionError("it may hold a place for ever")
    server.stop()
