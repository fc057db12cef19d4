"""WATCHDOG: feeds a watchdog of the kernel's for a while, then does as told. A boot of its own each time.

In:    a case: "fed", "unfed" or "halted".
Out:   exit status 0 where the guest lives; nothing at all where the watchdog has reset it.
Never: ends the watchdog's patience by itself.

Run as a program in the guest, by ``run.py``.
Sources: Documentation/watchdog/watchdog-api.rst; Documentation/admin-guide/sysrq.rst ("c": a crash).
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

DEVICE = Path("/dev/watchdog0")
PATIENCE_S = 6
"""Long enough for an emulated machine on a busy host to feed it in time."""
FED_S = 2.5 * PATIENCE_S
LONG_S = 600.0
CASES = {
    "fed": ("softdog", f"soft_margin={PATIENCE_S}"),
    "unfed": ("softdog", f"soft_margin={PATIENCE_S}"),
    "halted": ("i6300esb", f"heartbeat={PATIENCE_S}"),
}


def feed(watchdog: int, for_s: float) -> None:
    until = time.monotonic() + for_s
    while time.monotonic() < until:
        os.write(watchdog, b".")
        time.sleep(0.5)


def main(case: str) -> int:
    subprocess.run(["modprobe", *CASES[case]], check=True)
    while not DEVICE.exists():
        time.sleep(0.05)
    watchdog = os.open(DEVICE, os.O_WRONLY)
    feed(watchdog, FED_S if case == "fed" else 1.0)
    print(f"fed, and alive; now the case {case!r}", flush=True)
    if case == "fed":
        os.write(watchdog, b"V")  # the close is meant
        os.close(watchdog)
        return 0
    if case == "halted":
        Path("/proc/sys/kernel/sysrq").write_text("1")
        Path("/proc/sysrq-trigger").write_text("c")  # a panic; with panic=0 the kernel halts for good
    time.sleep(LONG_S)  # the process that should feed it hangs
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
