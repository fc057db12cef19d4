"""A small ext4 image on a loop device: a memory card that can be filled, or copied as a power cut leaves it.

In:    a folder; root.
Out:   a mounted folder, and copies of the image.
Never: stands in for a bad card: the copy keeps the order of writes and has no torn sectors.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from tests.crash.world import not_tested


class Card:
    """``mount`` is where it is seen. What has not been synced is not in a copy of ``image``."""

    def __init__(self, folder: Path, megabytes: int) -> None:
        self.image, self.mount = folder / "card.img", folder / "card"
        if os.geteuid() != 0 or not shutil.which("mkfs.ext4"):
            not_tested("a card of its own needs root and mkfs.ext4")
        self.mount.mkdir()
        with self.image.open("wb") as file:
            file.truncate(megabytes * 1024 * 1024)
        subprocess.run(("mkfs.ext4", "-q", "-m", "0", "-I", "256", str(self.image)), check=True)
        self.put_in()

    def put_in(self) -> None:
        done = subprocess.run(
            ("mount", "-o", "loop,noatime", str(self.image), str(self.mount)),
            capture_output=True,
            check=False,
        )
        if done.returncode != 0:
            not_tested(f"no image can be mounted here: {done.stderr.decode().strip()}")

    def take_out(self) -> None:
        subprocess.run(("umount", str(self.mount)), check=True)

    def copy(self) -> None:
        """What the power cut leaves: to be taken while nothing writes (the writer stopped, not asked)."""
        subprocess.run(
            ("cp", "--sparse=always", "--reflink=never", str(self.image), f"{self.image}.cut"), check=True
        )

    def back_to_copy(self) -> None:
        """As after the cut: whatever reached the card later never happened."""
        self.take_out()
        Path(f"{self.image}.cut").replace(self.image)
        self.put_in()

    def fill(self) -> Path:
        """Leaves not a single free block. The file to remove when room is to be made."""
        ballast = self.mount / "ballast"
        with ballast.open("wb", buffering=0) as file:
            for size in (65536, 4096, 512):
                block = b"\0" * size
                try:
                    while file.write(block) == size:
                        pass
                except OSError:
                    continue
            os.fsync(file.fileno())
        return ballast

    def throw_away(self) -> None:
        subprocess.run(("umount", str(self.mount)), capture_output=True, check=False)
