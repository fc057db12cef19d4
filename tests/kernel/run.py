"""The kernel tier: hygrohold's relay, room and probes on a real Linux kernel, booted in an emulated machine.

    python tests/kernel/run.py             fetches a kernel of Debian's if need be, boots it, says what passed
    python tests/kernel/run.py --fetch     only fetches what is needed; any Python 3.11, nothing installed
    python tests/kernel/run.py --record    ... and writes down in LAST_PASSED.md which kernel passed

Exit codes: 0 passed; 1 failed; 77 skipped, and only because a download failed. A kernel that was had and
does not boot, or lacks what the tests need, has failed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.kernel import fetch, initramfs, jobs, machine  # noqa: E402 - found by the line above
from tests.kernel.host import Impossible, NoDownload, guest_python, install_programs  # noqa: E402

PASSED, FAILED, SKIPPED = 0, 1, 77
"""77 is what the test harness of GNU Automake takes for "skipped"."""
LIMIT_S = 600.0
RECORD = HERE / "LAST_PASSED.md"


def say(words: str) -> None:
    print(f"[kernel] {words}", flush=True)


def main(arguments: list[str]) -> int:
    args = _parser().parse_args(arguments)
    began = time.monotonic()
    try:
        install_programs(say)
        kernel = fetch.get(args.cache, say, args.fresh)
        if args.fetch:
            return PASSED
        python = guest_python(args.cache, say)
        bytecode = args.cache / f"bytecode-{python.resolve().name}"
        jobs.compile_for(python, bytecode)
        with tempfile.TemporaryDirectory(prefix="hygrohold-kernel-") as name:
            work = Path(args.keep or name)
            work.mkdir(parents=True, exist_ok=True)
            archive = work / "initramfs.cpio"
            initramfs.build(kernel, archive)
            say(f"booting {kernel.version} ({kernel.suite}) with {args.accel}, {args.side_by_side} at a time")
            bench = Bench(kernel, archive, python, bytecode, work, args.accel, began + args.limit_s)
            outcomes = run_all(bench, args.side_by_side, args.only)
    except NoDownload as trouble:
        say(f"SKIPPED, nothing was tested: a download failed: {trouble}")
        return SKIPPED
    except Impossible as trouble:
        say(f"FAILED: {trouble}")
        return FAILED
    failed = ", ".join(outcome.name for outcome in outcomes if outcome.trouble)
    passed = sum(outcome.passed for outcome in outcomes)
    verdict = f"{passed} passed" + (f", FAILED: {failed}" if failed else "")
    say(f"kernel {kernel.version}: {verdict}; {time.monotonic() - began:.0f} s")
    if failed:
        return FAILED
    if args.record and not args.only:
        RECORD.write_text(record_text(kernel, passed, datetime.now(UTC).date()))
    return PASSED


def record_text(kernel: fetch.Kernel, passed: int, day: date) -> str:
    """One line, for the documents to state."""
    return f"kernel {kernel.version} ({kernel.suite}): {passed} passed, {day.isoformat()}\n"


class Bench(NamedTuple):
    """What all guests of one run share. ``until_s``: the time limit on the monotonic clock."""

    kernel: fetch.Kernel
    archive: Path
    python: Path
    bytecode: Path
    work: Path
    accelerator: str
    until_s: float

    def suite(self, suite: str) -> jobs.Outcome:
        job = self._job(suite)
        ended = self._boot(job, jobs.pytest_command(self.python, self.bytecode, suite))
        return told(jobs.judge_suite(suite, ended, job), ended)

    def watchdog(self, case: str) -> jobs.Outcome:
        command = jobs.watchdog_command(self.python, self.bytecode, case)
        ended = self._boot(self._job(f"watchdog-{case}"), command, jobs.watchdog_devices(case))
        return told(jobs.judge_watchdog(case, ended), ended)

    def _job(self, name: str) -> Path:
        folder = self.work / name
        folder.mkdir()
        return folder

    def _boot(self, job: Path, command: str, devices: tuple[str, ...] = ()) -> machine.Ended:
        limit_s = self.until_s - time.monotonic()
        return machine.boot(self.kernel, self.archive, job, command, limit_s, self.accelerator, devices)


def run_all(bench: Bench, side_by_side: int, only: list[str] | None) -> list[jobs.Outcome]:
    """The long ones first; each in a guest and a job folder of its own."""
    wanted = {suite: partial(bench.suite, suite) for suite in jobs.SUITES}
    wanted |= {f"watchdog-{case}": partial(bench.watchdog, case) for case in jobs.WATCHDOG_SAYS}
    with ThreadPoolExecutor(side_by_side) as pool:
        running = [pool.submit(job) for name, job in wanted.items() if not only or name in only]
        return [job.result() for job in running]


def told(outcome: jobs.Outcome, ended: machine.Ended) -> jobs.Outcome:
    """Said as soon as it is known; of a failure, all that the guest said."""
    if outcome.trouble:
        console = "\n".join(ended.console.splitlines()[-40:])
        say(f"{outcome.name}: FAILED: {outcome.trouble}\n{ended.output}\n--- console\n{console}")
    else:
        say(f"{outcome.name}: {outcome.passed} passed, {ended.took_s:.0f} s")
        for fact in outcome.facts:
            say(f"    {fact}")
    return outcome


def _parser() -> argparse.ArgumentParser:
    cache = Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache").expanduser() / "hygrohold-kernel"
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cache", type=Path, default=cache, help="where the kernel is kept (%(default)s)")
    parser.add_argument("--fetch", action="store_true", help="only fetch programs and kernel")
    parser.add_argument("--fresh", action="store_true", help="fetch a kernel although one is in the cache")
    parser.add_argument(
        "--record", action="store_true", help="write the kernel that passed into LAST_PASSED.md"
    )
    parser.add_argument(
        "--accel", choices=machine.CPU, default="tcg", help="tcg: emulation; kvm: where it works"
    )
    parser.add_argument("--limit-s", type=float, default=LIMIT_S, help="for the whole, seconds (%(default)g)")
    parser.add_argument(
        "--side-by-side", type=int, default=min(os.cpu_count() or 1, 4), help="guests at a time (%(default)s)"
    )
    parser.add_argument("--keep", help="a folder for what the guests leave, instead of a temporary one")
    parser.add_argument("--only", nargs="*", help="these jobs only, such as relay or watchdog-fed")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
