"""INITRAMFS: the first files of the guest: busybox, the modules, ``init.sh``.

In:    a kernel as ``fetch`` leaves it.
Out:   one uncompressed cpio archive, which is the quickest to unpack under emulation.
Never: holds a test or a Python: those come from the host's own files.
"""

from __future__ import annotations

import lzma
import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.kernel.fetch import FOR_THE_ROOT, FOR_THE_TESTS, Kernel, module_files
from tests.kernel.host import Impossible, must_run, which

INIT = Path(__file__).with_name("init.sh")
FOLDERS = ("bin", "proc", "sys", "dev", "host", "layer", "new")


def build(kernel: Kernel, target: Path) -> None:
    """Writes the archive. Raises Impossible."""
    with tempfile.TemporaryDirectory() as name:
        tree = Path(name)
        for folder in FOLDERS:
            (tree / folder).mkdir()
        shutil.copy2(which("busybox") or "busybox", tree / "bin/busybox")
        shutil.copy2(INIT, tree / "init")
        (tree / "init").chmod(0o755)
        (tree / "modules-first").write_text("".join(f"{module}\n" for module in FOR_THE_ROOT))
        _put_modules(kernel, tree)
        _archive(tree, target)


def _put_modules(kernel: Kernel, tree: Path) -> None:
    inside = Path("lib/modules") / kernel.version
    home = (kernel.tree / inside).resolve()
    (tree / inside).mkdir(parents=True)
    for index in home.glob("modules.[bo]*"):  # builtin..., order
        if index.suffix != ".bin":
            shutil.copy2(index, tree / inside)
    for name in (*FOR_THE_ROOT, *FOR_THE_TESTS):
        files = module_files(kernel.tree, kernel.version, name)
        if files is None:
            raise Impossible(f"kernel {kernel.version} has no module {name}")
        for file in files:
            relative = file.resolve().relative_to(home)
            _unpacked(file, tree / inside / relative)
    must_run([which("depmod") or "depmod", "-b", tree, kernel.version], Impossible)


def _unpacked(file: Path, target: Path) -> None:
    """A copy without compression: busybox' modprobe need not know any."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if file.suffix == ".xz":
        target.with_suffix("").write_bytes(lzma.decompress(file.read_bytes()))
    elif file.suffix == ".zst":
        must_run(["zstd", "-dqf", file, "-o", target.with_suffix("")], Impossible)
    else:
        shutil.copy2(file, target)


def _archive(tree: Path, target: Path) -> None:
    names = sorted(str(path.relative_to(tree)) for path in tree.rglob("*"))
    with target.open("wb") as archive:
        done = subprocess.run(
            ["cpio", "--create", "--format=newc", "--quiet", "--owner=0:0"],
            input="\n".join(names).encode(),
            stdout=archive,
            cwd=tree,
            check=False,
        )
    if done.returncode != 0:
        raise Impossible(f"cpio ended with {done.returncode}")
