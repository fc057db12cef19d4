"""hygrohold: holds the humidity of one heated room, and rehearses it first.

The public core. Importing this package touches nothing; each name is loaded when first used, so
that a command that only prints its help does not pay for the settings library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.core.controller import Controller
    from controller.core.records import Answer, Decision, Inputs, Instant, Message, Reading, Reason, Request
    from controller.core.state import State
    from controller.core.step import advance
    from controller.settings import Settings

__version__ = "0.1.0"

_HOME = {
    "Answer": "controller.core.records",
    "Controller": "controller.core.controller",
    "Decision": "controller.core.records",
    "Inputs": "controller.core.records",
    "Instant": "controller.core.records",
    "Message": "controller.core.records",
    "Reading": "controller.core.records",
    "Reason": "controller.core.records",
    "Request": "controller.core.records",
    "Settings": "controller.settings",
    "State": "controller.core.state",
    "advance": "controller.core.step",
}

__all__ = [
    "Answer",
    "Controller",
    "Decision",
    "Inputs",
    "Instant",
    "Message",
    "Reading",
    "Reason",
    "Request",
    "Settings",
    "State",
    "advance",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'controller' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
