"""Marks in the kernel's trace when a Python starts and when it first asks for a big library.

Python itself imports a module of this name at its start, if it finds one: only where a test puts this folder
on PYTHONPATH.
"""

from __future__ import annotations

import sys
from pathlib import Path

MARKER = Path("/sys/kernel/tracing/trace_marker")
BIG = ("pydantic", "gpiozero", "gpiod")


class _Onlooker:
    """An import hook that finds nothing, and tells the trace of the first question for each big library."""

    def __init__(self) -> None:
        self._left = set(BIG)

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        if name in self._left:
            self._left.discard(name)
            MARKER.write_text(f"MARK import {name}")


MARKER.write_text("MARK python")
sys.meta_path.insert(0, _Onlooker())  # type: ignore[arg-type]
