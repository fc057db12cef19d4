"""A room to look at in a browser: a made-up month on record, the real `run` on a replayed probe, the page.

Everything is invented and says so in its names; the processes are real ones.
"""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, Queue

from controller.core.records import Answer, Instant, Request, SurfaceHour
from controller.history import SqliteHistory
from controller.ports import Sample

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 20.0
MINUTE_S, DAY_S = 60.0, 86400.0


def made_up_record(path: Path, days: int, end_s: float, dry: bool = False) -> None:
    """Days of a heated winter room, up to ``end_s``: RH swings round its target, mist for some of it."""
    history = SqliteHistory.open(path)
    began_s = end_s - days * DAY_S
    on_before = False
    with history.together():
        for n in range(1, int(days * 1440)):
            at_s = began_s + n * MINUTE_S
            hour = datetime.fromtimestamp(at_s, UTC).hour
            is_day = 8 <= hour < 20
            target = 62.0 if is_day else 66.0
            swing = n % 90
            on = swing < 25 and not (dry and n % 1440 < 300)
            drop = 9.0 * math.exp(-((((n % 1440) - 200) / 70.0) ** 2))  # a window, once a day
            rh = target - 2.0 + 4.0 * math.sin(swing / 90.0 * 2.0 * math.pi - 0.7) - drop
            row = (at_s, True, round(rh, 1), 24.0 + math.sin(hour / 4.0), None, None, None, None, target)
            history.sample(Sample(*row, is_day, 60.0 if on else 0.0, 2.5, 4.0, "" if on else "enough"))
            at = Instant(n * MINUTE_S, datetime.fromtimestamp(at_s, UTC), True)
            if on != on_before:
                history.switched(at, on, "demand" if on else "enough")
                on_before = on
            if n % 60 == 0:
                warm = 17.0 + math.sin(hour / 4.0)
                history.surface(at, SurfaceHour(warm, 74.0 + hour / 6.0, False, 75.0, 0.0004 * n / 60))
        for day, kind, more in (
            (9, "refilled", {"litres": 2.5}),
            (6, "shed", {"animal": "Juno", "outcome": "whole", "remark": "tail included"}),
            (3, "cleaned", {}),
            (2, "opaque", {"animal": "Fern"}),
        ):
            at = Instant((days - day) * DAY_S, datetime.fromtimestamp(end_s - day * DAY_S, UTC), True)
            history.note(at, Answer(Request(kind, by="Ann", id=f"{kind}-{day}", **more), True, "noted"))  # type: ignore[arg-type]
    history.close()


def clean_environment(folder: Path) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("HYGROHOLD", "XDG_", "COV_"))
        and name not in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "JOURNAL_STREAM")
    }
    return {**kept, "PYTHONPATH": str(ROOT), "HOME": str(folder), "USER": "tester"}


class MadeUpRoom:
    """One room's files and the processes over it. Each process is ended by its own number."""

    def __init__(self, folder: Path, name: str = "fern-loft", rh_pct: float = 58.0, more: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.name = folder, name
        self.state = folder / "state" / name
        self.settings = folder / f"{name}.toml"
        self.replay = folder / f"{name}.csv"
        rows = "".join(f"{second},{rh_pct + second % 7 / 10:.1f},24.{second % 3}\n" for second in range(900))
        self.replay.write_text(f"time,rh_pct,temp_c\n{rows}")
        self.settings.write_text(
            f'settings_version = 1\n[room]\nname = "{name}"\nstate_dir = "{folder / "state"}"\n'
            f'timezone = "UTC"\n[[probe]]\nkind = "replay"\nfile = "{self.replay}"\n[loop]\ntick_s = 1\n'
            f"[guards]\nshortest_off_s = 0\n{more}"
        )
        self.loop: subprocess.Popen[str] | None = None

    def record(self, days: int, dry: bool = False) -> None:
        self.state.mkdir(parents=True, exist_ok=True)
        made_up_record(self.state / "history.sqlite", days, time.time() - 120.0, dry)

    def start(self) -> None:
        with (self.folder / f"{self.name}.log").open("w") as log:
            self.loop = subprocess.Popen(
                [sys.executable, "-m", "controller", "run", "--settings", str(self.settings)],
                cwd=self.folder,
                env=clean_environment(self.folder),
                stdout=subprocess.DEVNULL,
                stderr=log,
                text=True,
            )
        end = time.monotonic() + PATIENCE_S
        while not (self.state / "status.json").exists():
            assert time.monotonic() < end, (self.folder / f"{self.name}.log").read_text()
            time.sleep(0.05)

    def kill(self) -> None:
        """As a crash: nothing is tidied."""
        if self.loop is not None:
            self.loop.kill()
            self.loop.wait()
            self.loop = None

    def say(self, *words: str) -> str:
        """A keeper's command."""
        done = subprocess.run(
            [sys.executable, "-m", "controller", *words, "--settings", str(self.settings)],
            cwd=self.folder,
            env=clean_environment(self.folder),
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
        return done.stdout + done.stderr


class Served:
    """The page in a process of its own, over some rooms."""

    def __init__(self, folder: Path, *rooms: MadeUpRoom, more: tuple[str, ...] = ()) -> None:
        words = [sys.executable, "-m", "controller", "page", "--port", "0"]
        for room in rooms:
            words += ["--settings", str(room.settings)]
        self._log = folder / "page.log"
        with self._log.open("w") as log:
            self.process = subprocess.Popen(
                [*words, *more],
                cwd=folder,
                env={**clean_environment(folder), "PYTHONUNBUFFERED": "1"},
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        found: Queue[str] = Queue()
        assert self.process.stdout is not None
        threading.Thread(target=lambda: found.put(self.process.stdout.readline()), daemon=True).start()  # type: ignore[union-attr]
        try:
            line = found.get(timeout=PATIENCE_S)
        except Empty:
            line = ""
        address = re.search(r"http://[\d.]+:(\d+)/", line)
        assert address, f"the page did not start: {line} {self._log.read_text()}"
        self.port = int(address[1])
        self.address = address[0].rstrip("/")

    def log(self) -> str:
        return self._log.read_text()

    def end(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.communicate(timeout=PATIENCE_S)
