"""Figures, not tests: how fast, how big. Prints a table; nothing here can fail.

python tests/benchmark.py            all, about two minutes
python tests/benchmark.py core year  only these
"""

from __future__ import annotations

import gc
import json
import math
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from controller import Controller, Decision, Inputs, Instant, Reading, Request, Settings
from controller.history.store import SqliteHistory
from controller.keep import FileKeep
from controller.loop import Loop
from controller.ports import Sample
from controller.status import StatusFile
from controller.wiring import make_rehearsal

START = datetime(2026, 1, 12, tzinfo=UTC)


def line(what: str, figure: str) -> None:
    print(f"{what:<58} {figure}", flush=True)


def _core_s(method: str, steps: int) -> float:
    """CPU seconds for ``steps`` steps with two probes' worth of nothing spared: surface, tank, cap, noise."""
    settings = Settings(
        demand={"method": method}, surface={"frsi": 0.95}, runtime={"cap_hours_in_any_24": 20}
    )
    controller = Controller(settings)
    ticks = [
        (
            Inputs(
                (Reading(65 + 2.5 * math.sin(i / 30) + i % 7 * 0.02, 22.0 + i % 7 * 0.1),), outdoor_c=10.0
            ),
            Instant(i * 10.0, START + timedelta(seconds=10 * i)),
        )
        for i in range(steps)
    ]
    controller.step(Inputs(requests=(Request("refilled"),)), Instant(-10.0, START))
    gc.collect()
    began = time.process_time()
    for inputs, now in ticks:
        controller.step(inputs, now)
    return time.process_time() - began


def core() -> None:
    for method in ("hysteresis", "pid"):
        runs = sorted(_core_s(method, 50_000) / 50_000 * 1e6 for _ in range(5))
        line(f"core step, {method}, surface estimate on", f"{runs[0]:.1f} to {runs[-1]:.1f} us (5 runs)")


def growth() -> None:
    """What is alive after a million steps: objects, and the size of the state as JSON."""
    controller = Controller(Settings())
    found = []
    for i in range(1_000_000):
        reading = Reading(65 + 4 * math.sin(i / 20), 22.0 + i % 7 * 0.1)
        controller.step(Inputs((reading,)), Instant(i * 10.0, START + timedelta(seconds=10 * i)))
        if i in (100_000, 999_999):
            gc.collect()
            found.append((len(gc.get_objects()), len(json.dumps(controller.state.to_plain()))))
    (objects_1, bytes_1), (objects_2, bytes_2) = found
    line("core, objects alive after 1e5 and 1e6 steps", f"{objects_1} and {objects_2}")
    line("core, kept state after 1e5 and 1e6 steps", f"{bytes_1} and {bytes_2} bytes")


def fortnight() -> None:
    for method in ("hysteresis", "pid"):
        settings = Settings(demand={"method": method})
        began = time.perf_counter()
        make_rehearsal(settings, trace=True).run()
        took = time.perf_counter() - began
        ticks = settings.bench.days * 86400 / settings.loop.tick_s
        line(f"fortnight at 10 s ticks, {method}", f"{took:.2f} s, {took / ticks * 1e6:.1f} us a tick")


def year() -> None:
    for name, method, bench in (
        ("plain room, hysteresis", "hysteresis", {}),
        ("plain room, pid", "pid", {}),
        ("all physics, pid", "pid", RICH),
    ):
        settings = Settings(demand={"method": method}, bench={"days": 365, **bench}, loop={"tick_s": 30})
        began = time.perf_counter()
        make_rehearsal(settings, trace=False).run()
        took = time.perf_counter() - began
        line(f"year at 30 s ticks, {name}, record in memory", f"{took:.1f} s")


RICH: dict[str, Any] = {
    "leak": {"area_cm2": 100},
    "store": {"nordtest_class": "moderate", "area_m2": 40},
    "sources": {"dish_m2": 0.05, "sleepers": 1, "hand_mist_ml": 100, "hand_mist_at": ["09:00"]},
    "opening": [{"at": "18:00", "minutes": 15}],
    "cooling": {"cooler_w": 1500},
    "wall": {"area_m2": 3},
    "enclosure": {"volume_m3": 1.5, "dish_m2": 0.02},
    "probe": {"drift_rh_pct_per_day": 0.001, "creep_rh_pct": 1, "self_heating_k": 0.2},
}
"""Every piece of physics on."""


def shares() -> None:
    """Where a rehearsal's time goes: sixty days at 30 s, each part alone over the same ticks."""
    days, tick_s = 60, 30
    ticks = days * 2880
    for name, bench in (("plain room", {}), ("all physics", RICH)):
        settings = Settings(bench={"days": days, **bench}, loop={"tick_s": tick_s})
        began = time.perf_counter()
        make_rehearsal(settings, trace=False).run()
        whole = time.perf_counter() - began
        rehearsal = make_rehearsal(settings, trace=False)
        world, mono_s = rehearsal.world, 0.0
        began = time.perf_counter()
        for index in range(ticks):
            world.relay.switch(index % 40 < 18)
            mono_s += tick_s
            world.wait_until(mono_s)
            world.probe.read()
        physics = time.perf_counter() - began
        controller = Controller(settings)
        inputs = Inputs((Reading(66.0, 24.0),), outdoor_c=0.0)
        nows = [Instant(index * 30.0, START + timedelta(seconds=30 * index)) for index in range(ticks)]
        began = time.perf_counter()
        for now in nows:
            controller.step(inputs, now)
        core_s = time.perf_counter() - began
        history = SqliteHistory.in_memory()
        row = Sample(0.0, True, 66.0, 24.0, 66.0, 24.0, None, None, 65.0, True, 20.0, 2.0, 0.0, "")
        began = time.perf_counter()
        for _ in range(days * 1440):
            history.sample(row)
        history.close()
        history_s = time.perf_counter() - began
        rest = whole - physics - core_s - history_s
        parts = {"physics": physics, "core": core_s, "history": history_s, "loop, witness, shadows": rest}
        line(
            f"{name}: {days / whole:.0f} days a second",
            ", ".join(f"{part} {100 * seconds / whole:.0f} %" for part, seconds in parts.items()),
        )


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


PARTS = {
    "core": core,
    "growth": growth,
    "fortnight": fortnight,
    "year": year,
    "shares": shares,
    "commands": commands,
    "daemon": daemon,
    "disk": disk,
}


def main(names: list[str]) -> None:
    line("machine", f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    line("load before", f"{os.getloadavg()[0]:.1f}")
    for name in names or PARTS:
        PARTS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
