"""HOST: what this machine must have for the kernel tier, and how it is asked for.

In:    the programs and Python packages that are installed.
Out:   what was missing, installed with apt where this is root; a Python for the guest.
Never: changes the system's own apt state otherwise, or installs a kernel.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROGRAMS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "busybox": "busybox-static",
    "cpio": "cpio",
    "modprobe": "kmod",
    "depmod": "kmod",
}
"""Program -> Debian package. Nothing else is installed: the guest runs on this machine's own files."""
GUEST_NEEDS = (
    *("pytest", "gpiozero", "lgpio", "gpiod"),
    *("pydantic", "pydantic_settings", "platformdirs", "psychrolib", "simple_pid", "structlog"),
)
"""Modules that the Python of the guest must have; hygrohold itself comes from this tree."""
SBIN = ("/usr/local/sbin", "/usr/sbin", "/sbin")

Say = Callable[[str], None]


class Impossible(Exception):
    """The tier cannot run here, and why: it fails."""


class NoDownload(Exception):
    """Something could not be downloaded: the only reason to skip the tier."""


def which(program: str) -> str | None:
    """Like the shell's, but looks into the folders for administrators' programs as well."""
    return shutil.which(program, path=os.pathsep.join((os.environ.get("PATH", ""), *SBIN)))


def must_run(
    command: Iterable[str | Path],
    trouble: type[Exception],
    cwd: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> str:
    """Runs a command; its standard output. Raises ``trouble`` with the last lines where it fails."""
    words = [str(word) for word in command]
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=cwd, env=environment)
    except OSError as error:
        raise trouble(f"{words[0]} cannot be run: {error.strerror}") from error
    if done.returncode != 0:
        said = (done.stderr or done.stdout).strip().splitlines()[-3:]
        raise trouble(f"{words[0]} ended with {done.returncode}: {' / '.join(said)}")
    return done.stdout


def missing_packages() -> list[str]:
    """Debian packages of programs that are not there, or (busybox) are there in a form of no use."""
    missing = {package for program, package in PROGRAMS.items() if which(program) is None}
    busybox = which("busybox")
    if busybox is not None and not _is_static(Path(busybox)):
        missing.add(PROGRAMS["busybox"])
    return sorted(missing)


def _is_static(program: Path) -> bool:
    """An ELF file that asks for no interpreter: only that runs in an initramfs without libraries."""
    return b"/ld-linux" not in program.read_bytes()[:8192]


def install_programs(say: Say) -> None:
    """Raises NoDownload where apt fails, Impossible where this user may not install."""
    missing = missing_packages()
    if not missing:
        return
    command = ["apt-get", "install", "-y", "-q", "--no-install-recommends", *missing]
    if which("apt-get") is None or os.geteuid() != 0:
        raise Impossible(f"these Debian packages are missing: sudo {' '.join(command)}")
    say(f"installing {', '.join(missing)} with apt")
    os.environ["DEBIAN_FRONTEND"] = "noninteractive"
    try:
        must_run(command, NoDownload)
    except NoDownload:  # lists that are too old or not there at all
        must_run(["apt-get", "update", "-q"], NoDownload)
        must_run(command, NoDownload)


def guest_python(cache: Path, say: Say) -> Path:
    """This very Python where it has all that the guest needs, else one of a venv in the cache."""
    lacking = [name for name in GUEST_NEEDS if find_spec(name) is None]
    if not lacking:
        return Path(sys.executable)
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()[:8]
    venv = cache / f"venv-{sys.version_info.major}.{sys.version_info.minor}-{wanted}"
    python = venv / "bin" / "python"
    say(f"{sys.executable} has no {', '.join(lacking)}: using a venv in {venv}")
    if not _has_all(python):
        must_run([sys.executable, "-m", "venv", "--clear", venv], Impossible)
        must_run([python, "-m", "pip", "install", "-q", f"{ROOT}[board,libgpiod]", "pytest>=8.2"], Impossible)
    return python


def _has_all(python: Path) -> bool:
    if not python.exists():
        return False
    imports = "; ".join(f"import {name}" for name in GUEST_NEEDS if name != "lgpio")
    return subprocess.run([python, "-c", imports], capture_output=True, check=False).returncode == 0
