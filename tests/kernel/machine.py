"""MACHINE: boots a kernel under emulation, runs one command in the guest on the host's own files.

In:    kernel, initramfs, a job folder, a command for a shell.
Out:   the command's exit status and output, and the console; no status where the guest ended without one.
Never: writes to the host's files, except into the job folder.

Software emulation (TCG) is the default even where /dev/kvm exists: a virtual machine may offer it and
not be able to boot a guest with it.
"""

from __future__ import annotations

import re
import subprocess
import threading
import time
from pathlib import Path
from typing import NamedTuple

from tests.kernel import acpi_table
from tests.kernel.fetch import Kernel

MEMORY_MIB = 640
CHIP_AT = 0x2000_0000
"""Memory at 512 MiB that the kernel leaves alone (memmap=): the registers of ``acpi_table``'s chip."""
CPU = {"tcg": "max", "kvm": "host"}
_ESCAPES = re.compile(r"\x1b(\[[0-9;?]*[A-Za-z]|c)")


class Ended(NamedTuple):
    """How a guest ended. ``status`` None: reset, or stopped, before its command ended."""

    status: int | None
    output: str
    console: str
    took_s: float
    timed_out: bool


def boot(
    kernel: Kernel,
    initramfs: Path,
    job: Path,
    command: str,
    limit_s: float,
    accelerator: str = "tcg",
    devices: tuple[str, ...] = (),
) -> Ended:
    """Boots, waits for the end, reads what the guest left in ``job``. ``devices``: more words for qemu."""
    (job / "command").write_text(command + "\n")
    (job / "table.aml").write_bytes(acpi_table.table(CHIP_AT))
    began = time.monotonic()
    guest = subprocess.Popen(
        _qemu(kernel, initramfs, job, accelerator, devices),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    late = threading.Event()

    def end_it() -> None:
        late.set()
        guest.kill()

    limit = threading.Timer(max(limit_s, 1.0), end_it)
    limit.daemon = True
    limit.start()
    try:
        console = _listen(guest, job / "console", began)
        guest.wait()
    finally:
        limit.cancel()
        guest.kill()
        guest.wait()
    status = _read(job / "status").strip()
    return Ended(
        int(status) if status.isdigit() else None,
        _read(job / "output"),
        console,
        time.monotonic() - began,
        late.is_set(),
    )


def _qemu(
    kernel: Kernel, initramfs: Path, job: Path, accelerator: str, devices: tuple[str, ...]
) -> list[str]:
    words = " ".join(
        (
            "console=ttyS0 quiet mitigations=off",
            "panic=0",  # a panic halts for good: only a watchdog can end that
            f"memmap=0x10000${CHIP_AT:#x}",
        )
    )
    return [
        "qemu-system-x86_64", "-accel", accelerator, "-machine", "q35", "-cpu", CPU[accelerator],
        "-smp", "1", "-m", str(MEMORY_MIB), "-nodefaults", "-no-user-config", "-display", "none",
        "-serial", "stdio", "-no-reboot", "-kernel", str(kernel.image), "-initrd", str(initramfs),
        "-append", words, "-acpitable", f"file={job / 'table.aml'}",
        *_share("host", "/", read_only=True), *_share("job", str(job), read_only=False), *devices,
    ]  # fmt: skip


def _share(tag: str, path: str, read_only: bool) -> list[str]:
    # multidevs=remap: the host's files may lie on several file systems, whose inode numbers clash
    share = f"local,id={tag},path={path},security_model=none,multidevs=remap"
    return [
        "-fsdev", share + (",readonly=on" if read_only else ""),
        "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}",
    ]  # fmt: skip


def _listen(guest: subprocess.Popen[bytes], file: Path, began: float) -> str:
    """The console until it closes, each line with the seconds since qemu's start."""
    lines = []
    assert guest.stdout is not None
    with file.open("w") as kept:
        for raw in guest.stdout:
            text = _ESCAPES.sub("", raw.decode(errors="replace")).rstrip()
            if text:
                lines.append(f"{time.monotonic() - began:7.2f} {text}")
                print(lines[-1], file=kept, flush=True)
    return "\n".join(lines)


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace")
    except FileNotFoundError:
        return ""
