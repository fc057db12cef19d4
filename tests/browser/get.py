"""GET: what the browser tier needs and this machine may lack.

In:    apt (as root), pip and npm, each through its own client.
Out:   a browser with its driver, Selenium, axe-core of the pinned version, in a cache folder.
Never: changes the tree, or believes a download whose checksum is another.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tarfile
from importlib.util import find_spec
from pathlib import Path

from tests.kernel.host import Impossible, NoDownload, Say, must_run, which

PROGRAMS = {"chromium": "chromium", "chromedriver": "chromium-driver", "npm": "npm"}
"""Program -> Debian package."""
SELENIUM = "selenium>=4.25"
AXE = "axe-core@4.14.1"
AXE_SHA256 = "e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745"


def programs(say: Say) -> None:
    """Installs what is missing. Raises NoDownload, Impossible."""
    missing = sorted({package for program, package in PROGRAMS.items() if which(program) is None})
    if not missing:
        return
    if os.geteuid() != 0 or which("apt-get") is None:
        raise Impossible(f"not there: {', '.join(missing)}; as root on Debian this installs them")
    say(f"installing {', '.join(missing)}")
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    must_run(("apt-get", "-qq", "update"), NoDownload, environment=quiet)
    must_run(
        ("apt-get", "-qq", "-y", "--no-install-recommends", "install", *missing),
        NoDownload,
        environment=quiet,
    )


def selenium(cache: Path, say: Say) -> str:
    """A folder for PYTHONPATH that has Selenium; "" where it is installed. Raises NoDownload."""
    folder = cache / f"selenium-{sys.version_info[0]}.{sys.version_info[1]}"
    if find_spec("selenium") is not None:
        return ""
    if not (folder / "selenium").is_dir():
        say(f"fetching {SELENIUM}")
        must_run(
            (sys.executable, "-m", "pip", "install", "--quiet", "--target", folder, SELENIUM), NoDownload
        )
    return str(folder)


def axe(cache: Path, say: Say) -> Path:
    """The script of axe-core. Raises NoDownload, Impossible."""
    packed = cache / f"{AXE.replace('@', '-')}.tgz"
    cache.mkdir(parents=True, exist_ok=True)
    if not packed.is_file():
        say(f"fetching {AXE}")
        must_run(("npm", "pack", "--silent", "--pack-destination", cache, AXE), NoDownload)
    found = hashlib.sha256(packed.read_bytes()).hexdigest()
    if found != AXE_SHA256:
        packed.unlink()
        raise Impossible(f"{AXE} has the SHA-256 {found}, and not the pinned one")
    script = cache / f"{AXE.replace('@', '-')}.min.js"
    with tarfile.open(packed) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        script.write_bytes(member.read())
    return script
