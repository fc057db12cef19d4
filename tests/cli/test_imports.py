"""What a fresh interpreter has loaded after a command that only looks."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.test_processes import PATIENCE_S, clean_environment

pytestmark = pytest.mark.process


def imported(tmp_path: Path, code: str) -> set[str]:
    """The top-level modules that a fresh interpreter has after ``code``."""
    script = (
        f"import sys\ntry:\n    {code}\nexcept SystemExit:\n    pass\nsys.stderr.write(' '.join(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=clean_environment(tmp_path),
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=True,
    )
    return {name.split(".")[0] for name in done.stderr.split()}


HEAVY = {
    "pydantic",
    "pydantic_settings",
    "structlog",
    "sqlite3",
    "gpiozero",
    "psychrolib",
    "matplotlib",
    "numpy",
}


@pytest.mark.parametrize(
    "code",
    [
        "import controller",
        "from controller.cli import main; main(['--help'])",
        "from controller.cli import main; main(['bench', '--help'])",
        "from controller.cli import main; main(['--version'])",
    ],
)
def test_what_only_looks_loads_nothing_heavy(tmp_path: Path, code: str) -> None:
    assert imported(tmp_path, code) & HEAVY == set()


def test_the_loop_loads_no_drawing_and_no_numpy(tmp_path: Path) -> None:
    """A small board has some 45 MB for it."""
    found = imported(tmp_path, "import controller.daemon, controller.cli.run")
    assert found & {"matplotlib", "numpy", "pandas", "pvlib", "gpiozero"} == set()
