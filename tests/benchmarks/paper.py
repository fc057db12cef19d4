"""Where the figures go: a table, line by line."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def line(what: str, figure: str) -> None:
    print(f"{what:<58} {figure}", flush=True)
