"""Keeps the guest's tests off this machine: they load modules, as root. ``run.py`` runs them in a guest."""

from __future__ import annotations

collect_ignore = ["guest"]
