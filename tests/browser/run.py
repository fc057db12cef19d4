"""The browser tier: the keeper's page in a real browser, over the real program on a made-up room.

    python tests/browser/run.py             fetches what is missing (as root), runs the checks
    python tests/browser/run.py --record    ... and puts the pictures into hardware_notes/
    python tests/browser/run.py -- -k keyboard    what follows goes to pytest

Exit codes: 0 passed; 1 failed; 77 skipped, and only because a download failed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

from tests.browser import get  # noqa: E402 - found by the line above
from tests.kernel.host import Impossible, NoDownload  # noqa: E402

PASSED, FAILED, SKIPPED = 0, 1, 77
BUDGET_S = 60.0
PICTURES = ("page-phone.png", "page-alarm.png", "page-desk.png", "page-rooms.png")


def say(words: str) -> None:
    print(f"[browser] {words}", flush=True)


def main(arguments: list[str]) -> int:
    cache = Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache").expanduser() / "hygrohold-browser"
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cache", type=Path, default=cache, help="where downloads are kept (%(default)s)")
    parser.add_argument("--record", action="store_true", help="put the pictures into hardware_notes/")
    parser.add_argument("--keep", type=Path, help="a folder for all pictures")
    parser.add_argument("more", nargs="*", help="goes to pytest")
    args = parser.parse_args(arguments)
    try:
        get.programs(say)
        path = get.selenium(args.cache, say)
        script = get.axe(args.cache, say)
    except NoDownload as trouble:
        say(f"SKIPPED, nothing was tested: a download failed: {trouble}")
        return SKIPPED
    except Impossible as trouble:
        say(f"FAILED: {trouble}")
        return FAILED
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="hygrohold-browser-") as name:
        pictures = args.keep or Path(name)
        pictures.mkdir(parents=True, exist_ok=True)
        environment = {
            **os.environ,
            "HYGROHOLD_AXE": str(script),
            "HYGROHOLD_PICTURES": str(pictures),
            "PYTHONPATH": os.pathsep.join(part for part in (str(ROOT), path) if part),
        }
        # One after the other, in one process: they share a browser and the rooms.
        command = [sys.executable, "-m", "pytest", "-q", str(HERE / "checks"), "-W", "default", *args.more]
        failed = subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode != 0
        took_s = time.monotonic() - began
        if args.record and not failed:
            for picture in PICTURES:
                shutil.copyfile(pictures / picture, ROOT / "hardware_notes" / picture)
    over = " OVER ITS BUDGET" if took_s > BUDGET_S else ""
    say(f"{'FAILED' if failed else 'passed'}, {took_s:.0f} of {BUDGET_S:.0f} s{over}")
    return FAILED if failed else PASSED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
