"""How long a look takes while something else hangs, and whether a month makes anything grow."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller import Controller, Decision, Inputs, Instant, Reading, Settings
from controller.notifier.sender import Notifier
from controller.notifier.settings import NotifySettings
from controller.notifier.ways import Way
from controller.notifier.words import Letter
from tests.benchmarks.paper import line
from tests.crash.world import World, traced

STALL_S = 2.0


def stall() -> None:
    """Every wait for the disk takes ``STALL_S`` longer: the longest of a hundred looks (strace does it)."""
    strace = shutil.which("strace")
    if strace is None:
        line("the longest look while the disk stalls", "not measured: there is no strace")
        return
    for what, under in (
        ("the longest look, disk at rest", ()),
        (f"the longest look, each sync of the disk {STALL_S:g} s late", _late(strace)),
    ):
        with tempfile.TemporaryDirectory() as folder:
            world = World(Path(folder) / "room", Path(folder), 1)
            world.start(under, ticks=120).communicate()
            world.after_end()
            words = f"{world.truth.longest_s:.2f} s of {len(world.truth.looks)} looks"
            line(what, words + (f", {world.truth.longest_s / STALL_S:.1f} stalls" if under else ""))


def _late(strace: str) -> tuple[str, ...]:
    return traced(f"fsync,fdatasync:delay_enter={STALL_S:g}s", strace)


def hang() -> None:
    """A way to tell people that never comes back: the longest part that the loop's thread had in it."""
    ending = threading.Event()

    def send(letter: Letter) -> None:
        ending.wait(60.0)

    settings = Settings()
    with tempfile.TemporaryDirectory() as folder:
        teller = Notifier(
            NotifySettings(command=("true",)), "room", 10.0, Path(folder), lambda words: None,
            ways=lambda contact: [Way("hangs", 30.0, send)],
        )  # fmt: skip
        controller, longest_s = Controller(settings), 0.0
        began = datetime(2026, 1, 12, tzinfo=UTC)
        teller.start()
        for tick in range(2000):
            troubles = (("record_broken", "x"),) if tick // 50 % 2 else ()
            inputs = Inputs((Reading(60.0 + tick % 7, 23.0),), troubles=troubles)
            decision: Decision = controller.step(
                inputs, Instant(tick * 10.0, began + timedelta(seconds=10 * tick))
            )
            at_s = time.perf_counter()
            teller.ticked(inputs, decision, False)
            longest_s = max(longest_s, time.perf_counter() - at_s)
            time.sleep(0.002)
        ending.set()
        teller.close()
    line("telling people hangs: longest part in the loop's thread", f"{1e3 * longest_s:.2f} ms of 2000 looks")


def soak(days: int = 30) -> None:
    """Thirty days of the loop on real files, as fast as it goes: what has grown since the third."""
    with tempfile.TemporaryDirectory() as folder:
        world = World(Path(folder) / "room", Path(folder), 1)
        process = world.start(ticks=days * 2880)
        found = []
        for day in (3, days - 1):
            while process.poll() is None and world.days() < day:
                time.sleep(0.2)
            found.append(_size(process, world.room))
        process.communicate()
        world.after_end()
    words = [
        f"{rss:.1f} MiB, {fds} open files, {files} files, record {kib:.0f} KiB"
        for rss, fds, files, kib in found
    ]
    line("soak, on the 3rd day", words[0])
    line(f"soak, on day {days - 1}", words[1])


def _size(process: subprocess.Popen[bytes], room: Path) -> tuple[float, int, int, float]:
    proc = Path(f"/proc/{process.pid}")
    status = dict(part.split(":", 1) for part in (proc / "status").read_text().splitlines())
    record = sum(path.stat().st_size for path in room.glob("history.sqlite*"))
    files = sum(1 for path in room.rglob("*") if path.is_file())
    return int(status["VmRSS"].split()[0]) / 1024, len(list((proc / "fd").iterdir())), files, record / 1024
