"""The house's own rules, read from the source."""

from __future__ import annotations

import ast
import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from controller.core import alarms, guards
from controller.core.messages import MESSAGES
from controller.core.words import REASONS

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "controller"
MODULES = sorted(PACKAGE.rglob("*.py"))
CORE = sorted((PACKAGE / "core").glob("*.py"))
LONGEST_MODULE = 300

NOT_FOR_THE_CORE = {
    *("io", "os", "pathlib", "shutil", "tempfile", "socket", "subprocess", "sqlite3", "json", "csv"),
    *("time", "random", "secrets", "uuid", "threading", "asyncio", "signal", "select", "sys", "platform"),
    *("logging", "structlog", "gpiozero", "lgpio", "pydantic_settings", "platformdirs", "warnings"),
}
CLOCKS = {"now", "utcnow", "today", "monotonic", "time_ns", "perf_counter"}


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports_of(path: Path) -> frozenset[str]:
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(found)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_each_module_says_what_it_is_for(path: Path) -> None:
    if path.stat().st_size == 0:
        assert path.name == "__init__.py"
        return
    words = ast.get_docstring(tree_of(path))
    assert words
    assert len(words) >= 20


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_is_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_the_core_touches_nothing(path: Path) -> None:
    assert {name.split(".")[0] for name in imports_of(path)} & NOT_FOR_THE_CORE == set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name):
                assert called.id not in ("open", "print", "input", "exec", "eval", "__import__")
            elif isinstance(called, ast.Attribute):
                assert called.attr not in CLOCKS, f"{called.attr}() in line {node.lineno}"


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_the_core_knows_only_itself_and_the_errors(path: Path) -> None:
    ours = {name for name in imports_of(path) if name.startswith("controller")}
    assert {
        name for name in ours if not re.match(r"controller$|controller\.(core|errors)(\.|$)", name)
    } == set()


ONE_DOOR = {
    "psychrolib": ["controller/core/air.py"],
    "simple_pid": ["controller/core/demand_pid.py"],
    "matplotlib": ["controller/picture_parts.py"],
    "apprise": ["controller/notifier/service_child.py"],
    "paho": ["controller/outlets/link.py"],
    "prometheus_client": ["controller/outlets/exposition.py"],
    "svg": ["controller/reporting/charts.py"],
    "bottle": ["controller/page/app.py"],
    "waitress": ["controller/page/serve.py"],
}
ONE_FOLDER = {"sqlite3": "controller/history/", "gpiozero": "controller/devices/"}


@pytest.mark.parametrize("library", [*ONE_DOOR, *ONE_FOLDER])
def test_each_library_has_one_door(library: str) -> None:
    users = [
        name_of(path) for path in MODULES if library in {name.split(".")[0] for name in imports_of(path)}
    ]
    assert users
    if library in ONE_DOOR:
        assert users == ONE_DOOR[library]
    else:
        assert all(user.startswith(ONE_FOLDER[library]) for user in users)


def texts_in_calls(path: Path, function: str) -> set[str]:
    """The first argument of each call of ``function`` in a module, where it is a plain text."""
    found = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == function:
            for first in node.args[:1]:
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    found.add(first.value)
    return found


def texts_of_the_core(function: str) -> set[str]:
    return set().union(*(texts_in_calls(path, function) for path in CORE))


def test_every_reason_has_words() -> None:
    codes = texts_of_the_core("Reason")
    assert len(codes) >= len(guards.GUARDS)
    assert "enough" in codes
    assert codes - set(REASONS) == set()
    assert set(REASONS) - codes == set(), "words for reasons that nothing gives"


def troubles_of_the_edges() -> set[str]:
    told: set[str] = set()
    for path in (PACKAGE / "loop.py", PACKAGE / "daemon.py", PACKAGE / "notifier" / "sender.py"):
        told |= set(re.findall(r'\(\s*"(\w+_\w+)",', path.read_text(encoding="utf-8")))
    return told


def test_every_alarm_and_notice_has_words() -> None:
    codes = texts_of_the_core("Condition") | alarms.NOTICES | set(alarms.PATIENCE_S)
    assert {"state_unkept", "record_broken", "settings_refused"} <= troubles_of_the_edges()
    assert (codes | troubles_of_the_edges()) - set(MESSAGES) == set()
    assert set(MESSAGES) - codes - troubles_of_the_edges() == set(), "words for messages that nothing gives"


def test_a_fault_is_no_notice() -> None:
    """Two kinds of message: a notice tells of the world, an alarm that something is wrong."""
    for code in ("probe_lost", "state_lost", "relay_stuck_on", *troubles_of_the_edges()):
        assert alarms.is_fault(code)
    for code in alarms.NOTICES:
        assert not alarms.is_fault(code)


def tracked() -> list[Path]:
    """What git knows or would know; all files of the tree where it is no work tree (an unpacked sdist)."""
    done = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode != 0 or not done.stdout:
        return [path for path in ROOT.rglob("*") if path.is_file() and ".git" not in path.parts]
    return [ROOT / line for line in done.stdout.splitlines() if (ROOT / line).is_file()]


DEVELOPERS_PATH = re.compile(
    r"(?<![\w.])/(?:work(?:space)?/(?:main|shared|\.)|root/|Users/|home/(?!pi\b|USER\b|user\b|\.\.\.)[a-z]+/|tmp/v\b)"
)


def test_the_pattern_finds_what_it_is_for() -> None:
    for line in ("see /root/x", '"/Users/ann/x"', "(/home/ann/code)"):
        assert DEVELOPERS_PATH.search(line), line
    for line in ("/home/USER/room.toml", "network/main/x", "/sys/class/hwmon", "https://x.org/home/y/"):
        assert not DEVELOPERS_PATH.search(line), line


def test_no_file_names_a_path_of_a_developer_s_machine() -> None:
    found = []
    for path in tracked():
        if path == Path(__file__):
            continue
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (UnicodeDecodeError, OSError):
            continue
        found += [
            f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
            for number, line in enumerate(lines, 1)
            if DEVELOPERS_PATH.search(line)
        ]
    assert found == []
