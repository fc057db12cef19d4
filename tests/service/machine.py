"""A real systemd as the first process of a machine of its own: namespaces over an overlay of ``/``.

Nothing outside is changed: every file it writes goes to the overlay's upper folder, /sys and /proc/sys
are read-only, the network is its own, and of this machine's units only the journal is started.
A SIGKILL ends it (SIGTERM would only have it re-execute itself), which is a power cut to those inside.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SYSTEMD = Path("/lib/systemd/systemd")
PYTHON = "/opt/hygrohold/bin/python"
PATIENCE_S = 25.0

BOOT = r"""
set -e
mount --make-rprivate /
R=$BASE/root
mount -t overlay overlay -o lowerdir=/,upperdir=$BASE/up,workdir=$BASE/work $R
mount -t proc proc $R/proc
mount --bind $R/proc/sys $R/proc/sys
mount -o remount,ro,bind $R/proc/sys
mount -t sysfs -o ro sysfs $R/sys
mount -t cgroup2 cgroup2 $R/sys/fs/cgroup
mount -t tmpfs tmpfs $R/run
mount -t tmpfs tmpfs $R/tmp
mount -t tmpfs -o mode=755 tmpfs $R/dev
for device in null zero full random urandom tty; do
  touch $R/dev/$device
  mount --bind /dev/$device $R/dev/$device
done
mkdir $R/dev/pts $R/dev/shm
if [ ! -e $R/made ]; then
  touch $R/made
  rm -rf $R/etc/systemd/system/*.wants $R/lib/systemd/system/*.target.wants $R/lib/systemd/system-generators
  rm -rf $R/var/lib/hygrohold $R/etc/hygrohold $R/var/log/journal
  mkdir $R/lib/systemd/system-generators $R/lib/systemd/system/sysinit.target.wants
  ln -s ../systemd-journald.service $R/lib/systemd/system/sysinit.target.wants/
  mkdir -p $R/opt/py $R/opt/site $R/opt/src $R/opt/room
  echo /opt/py/lib > $R/etc/ld.so.conf.d/py.conf
fi
mount --bind $PYTHON_PREFIX $R/opt/py
mount --bind $SITE $R/opt/site
mount --bind $SOURCE $R/opt/src
for part in py site src; do mount -o remount,bind,ro $R/opt/$part; done
chroot $R ldconfig
exec env -i container=test PATH=/usr/sbin:/usr/bin:/sbin:/bin chroot $R \
  /lib/systemd/systemd --unit=multi-user.target --show-status=no --log-target=journal
"""


class NoMachine(Exception):
    """Why none can be started here."""


class Machine:
    """One machine; ``power_on``, ``power_cut`` and ``power_on`` again keep its disk."""

    def __init__(self, folder: Path, source: Path = ROOT) -> None:
        if sys.platform != "linux" or os.geteuid() != 0:
            raise NoMachine("only root on Linux may start a systemd in namespaces")
        for tool in ("unshare", "nsenter", "mount", "chroot", "ldconfig", "useradd", "bash"):
            if shutil.which(tool) is None:
                raise NoMachine(f"there is no {tool}")
        if not SYSTEMD.exists():
            raise NoMachine(f"there is no {SYSTEMD}")
        self._base = folder / "machine"
        self._source = source
        self._process: subprocess.Popen[str] | None = None
        self._log = folder / "boot.log"
        self._cgroup = _cgroup_root() / f"hygrohold-test-{os.getpid()}"
        for part in ("root", "work", "up/opt/hygrohold/bin"):
            (self._base / part).mkdir(parents=True)
        self._venv()

    @property
    def up(self) -> Path:
        """What was written so far, as this machine's root sees it. To be changed only while it is off."""
        return self._base / "up"

    def _venv(self) -> None:
        version = f"python{sys.version_info[0]}.{sys.version_info[1]}"
        home = self.up / "opt/hygrohold"
        packages = home / "lib" / version / "site-packages"
        packages.mkdir(parents=True)
        (home / "bin/python").symlink_to(f"/opt/py/bin/{version}")
        (home / "pyvenv.cfg").write_text("home = /opt/py/bin\ninclude-system-site-packages = false\n")
        (packages / "parts.pth").write_text("/opt/src\n/opt/site\n")
        command = home / "bin/hygrohold"
        command.write_text(f"#!{PYTHON} -I\nimport sys\nfrom controller.cli import main\nsys.exit(main())\n")
        command.chmod(0o755)

    def power_on(self) -> None:
        """Raises NoMachine where this kernel or container does not allow it."""
        try:
            self._cgroup.mkdir(exist_ok=True)
        except OSError as error:
            raise NoMachine(f"no cgroup can be made: {error}") from error
        environment = {
            **os.environ, "BASE": str(self._base), "PYTHON_PREFIX": sys.base_prefix,
            "SITE": sysconfig.get_path("purelib"), "SOURCE": str(self._source),
        }  # fmt: skip
        enter = f"echo $$ > {self._cgroup}/cgroup.procs; exec "
        enter += (
            'unshare --pid --mount --cgroup --ipc --uts --net --fork --kill-child=SIGKILL bash -c "$BOOT"'
        )
        with self._log.open("a") as log:
            self._process = subprocess.Popen(
                ["bash", "-c", enter], env={**environment, "BOOT": BOOT}, stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, text=True,
            )  # fmt: skip
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            if self._process.poll() is not None:
                raise NoMachine(f"it ended at once: {self._log.read_text()[-500:]}")
            with suppress(OSError, IndexError):
                if self.run("systemctl", "is-active", "multi-user.target").returncode == 0:
                    return
            time.sleep(0.1)
        raise NoMachine(f"it did not start within {PATIENCE_S:g} s: {self._log.read_text()[-500:]}")

    def power_cut(self) -> None:
        if self._process is None:
            return
        first = self._first()
        if first:
            with suppress(ProcessLookupError):
                os.kill(first, 9)
        self._process.kill()
        self._process.wait()
        self._process = None
        for _ in range(50):
            _remove_cgroups(self._cgroup)
            if not self._cgroup.exists():
                return
            time.sleep(0.1)

    def _first(self) -> int:
        """The systemd, by its number out here: the only child of our own unshare. 0 while there is none."""
        assert self._process is not None
        path = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        with suppress(OSError, IndexError):
            return int(path.read_text().split()[0])
        return 0

    def run(self, *words: str, user: str = "", **more: Any) -> subprocess.CompletedProcess[str]:
        """Runs a command inside, as a user with that user's groups and umask 022."""
        first = self._first()
        if not first:
            raise ProcessLookupError("the machine is not running")
        start = ["nsenter", "-t", str(first), "-m", "-p", "-C", "-n", "-i", "-u", "-r", "-w", "env", "-i"]
        start += ["PATH=/usr/sbin:/usr/bin:/sbin:/bin:/opt/hygrohold/bin", "COLUMNS=100", "SYSTEMD_PAGER="]
        if user:
            start += [f"USER={user}", f"HOME=/home/{user}", "runuser", "-u", user, "--"]
        return subprocess.run(
            [*start, *words], capture_output=True, text=True, timeout=60, check=False, cwd="/", **more
        )

    def said(self, *words: str, user: str = "") -> str:
        """The output of a command that has to succeed."""
        done = self.run(*words, user=user)
        assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
        return done.stdout.strip()

    def shown(self, unit: str, name: str) -> str:
        return self.said("systemctl", "show", "--value", "-p", name, unit)

    def journal(self, unit: str, *more: str) -> str:
        return self.said("journalctl", "--no-pager", "-o", "cat", "-u", unit, *more)

    def until(self, true: Callable[[], Any], what: str) -> Any:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            with suppress(OSError):
                found = true()
                if found:
                    return found
            time.sleep(0.1)
        raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")

    def inside(self, path: str) -> Path:
        """A path in there, as seen from out here while it runs."""
        return Path(f"/proc/{self._first()}/root{path}")


def _cgroup_root() -> Path:
    for line in Path("/proc/mounts").read_text().splitlines():
        _, where, kind, *_ = line.split()
        if kind == "cgroup2":
            return Path(where)
    raise NoMachine("no cgroup2 is mounted")


def _remove_cgroups(folder: Path) -> None:
    for inner, _, _ in os.walk(folder, topdown=False):
        with suppress(OSError):
            os.rmdir(inner)  # noqa: PTH106  a cgroup's folder holds files that rmdir alone takes along
