"""The parts of the kernel tier that need no guest: what they make of texts, and what counts as passed."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from tests.kernel import acpi_table, fetch, jobs, machine
from tests.kernel.guest import gpio_trace
from tests.kernel.host import Impossible, NoDownload, must_run

HERE = Path(__file__).parent

# The form of both events is that of include/trace/events/gpio.h ("%u %3s (%d)", "%u %3s %d"), that of a line
# Documentation/trace/ftrace.rst.
STOCK_CLASS = """\
# tracer: nop
#           TASK-PID     CPU#  |||||  TIMESTAMP  FUNCTION
          python-129     [000] .....    12.345678: gpio_direction: 529  in (0)
          python-129     [000] .....    12.345700: gpio_value: 529 get 1
          python-129     [000] .....    12.345800: gpio_value: 529 set 0
          python-129     [000] .....    12.345801: gpio_direction: 529 out (0)
          python-129     [000] .....    12.346200: gpio_value: 529 set 1
          python-130     [000] .....    12.346300: tracing_mark_write: MARK import pydantic
"""


def test_a_pulse_is_seen_in_the_trace() -> None:
    events = gpio_trace.parse(STOCK_CLASS)
    assert [event.what for event in events] == ["in", "get", "set", "out", "set", "mark"]
    assert {event.number for event in events if event.what != "mark"} == {529}
    assert gpio_trace.driven(events) == [0, 1]
    assert events[-1].detail == "import pydantic"
    assert events[0].at_s == pytest.approx(12.345678, abs=1e-9)


def test_no_event_is_made_of_other_lines() -> None:
    assert gpio_trace.parse("# gpio_value: 529 set 1\nnothing\n\n") == []


def test_the_kernel_that_a_meta_package_names() -> None:
    said = "linux-image-amd64\n  Depends: linux-image-7.3.4+deb13-amd64\n  Suggests: x\n"
    assert fetch.image_version(said) == "7.3.4+deb13-amd64"
    with pytest.raises(NoDownload):
        fetch.image_version("linux-image-amd64\n  Depends: linux-base\n")


def test_a_tree_without_modules_lacks_them_all(tmp_path: Path) -> None:
    assert fetch.lacking(tmp_path, "1.2.3") == [*fetch.FOR_THE_ROOT, *fetch.FOR_THE_TESTS]


@pytest.mark.parametrize(
    ("troubles", "kind"),
    [
        ([NoDownload("x")] * 3, NoDownload),
        ([NoDownload("x"), Impossible("no gpio-sim"), NoDownload("x")], Impossible),
    ],
)
def test_only_a_failed_download_is_a_reason_to_skip(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, troubles: list[Exception], kind: type[Exception]
) -> None:
    left = iter(troubles)

    def from_suite(cache: Path, suite: str, say: object) -> fetch.Kernel:
        raise next(left)

    monkeypatch.setattr(fetch, "_from_suite", from_suite)
    monkeypatch.setattr(fetch, "KEYRING", tmp_path)
    monkeypatch.setattr(fetch, "which", lambda program: "/bin/true")
    with pytest.raises(kind):
        fetch.get(tmp_path, lambda words: None)
    assert len(fetch.SUITES) == 3


def test_the_acpi_table() -> None:
    """ACPI 6.5, 5.2.6: all bytes sum to zero, the length counts the header; 6.4.3.4: the descriptor."""
    table = acpi_table.table(machine.CHIP_AT)
    assert table[:4] == b"SSDT"
    assert int.from_bytes(table[4:8], "little") == len(table)
    assert sum(table) % 256 == 0
    memory = table.index(bytes([0x86, 9, 0]))
    assert int.from_bytes(table[memory + 4 : memory + 8], "little") == machine.CHIP_AT
    # 20.2.4: the outermost package is the rest of the table; below 64 its length is one byte, itself counted
    assert table[36] == 0x10
    assert table[37] == len(table) - 37 < 64


def ended(status: int | None = 0, output: str = "", console: str = "", late: bool = False) -> machine.Ended:
    return machine.Ended(status, output, console, 1.0, late)


REPORT = '<testsuites><testsuite tests="{0}" failures="{1}" errors="0" skipped="{2}"/></testsuites>'


@pytest.mark.parametrize(
    ("counts", "guest", "trouble"),
    [
        ((9, 0, 0), ended(), ""),
        ((9, 1, 0), ended(1), "1 of 9 tests did not pass"),
        ((9, 0, 2), ended(), "2 of 9 tests did not pass"),
        ((0, 0, 0), ended(), "0 of 0 tests did not pass"),
        ((9, 0, 0), ended(3), "pytest ended with 3"),
        ((9, 0, 0), ended(None), "the guest ended before its job did"),
        ((9, 0, 0), ended(None, late=True), "the time limit was reached"),
    ],
)
def test_a_suite_is_judged(
    tmp_path: Path, counts: tuple[int, int, int], guest: machine.Ended, trouble: str
) -> None:
    (tmp_path / "report.xml").write_text(REPORT.format(*counts))
    outcome = jobs.judge_suite("relay", guest, tmp_path)
    assert outcome.trouble.startswith(trouble)
    assert bool(outcome.trouble) is bool(trouble)


def test_a_suite_without_a_report_has_failed(tmp_path: Path) -> None:
    assert "no report" in jobs.judge_suite("relay", ended(), tmp_path).trouble


FED = "fed, and alive; now the case"
REBOOT = jobs.WATCHDOG_SAYS["unfed"]


@pytest.mark.parametrize(
    ("case", "guest", "passed"),
    [
        ("fed", ended(0, FED), True),
        ("fed", ended(None, FED, REBOOT), False),
        ("fed", ended(0, ""), False),
        ("unfed", ended(None, FED, REBOOT), True),
        ("unfed", ended(None, FED, ""), False),
        ("unfed", ended(1, FED, REBOOT), False),
        ("unfed", ended(None, FED, REBOOT, late=True), False),
        ("halted", ended(None, FED, jobs.WATCHDOG_SAYS["halted"]), True),
        ("halted", ended(None, FED, jobs.WATCHDOG_SAYS["halted"], late=True), False),
        ("halted", ended(None, FED, REBOOT), False),
    ],
)
def test_a_watchdog_is_judged(case: str, guest: machine.Ended, passed: bool) -> None:
    outcome = jobs.judge_watchdog(case, guest)
    assert (outcome.passed == 1) is passed
    assert (outcome.trouble == "") is passed


def test_every_test_of_the_guest_is_in_a_suite() -> None:
    listed = sorted(name for names in jobs.SUITES.values() for name in names)
    assert listed == sorted(path.name for path in (HERE / "guest").glob("test_*.py"))


def test_a_command_that_fails_is_told() -> None:
    with pytest.raises(Impossible, match="ended with 3: words"):
        must_run(
            [sys.executable, "-c", "import sys; print('words', file=sys.stderr); sys.exit(3)"], Impossible
        )
    with pytest.raises(NoDownload, match="cannot be run"):
        must_run(["/no/such/program"], NoDownload)


def test_the_record_is_one_line(tmp_path: Path) -> None:
    from tests.kernel import run

    kernel = fetch.Kernel("7.3.4+deb13-amd64", "trixie-backports", tmp_path, tmp_path)
    words = "kernel 7.3.4+deb13-amd64 (trixie-backports): 12 passed, 2026-01-14\n"
    assert run.record_text(kernel, 12, date(2026, 1, 14)) == words


def test_the_init_script_is_one_that_a_shell_can_read() -> None:
    assert subprocess.run(["sh", "-n", HERE / "init.sh"], check=False).returncode == 0
