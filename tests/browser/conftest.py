"""Keeps the browser's tests off a usual run: they need a browser. ``run.py`` fetches one and runs them."""

from __future__ import annotations

import os

collect_ignore = [] if os.environ.get("HYGROHOLD_AXE") else ["checks"]
