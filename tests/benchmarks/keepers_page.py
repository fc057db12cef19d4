"""The keeper's page: memory, how long an answer takes, and whether the loop feels a page that is hammered."""

from __future__ import annotations

import http.client
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from controller.core.records import Request
from controller.spool import Spool
from tests.benchmarks.paper import line
from tests.browser.room import MadeUpRoom, Served

CLIENTS, HAMMERED_S, ASKED = 50, 15.0, 10


def page() -> None:
    """Real processes: a room at 1 s ticks, the page over it, a month on record."""
    with tempfile.TemporaryDirectory() as folder:
        room = MadeUpRoom(Path(folder))
        room.record(days=30)
        room.start()
        served = Served(Path(folder), room)
        try:
            _figures(room, served)
        finally:
            served.end()
            room.kill()


def _figures(room: MadeUpRoom, served: Served) -> None:
    line("page: resident memory after its start", _memory(served))
    for words, path in (("first screen", ""), ("what is asked every 5 s", "/now"), ("month", "/month")):
        first, *again = (_took_s(served.port, f"/room/{room.name}{path}") for _ in range(21))
        line(f"page: {words}, first / median / worst of 20", f"{_ms(first)} / {_ms(sorted(again)[10])} / "
             f"{_ms(max(again))}")  # fmt: skip
    line("page: resident memory after a month's report", _memory(served))
    quiet_s = _longest_answer_s(room, lambda: False)
    stop = threading.Event()
    with ThreadPoolExecutor(CLIENTS) as pool:
        busy = [pool.submit(_hammer, served.port, f"/room/{room.name}/now", stop) for _ in range(CLIENTS)]
        began = time.monotonic()
        hammered_s = _longest_answer_s(room, lambda: time.monotonic() - began < HAMMERED_S)
        stop.set()
        took = [each for job in busy for each in job.result()]
    line(
        f"page: {CLIENTS} clients that never rest: answers a second, median, worst",
        f"{len(took) / HAMMERED_S:.0f}, {_ms(sorted(took)[len(took) // 2])}, {_ms(max(took))}",
    )
    line("loop at 1 s ticks: longest wait for its answer, page quiet / hammered",
         f"{quiet_s:.2f} / {hammered_s:.2f} s")  # fmt: skip


def _hammer(port: int, path: str, stop: threading.Event) -> list[float]:
    took = []
    while not stop.is_set():
        with suppress(OSError):
            took.append(_took_s(port, path))
    return took


def _took_s(port: int, path: str) -> float:
    began = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request("GET", path)
        reply = connection.getresponse()
        reply.read()
        assert reply.status == 200
    finally:
        connection.close()
    return time.perf_counter() - began


def _longest_answer_s(room: MadeUpRoom, more: Callable[[], bool]) -> float:
    """Of notes left straight in the spool, past the page: how long the loop takes."""
    spool = Spool(room.state / "requests")
    longest, n = 0.0, 0
    while n < ASKED or more():
        began, n = time.monotonic(), n + 1
        identity = spool.leave(Request("remark", by="benchmark", remark=f"{n}"), datetime.now(UTC))
        while spool.answer_to(identity) is None:
            time.sleep(0.01)
        longest = max(longest, time.monotonic() - began)
    return longest


def _memory(served: Served) -> str:
    status = Path(f"/proc/{served.process.pid}/status").read_text()
    kib = next(int(row.split()[1]) for row in status.splitlines() if row.startswith("VmRSS"))
    return f"{kib / 1024:.1f} MiB"


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:.0f} ms"
