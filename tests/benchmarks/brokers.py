"""Two hundred rooms at one broker on this machine: how late each word is heard, and whether one is lost.

Ten boards, each a process of its own with twenty rooms: the real core decides each room every 10 s, the real
status file is written on change and every 30 s, the real publisher looks every 2 s. One listener hears all.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import Controller, Inputs, Instant, Reading, Settings
from controller.outlets import link, program
from controller.outlets.heard import Broker, Heard, HeardRoom
from controller.outlets.seen import RoomFile
from controller.status import StatusFile
from tests.benchmarks.paper import ROOT, line

BOARDS, ROOMS, TICK_S, LOOK_S = 10, 20, 10.0, 2.0
WARM_S, FOR_S, CALM_S = 25.0, 180.0, 6.0
Times = dict[str, float]


class _Post:
    """A broker on a free port, which keeps nothing over its end."""

    def __init__(self, program: str) -> None:
        with socket.socket() as one:
            one.bind(("127.0.0.1", 0))
            self.port = int(one.getsockname()[1])
        self._program = program
        self.start()

    def start(self) -> None:
        words = (self._program, "-p", str(self.port))
        self._process = subprocess.Popen(words, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


def broker() -> None:
    """``BOARDS`` times ``ROOMS`` rooms for ``FOR_S`` seconds; then the broker is killed and started again."""
    mosquitto = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if mosquitto is None:
        line("200 rooms at a broker", "not measured: there is no mosquitto (Debian: apt install mosquitto)")
        return
    heard: Times = {}
    newest: Times = {}

    def changed(room: HeardRoom | None) -> None:
        if room is not None and room.at is not None:
            name = f"{room.board}/{room.room}"
            newest[name] = time.time()
            heard.setdefault(f"{name}@{int(room.at.timestamp())}", newest[name])

    with tempfile.TemporaryDirectory() as folder:
        post = _Post(mosquitto)
        ear = Heard(Broker("127.0.0.1", post.port), changed=changed)
        ear.start()
        boards = []
        try:
            for number in range(BOARDS):
                code = f"from tests.benchmarks.brokers import board; board({number}, {post.port}, {folder!r})"
                boards.append(subprocess.Popen((sys.executable, "-c", code), cwd=ROOT))
            time.sleep(WARM_S)
            began_s = time.time()
            time.sleep(FOR_S)
            ended_s = time.time()
            time.sleep(CALM_S)  # what was written last is to be heard as well
            online = sum(room.online for room in ear.rooms())
            line("load meanwhile, 1 min", f"{os.getloadavg()[0]:.1f}")
            line(f"rooms of {BOARDS} boards online at the end", f"{online} of {BOARDS * ROOMS}")
            line("broker killed, and back after 5 s: every room heard", _again(post, newest))
            (Path(folder) / "end").touch()
            for one in boards:
                one.wait()
        finally:
            ear.stop()
            post.kill()
            for one in boards:
                one.kill()
        found = [json.loads((Path(folder) / f"{number}.json").read_text()) for number in range(BOARDS)]
    _tell(found, heard, began_s, ended_s)


def _again(post: _Post, newest: Times) -> str:
    post.kill()
    time.sleep(5.0)
    post.start()
    back_s = time.time()
    while time.time() < back_s + 90.0:
        times = [at_s for at_s in list(newest.values()) if at_s > back_s]
        if len(times) == BOARDS * ROOMS:
            return f"{max(times) - back_s:.1f} s after its start"
        time.sleep(0.1)
    return f"only {len(times)} within 90 s"


def _tell(boards: list[dict[str, Any]], heard: Times, began_s: float, ended_s: float) -> None:
    written, handed = (
        {key: at_s for one in boards for key, at_s in one[kind].items() if began_s <= at_s <= ended_s}
        for kind in ("written", "handed")
    )
    replaced, lost = 0, 0
    for key in written.keys() - heard.keys():
        room, at = key.split("@")
        newer = any(f"{room}@{int(at) + later}" in heard for later in range(1, int(LOOK_S) + 2))
        replaced, lost = replaced + newer, lost + (not newer)
    line("status files written, states handed over", f"{len(written)}, {len(handed)} in {FOR_S:g} s")
    line("written, never heard", f"{lost}; and replaced by a newer one within a look: {replaced}")
    line("handed over, never heard", f"{len(handed.keys() - heard.keys())}")
    words = _spread([heard[key] - at_s for key, at_s in handed.items() if key in heard], 1e3, "ms")
    line("from handed over to heard", words)
    words = _spread([heard[key] - at_s for key, at_s in written.items() if key in heard], 1.0, "s")
    line(f"from written to heard, a look each {LOOK_S:g} s", words)
    share = statistics.median(one["cpu_share"] for one in boards)
    line(f"CPU of a board's process, {ROOMS} rooms' cores included", f"{share:.1%} of a core, median")
    line("memory of a board's process", f"{max(one['rss_mib'] for one in boards):.0f} MiB at most")


def _spread(delays: list[float], times: float, unit: str) -> str:
    if len(delays) < 100:
        return f"too few: {len(delays)}"
    cuts = statistics.quantiles(delays, n=100)
    middle, late, last = cuts[49] * times, cuts[98] * times, max(delays) * times
    return f"median {middle:.3g}, 99 % {late:.3g}, longest {last:.3g} {unit} of {len(delays)}"


class _Room:
    """A room whose air goes up with mist and down without, by the real core."""

    def __init__(self, folder: Path, board: str, number: int) -> None:
        self.key = f"{board}/room-{number}"
        self.file = RoomFile(f"room-{number}", folder / board / f"{number}.json")
        self._controller = Controller(Settings())
        self._status = StatusFile(self.file.status, self.file.room, TICK_S, 0.4, on_disk=False)
        self._rh_pct, self._last = 55.0 + number % 12, (False, ())
        self.next_s = time.monotonic() + TICK_S * number / ROOMS

    def tick(self, written: Times) -> None:
        now = Instant(time.monotonic(), datetime.now(UTC))
        inputs = Inputs((Reading(self._rh_pct, 24.0 + self._rh_pct % 1.0 / 10.0),))
        decision = self._controller.step(inputs, now)
        self._rh_pct += 0.4 if decision.relay_on else -0.2
        stands = (decision.relay_on, tuple(reason.code for reason in decision.reasons))
        before = self._stamp()
        self._status.ticked(inputs, decision, stands != self._last)
        self._last = stands
        if self._stamp() != before:
            written[f"{self.key}@{int(now.wall.timestamp())}"] = time.time()
        self.next_s += TICK_S

    def _stamp(self) -> int:
        return self.file.status.stat().st_mtime_ns if self.file.status.exists() else 0


def board(number: int, port: int, folder: str) -> None:
    """One board's process: its rooms in one thread, the publisher in another."""
    name, written, handed = f"board-{number}", Times(), Times()
    rooms = [_Room(Path(folder), name, each) for each in range(ROOMS)]
    publish = link.Link.publish

    def noted(self: link.Link, topic: str, payload: str, expires_s: float | None = None) -> bool:
        at_s = time.time()
        done = publish(self, topic, payload, expires_s)
        if done and topic.endswith("/state"):
            said = json.loads(payload)
            if said["at"] is not None:
                at = datetime.fromisoformat(said["at"]).timestamp()
                handed.setdefault(f"{name}/{said['room']}@{int(at)}", at_s)
        return done

    link.Link.publish = noted  # type: ignore[method-assign]
    ending = threading.Event()
    wanted = program.Wanted(broker=Broker("127.0.0.1", port), board=name)
    args = ([room.file for room in rooms], wanted, LOOK_S, ending, lambda words: None)
    publisher = threading.Thread(target=program.run, args=args)
    publisher.start()
    end, began = Path(folder) / "end", (time.monotonic(), os.times())
    while not end.exists():
        for room in rooms:
            if room.next_s <= time.monotonic():
                room.tick(written)
        time.sleep(0.02)
    used = os.times()
    cpu_s = used.user + used.system - began[1].user - began[1].system
    status = dict(part.split(":", 1) for part in Path("/proc/self/status").read_text().splitlines())
    ending.set()
    publisher.join()
    found = {"written": written, "handed": handed, "cpu_share": cpu_s / (time.monotonic() - began[0])}
    found["rss_mib"] = int(status["VmRSS"].split()[0]) / 1024
    (Path(folder) / f"{number}.json").write_text(json.dumps(found))
