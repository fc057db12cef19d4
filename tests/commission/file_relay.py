"""A relay whose line is a file: it can be looked at from outside, and stays as it is when its owner dies."""

from __future__ import annotations

import os
import time
from pathlib import Path

from controller.devices.settings import RelaySettings
from controller.errors import RelayError

LINE, TROUBLE = "FILE_RELAY_LINE", "FILE_RELAY_TROUBLE"
"""The variables that name the file, and what is to go wrong."""


class FileRelay:
    """Implements ``ports.Relay``: the electrical level, "0" or "1"."""

    def __init__(self, settings: RelaySettings) -> None:
        self._off = settings.off_level
        self._path = Path(os.environ[LINE])
        self._trouble = os.environ.get(TROUBLE, "")
        if self._trouble == "busy":
            raise RelayError("the relay's line 5 is in use")
        if self._trouble == "hangs":
            time.sleep(600)
        if self._trouble == "dies":
            os._exit(7)
        self.switch(False)

    def switch(self, on: bool) -> None:
        if on and self._trouble == "breaks":
            raise ValueError("no such level")
        if on and self._trouble == "dies when on":
            self._drive(1 - self._off)
            os._exit(7)
        if on and self._trouble == "gone when on":
            raise RelayError("the relay's line has gone away")
        self._drive(1 - self._off if on else self._off)

    def _drive(self, level: int) -> None:
        """In one step: whoever looks meanwhile sees the one level or the other."""
        beside = self._path.with_name("line.part")
        beside.write_text(str(level))
        beside.replace(self._path)

    def seen_on(self) -> bool | None:
        return self._path.read_text() != str(self._off)

    def close(self) -> None:
        if self._trouble == "stays":
            time.sleep(600)
        self.switch(False)
