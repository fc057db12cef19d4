"""What a board feels of the program: start, memory, CPU, bytes to its card."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from controller import Decision, Inputs, Settings
from controller.force_off import write_line_file
from controller.history.store import SqliteHistory
from controller.keep import FileKeep
from controller.loop import Loop
from controller.status import StatusFile
from controller.wiring import make_rehearsal
from tests.benchmarks.paper import ROOT, line


def _python(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run((sys.executable, *arguments), capture_output=True, text=True, check=False, **more)


def commands() -> None:
    for arguments in (("--help",), ("--version",), ("bench", "--days", "0.01")):
        took = []
        for _ in range(5):
            began = time.perf_counter()
            _python("-m", "controller", *arguments)
            took.append(time.perf_counter() - began)
        line(f"hygrohold {' '.join(arguments)}", f"{min(took):.2f} to {max(took):.2f} s (5 runs)")


def daemon() -> None:
    """A real process on a made-up probe, 60 s at 10 s ticks: start, memory, CPU, bytes written."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        rows = "\n".join(f"{i * 5},{60 + i % 7 / 10},{23 + i % 5 / 10}" for i in range(200))
        (root / "rows.csv").write_text("time,rh_pct,temp_c\n" + rows + "\n")
        (root / "room.toml").write_text(
            f'settings_version = 1\n[room]\nstate_dir = "{root}"\n'
            f'[[probe]]\nkind = "replay"\nfile = "{root}/rows.csv"\n[loop]\ntick_s = 10\n'
        )
        began = time.perf_counter()
        process = subprocess.Popen(
            (sys.executable, "-m", "controller", "run", "--settings", str(root / "room.toml")),
            stderr=subprocess.DEVNULL,
        )
        try:
            while not (root / "room" / "status.json").exists():
                time.sleep(0.01)
            first_s = time.perf_counter() - began
            began_s = _cpu_s(process.pid)
            time.sleep(60)
            share = (_cpu_s(process.pid) - began_s) / 60
            proc = Path(f"/proc/{process.pid}")
            status = dict(part.split(":", 1) for part in (proc / "status").read_text().splitlines())
            written = dict(part.split(": ") for part in (proc / "io").read_text().splitlines())["write_bytes"]
        finally:
            process.terminate()
            process.wait()
    line("run: start to first decision (status file there)", f"{first_s:.2f} s")
    line("run: resident memory", f"{int(status['VmRSS'].split()[0]) / 1024:.1f} MiB")
    line("run: share of a core at 10 s ticks", f"{100 * share:.2f} %")
    line("run: bytes to the page cache's disk in the first minute", f"{int(written) / 1024:.0f} KiB")


def disk() -> None:
    """A day's bytes to a card: one simulated day, real files, on an ext4 image behind a loop device.

    Needs root; counts the sectors that the block device got. First only what the program itself waits
    for; then with a sync after every tick that changed anything, so that nothing is saved by waiting.
    """
    if os.geteuid() != 0:
        line("bytes to the disk in a day", "not measured: needs root for a loop mount")
        return
    for sync, what in ((False, "as synced by the program"), (True, "everything synced: the most")):
        runs, megabytes = _day_on_card(sync)
        line(f"bytes to the disk in a day of {runs} runs, {what}", f"{megabytes:.1f} MB")


def _day_on_card(sync: bool) -> tuple[int, float]:
    with tempfile.TemporaryDirectory() as folder:
        image, mount = Path(folder) / "card.img", Path(folder) / "card"
        mount.mkdir()
        with image.open("wb") as file:
            file.truncate(256 * 1024 * 1024)
        subprocess.run(("mkfs.ext4", "-q", str(image)), check=True)
        subprocess.run(("mount", "-o", "loop,noatime", str(image), str(mount)), check=True)
        try:
            find = ("findmnt", "-n", "-o", "SOURCE", str(mount))
            device = subprocess.run(find, capture_output=True, text=True, check=True).stdout.strip()
            stat = Path("/sys/block") / Path(device).name / "stat"
            os.sync()
            before = int(stat.read_text().split()[6])
            runs = _a_day_on(mount, sync)
            os.sync()
            return runs, (int(stat.read_text().split()[6]) - before) * 512 / 1e6
        finally:
            subprocess.run(("umount", str(mount)), check=False)


class Syncing:
    """Implements ``loop.Teller``."""

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        if changed:
            os.sync()


def _a_day_on(mount: Path, sync: bool) -> int:
    settings = Settings(bench={"days": 1})
    rehearsal = make_rehearsal(settings, trace=False)
    keep = FileKeep(mount)
    keep.load(settings.runtime.cap_s)
    status = StatusFile(mount / "status.json", "room", settings.loop.tick_s, 0.4)
    parts = rehearsal.begin(None)._replace(
        keep=keep,
        history=SqliteHistory.open(mount / "history.sqlite"),
        tellers=(status, Syncing()) if sync else (status,),
    )
    Loop(parts, settings.loop.tick_s).run()
    return rehearsal.world.relay.switchings // 2


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def relay_off() -> None:
    """How soon the relay's line is driven off; there is no such chip here, so up to the attempt."""
    with tempfile.TemporaryDirectory() as folder:
        write_line_file(folder, "/dev/gpiochip999", 17, 0)
        script = str(ROOT / "controller/force_off.py")
        early = "from controller.early_off import begin; begin(None)"
        for what, arguments in (
            ("the off step of the service (force_off.py alone)", ("-I", "-S", script, folder)),
            ("hygrohold run, up to the line held off early", ("-c", early)),
        ):
            took = []
            for _ in range(9):
                began = time.perf_counter()
                _python(*arguments, cwd=ROOT, env={**os.environ, "RUNTIME_DIRECTORY": folder})
                took.append(time.perf_counter() - began)
            line(what, f"{1e3 * min(took):.0f} to {1e3 * max(took):.0f} ms (9 starts, no such line here)")
