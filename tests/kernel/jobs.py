"""JOBS: what is booted: two guests with pytest, and one for each case of the watchdog.

In:    how a guest ended.
Out:   what that proves, or why it is a failure.
Never: counts a guest as passed that said nothing.
"""

from __future__ import annotations

import os
import shlex
import tempfile
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import NamedTuple

from tests.kernel.host import ROOT, Impossible, must_run
from tests.kernel.machine import Ended

GUEST = "tests/kernel/guest"
SUITES = {
    "relay": ("test_relay.py", "test_force_off.py", "test_probes.py"),
    "room": ("test_room.py",),
}
"""Guests of about the same length, side by side."""
WATCHDOG_SAYS = {
    "fed": "",
    "unfed": "softdog: Initiating system reboot",
    "halted": "Kernel panic - not syncing",
}
"""What the console must show, for each case."""


IMPORTS = (
    "import controller.cli, controller.daemon, gpiozero.pins.lgpio, xml.etree.ElementTree; "
    "controller.cli.parser(); from tests.kernel.guest import zygote"
)


class Outcome(NamedTuple):
    name: str
    passed: int
    trouble: str
    """Why it failed; "" when it passed."""
    facts: tuple[str, ...] = ()


def pytest_command(python: Path, bytecode: Path, suite: str) -> str:
    """For a shell in the guest. No conftest.py but the guest's own is loaded."""
    tests = [f"{GUEST}/{name}" for name in SUITES[suite]]
    words = [*_pytest(python), "-q", "--basetemp=/run/pytest", "--junitxml=/run/job/report.xml", *tests]
    return f"cd {shlex.quote(str(ROOT))} && {_settings(bytecode)} exec {shlex.join(words)}"


def watchdog_command(python: Path, bytecode: Path, case: str) -> str:
    words = [str(python), str(ROOT / GUEST / "watchdog.py"), case]
    return f"{_settings(bytecode)} exec {shlex.join(words)}"


def compile_for(python: Path, bytecode: Path) -> None:
    """Has this machine compile what the guests will import: compiling is slow under emulation.

    Raises Impossible, which is how a module that cannot be imported shows.
    """
    environment = {**os.environ, **_environment(bytecode)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as folder:  # lgpio leaves a FIFO where it is imported
        must_run([python, "-c", IMPORTS], Impossible, Path(folder), environment)
    must_run([*_pytest(python), "-q", "--collect-only", GUEST], Impossible, ROOT, environment)


def _pytest(python: Path) -> list[str]:
    return [str(python), "-m", "pytest", f"--confcutdir={GUEST}", "-p", "no:cacheprovider"]


def _environment(bytecode: Path) -> dict[str, str]:
    return {
        "PYTHONPATH": str(ROOT),
        "PYTHONPYCACHEPREFIX": str(bytecode),
        "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
    }


def _settings(bytecode: Path) -> str:
    return " ".join(f"{name}={shlex.quote(value)}" for name, value in _environment(bytecode).items())


def watchdog_devices(case: str) -> tuple[str, ...]:
    """A watchdog of the board's own, which needs no living kernel: qemu's model of the Intel 6300ESB."""
    return ("-device", "i6300esb", "-action", "watchdog=reset") if case == "halted" else ()


def judge_suite(suite: str, ended: Ended, job: Path) -> Outcome:
    """All tests passed, none skipped, and the report says the same as the exit status."""
    trouble = _no_status(ended)
    passed = 0
    try:
        counts = _counts((job / "report.xml").read_text())
    except (OSError, ET.ParseError, ValueError) as error:
        trouble = trouble or f"no report of the tests ({error})"
    else:
        passed = counts["tests"] - counts["failures"] - counts["errors"] - counts["skipped"]
        if passed != counts["tests"] or not passed:
            trouble = trouble or f"{counts['tests'] - passed} of {counts['tests']} tests did not pass"
    if not trouble and ended.status != 0:
        trouble = f"pytest ended with {ended.status}"
    try:
        facts = tuple((job / "facts").read_text().splitlines())
    except OSError:
        facts = ()
    return Outcome(suite, passed, trouble, facts)


def judge_watchdog(case: str, ended: Ended) -> Outcome:
    """Fed: the guest's program ends by itself. Else: a reset, in good time, for the reason that was meant."""
    name = f"watchdog, {case}"
    if "fed, and alive" not in ended.output:
        return Outcome(
            name, 0, _no_status(ended) or f"the watchdog was never fed: {ended.output.strip()[-200:]}"
        )
    if WATCHDOG_SAYS[case] not in ended.console:
        return Outcome(name, 0, f"the console does not say {WATCHDOG_SAYS[case]!r}")
    if ended.timed_out:
        return Outcome(name, 0, "no reset within the time limit")
    if case == "fed" and ended.status != 0:
        return Outcome(name, 0, f"a machine that was looked after ended with {ended.status}")
    if case != "fed" and ended.status is not None:
        return Outcome(name, 0, f"no reset: the program ended with {ended.status}")
    return Outcome(name, 1, "")


def _no_status(ended: Ended) -> str:
    if ended.timed_out:
        return "the time limit was reached"
    if ended.status is None:
        last = ended.console.strip().splitlines()[-3:]
        return f"the guest ended before its job did: {' / '.join(last)}"
    return ""


def _counts(report: str) -> dict[str, int]:
    """The figures of a JUnit report. Raises ET.ParseError, ValueError."""
    suite = ET.fromstring(report).find("testsuite")
    if suite is None:
        raise ValueError("it names no test suite")
    return {key: int(suite.get(key, "0")) for key in ("tests", "failures", "errors", "skipped")}
