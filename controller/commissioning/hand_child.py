"""The process that holds the relay's line while it is tried, and may be killed with the line on.

In:    one command a line: ``on``, ``off`` or ``look``.
Out:   one JSON line each: what was commanded, and what the line was read back as; or an error in words.
Never: stays on without being asked again for longer than ``MOST_ON_S``, or when whoever asked is gone.

It is started as ``python -I -c BOOT SYS_PATH MODULE:CLASS SETTINGS`` by ``hand.py``.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from importlib import import_module
from types import FrameType
from typing import Any

from controller.devices.settings import RelaySettings
from controller.errors import HygroholdError
from controller.ports import Relay

MOST_ON_S = 60.0
"""Nobody needs longer to look at a lamp."""


def main(arguments: list[str]) -> int:
    """Holds the relay until its input ends. 0: driven off; 1: an error was told."""
    signal.signal(signal.SIGTERM, _end)
    module, _, name = arguments[0].partition(":")
    relay: Relay | None = None
    try:
        settings = RelaySettings.model_validate_json(arguments[1])
        relay = getattr(import_module(module), name)(settings)
        _obey(relay, MOST_ON_S)
        relay.close()
    except HygroholdError as error:
        _tell(error=str(error))
        return 1
    except Exception as error:
        _tell(error=f"{type(error).__name__}: {error}")
        return 1
    finally:
        if relay is not None:
            relay.close()
    return 0


def _end(number: int, frame: FrameType | None) -> None:
    raise SystemExit(1)


def _obey(relay: Relay, most_on_s: float) -> None:
    """Returns at the end of input."""
    on, ahead = False, b""
    _tell(on=on, seen=relay.seen_on())
    while True:
        if on and not select.select([0], [], [], most_on_s)[0]:
            on = False
            relay.switch(on)
            continue
        block = os.read(0, 4096)
        if not block:
            return
        *lines, ahead = (ahead + block).split(b"\n")
        for line in lines:
            if line in (b"on", b"off"):
                on = line == b"on"
                relay.switch(on)
            _tell(on=on, seen=relay.seen_on())


def _tell(**words: Any) -> None:
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()
