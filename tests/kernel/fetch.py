"""FETCH: a kernel of Debian's that has what the guest's tests need, unpacked but not installed.

In:    the suites of Debian's archive, through apt with lists of its own.
Out:   a cache folder with one kernel image and the few modules of it that are loaded, with what they need.
Never: touches the system's apt lists, its installed packages or its own kernel.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.kernel.host import Impossible, NoDownload, Say, must_run, which

SUITES = ("trixie-backports", "forky", "sid")
"""Tried in this order. Older kernels of Debian's have no gpio-sim."""
FOR_THE_ROOT = ("virtio_pci", "9pnet_virtio", "9p", "overlay")
FOR_THE_TESTS = (
    "configfs",
    "gpio-sim",
    "gpio-amdpt",
    "i2c-dev",
    "i2c-stub",
    "sht21",
    "bmp280-i2c",
    "softdog",
    "i6300esb",
)
META_PACKAGE = "linux-image-amd64"
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
MIRROR = "http://deb.debian.org/debian"
"""Where the machine's own apt sources name no other."""

_IMAGE = re.compile(r"^\s*Depends: linux-image-(\d\S+)$", re.MULTILINE)


class Kernel(NamedTuple):
    """An unpacked kernel. ``tree`` holds lib/modules/``version``."""

    version: str
    suite: str
    image: Path
    tree: Path


def get(cache: Path, say: Say, fresh: bool = False) -> Kernel:
    """The kernel in the cache, or else the first suite's that will do. Raises NoDownload, Impossible."""
    if not fresh:
        for kernel in _cached(cache):
            if not lacking(kernel.tree, kernel.version):
                say(f"kernel {kernel.version} ({kernel.suite}) from the cache in {kernel.tree}")
                return kernel
    if which("apt-get") is None or which("dpkg-deb") is None or not KEYRING.exists():
        raise NoDownload("this machine has no apt with Debian's key (debian-archive-keyring)")
    had, not_had = [], []
    for suite in SUITES:
        say(f"asking {suite} for a kernel")
        try:
            return _from_suite(cache, suite, say)
        except NoDownload as trouble:
            say(f"{suite}: {trouble}")
            not_had.append(suite)
        except Impossible as trouble:
            say(f"{suite}: {trouble}")
            had.append(f"{suite}: {trouble}")
    if had:
        raise Impossible(f"no suite has a kernel that will do: {'; '.join(had)}")
    raise NoDownload(f"no kernel from {', '.join(not_had)}")


def image_version(depends: str) -> str:
    """The version in the answer of ``apt-cache depends`` for the meta package. Raises NoDownload."""
    found = _IMAGE.search(depends)
    if found is None:
        raise NoDownload(f"{META_PACKAGE} names no kernel")
    return found[1]


def lacking(tree: Path, version: str) -> list[str]:
    """The wanted modules that a kernel has neither as a file nor built in."""
    return [name for name in (*FOR_THE_ROOT, *FOR_THE_TESTS) if module_files(tree, version, name) is None]


def module_files(tree: Path, version: str, name: str) -> list[Path] | None:
    """The files to load for a module, in order; none for one that is built in; None where it is missing."""
    command = [which("modprobe") or "modprobe", "-d", tree, "-S", version, "--show-depends", name]
    try:
        said = must_run(command, Impossible)
    except Impossible:
        return None
    files = [Path(line.split()[1]) for line in said.splitlines() if line.startswith("insmod ")]
    return files if all(file.is_file() for file in files) else None


def _cached(cache: Path) -> Iterator[Kernel]:
    """Whole ones only: the file that names the suite is written last."""
    for note in sorted(cache.glob("*/suite"), key=lambda path: path.stat().st_mtime, reverse=True):
        folder = note.parent
        yield Kernel(folder.name, note.read_text().strip(), folder / "vmlinuz", folder)


def _from_suite(cache: Path, suite: str, say: Say) -> Kernel:
    cache.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=cache, prefix="fetching-") as name:
        work = Path(name)
        apt = _Apt(work / "apt", suite)
        version = image_version(apt.cache("depends", META_PACKAGE))
        say(f"downloading kernel {version} from {suite}")
        packages = [f"linux-image-{version}"]
        # Since 7.x linux-image-VERSION is an empty shell round these.
        parts = [f"linux-{part}-{version}" for part in ("binary", "modules", "base")]
        known = apt.cache("pkgnames", "linux-").split()
        debs = apt.download([*packages, *(part for part in parts if part in known)], work)
        whole = work / "whole"
        for deb in debs:
            must_run(["dpkg-deb", "-x", deb, whole], Impossible)
            deb.unlink()
        return _keep_what_is_needed(whole, version, suite, cache)


def _keep_what_is_needed(whole: Path, version: str, suite: str, cache: Path) -> Kernel:
    """Raises Impossible where a module is missing."""
    modules = next(
        (found for found in (whole / "usr/lib/modules", whole / "lib/modules") if found.is_dir()), None
    )
    images = sorted(whole.rglob("vmlinuz*"))
    if modules is None or not images:
        raise Impossible(f"the packages of {version} hold no kernel image, or no modules")
    if not (whole / "lib").exists():
        (whole / "lib").symlink_to("usr/lib")
    must_run([which("depmod") or "depmod", "-b", whole, version], Impossible)
    missing = lacking(whole, version)
    if missing:
        raise Impossible(f"kernel {version} has no {', '.join(missing)}")
    folder = cache / version
    shutil.rmtree(folder, ignore_errors=True)
    target = folder / "lib/modules" / version
    target.mkdir(parents=True)
    for index in modules.joinpath(version).glob("modules.builtin*"):
        shutil.copy2(index, target)
    shutil.copy2(modules / version / "modules.order", target)
    for name in (*FOR_THE_ROOT, *FOR_THE_TESTS):
        for file in module_files(whole, version, name) or []:
            to = target / file.resolve().relative_to(modules.resolve() / version)
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(file, to)
    must_run([which("depmod") or "depmod", "-b", folder, version], Impossible)
    shutil.copy2(images[0], folder / "vmlinuz")
    (folder / "suite").write_text(suite + "\n")
    return Kernel(version, suite, folder / "vmlinuz", folder)


class _Apt:
    """apt with lists, cache and sources of its own below ``folder``, for one suite."""

    def __init__(self, folder: Path, suite: str) -> None:
        for part in ("lists/partial", "cache/archives/partial"):
            (folder / part).mkdir(parents=True)
        sources = folder / "sources.list"
        sources.write_text(f"deb [signed-by={KEYRING}] {_mirror()} {suite} main\n")
        self._options = [
            f"-oDir::Etc::sourcelist={sources}",
            "-oDir::Etc::sourceparts=-",
            f"-oDir::State::lists={folder / 'lists'}",
            f"-oDir::Cache={folder / 'cache'}",
            "-oDir::State::status=/dev/null",
            "-oAPT::Sandbox::User=root",
            "-oAcquire::Languages=none",
            "-oAcquire::Retries=2",
            "-oAPT::Update::Error-Mode=any",
        ]
        must_run(["apt-get", "-qq", *self._options, "update"], NoDownload)

    def cache(self, *words: str) -> str:
        return must_run(["apt-cache", *self._options, *words], NoDownload)

    def download(self, packages: list[str], into: Path) -> list[Path]:
        must_run(["apt-get", "-qq", *self._options, "download", *packages], NoDownload, cwd=into)
        return sorted(into.glob("*.deb"))


def _mirror() -> str:
    """The one this machine's own sources name, so that a mirror near by or a proxy's is used."""
    try:
        sites = must_run(
            ["apt-get", "indextargets", "--format", "$(SITE)", "Created-By: Packages"], NoDownload
        )
    except NoDownload:
        return MIRROR
    fitting = [site for site in sorted(set(sites.split())) if site.rstrip("/").endswith("/debian")]
    return fitting[0] if fitting else MIRROR
