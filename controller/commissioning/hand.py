"""HAND: the relay in a process of its own, that can be killed as a crash would kill the program.

In:    the relay's settings; on, off, kill.
Out:   what was commanded and what the line was read back as.
Never: claims the line in this process: it would hold it to its end, and what a killed owner leaves behind
       could not be seen.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from contextlib import suppress
from typing import NamedTuple, Protocol

from controller import force_off
from controller.devices.settings import RelaySettings
from controller.errors import RelayError

DRIVERS = {
    "gpiozero": "controller.devices.relay_gpiozero:GpiozeroRelay",
    "libgpiod": "controller.devices.relay_libgpiod:LibgpiodRelay",
}
PATIENCE_S = 60.0
"""A small board takes long to load Python and a library of the line."""
BOOT = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from controller.commissioning.hand_child import main; sys.exit(main(sys.argv[2:]))"
)


class Seen(NamedTuple):
    """``on``: as last commanded. ``line_on``: as the line reads back; None where that cannot be seen."""

    on: bool
    line_on: bool | None


class Hand(Protocol):
    """Holds the relay, off at first."""

    def switch(self, on: bool) -> Seen:
        """Raises RelayError."""
        ...

    def look(self) -> Seen:
        """It goes off by itself after a minute. Raises RelayError."""
        ...

    def kill(self) -> None:
        """Gone without a farewell, the line as it was. May be called twice."""
        ...

    def close(self) -> None:
        """Off, and gone. May be called twice, or after ``kill``. Raises RelayError."""
        ...


class ProcessHand:
    """Implements ``Hand`` by ``hand_child``. Raises RelayError where the line cannot be claimed."""

    def __init__(self, relay: RelaySettings, driver: str = "", patience_s: float = PATIENCE_S) -> None:
        """``driver``: another class of relay than the settings' kind means, as MODULE:CLASS."""
        self._patience_s = patience_s
        self._ahead = b""
        self._mute = False  # it was killed because it did not answer: what the line does is not known
        arguments = [json.dumps(sys.path), driver or DRIVERS[relay.kind], relay.model_dump_json()]
        try:
            # A session of its own: Ctrl-C and a lost connection are for us to hear; we then close it.
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-c", BOOT, *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            raise RelayError(f"the relay's own process could not be started: {error.strerror}") from error
        try:
            self._hear()
        except BaseException:
            self.kill()
            raise

    @property
    def pid(self) -> int:
        return self._process.pid

    def switch(self, on: bool) -> Seen:
        return self._say(b"on\n" if on else b"off\n")

    def look(self) -> Seen:
        return self._say(b"look\n")

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        self._shut()

    def close(self) -> None:
        if self._mute:
            raise RelayError("the relay's own process was killed, mute: whether it is off is not known")
        if self._process.returncode is not None:
            return
        if self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.close()
        try:
            code = self._process.wait(self._patience_s)
        except subprocess.TimeoutExpired:
            self.kill()
            raise RelayError("the relay's own process did not end: whether it is off is not known") from None
        said = self._rest()
        self._shut()
        if code != 0:
            raise RelayError(said or "the relay's own process has ended without a word")

    def _say(self, words: bytes) -> Seen:
        pipe = self._process.stdin
        try:
            if pipe is None or pipe.closed:
                raise BrokenPipeError
            pipe.write(words)
            pipe.flush()
        except OSError:
            raise RelayError(self._rest() or "the relay's own process has ended without a word") from None
        return self._hear()

    def _hear(self) -> Seen:
        """The next line. Raises RelayError where it tells of an error, or does not come."""
        assert self._process.stdout is not None
        descriptor = self._process.stdout.fileno()
        until = time.monotonic() + self._patience_s
        while b"\n" not in self._ahead:
            left_s = until - time.monotonic()
            if left_s <= 0.0 or not select.select([descriptor], [], [], left_s)[0]:
                self._mute = True
                self.kill()
                raise RelayError(f"the relay's own process has not answered for {self._patience_s:g} s")
            block = os.read(descriptor, 4096)
            if not block:
                raise RelayError("the relay's own process has ended without a word")
            self._ahead += block
        line, _, self._ahead = self._ahead.partition(b"\n")
        try:
            plain = json.loads(line)
            if not isinstance(plain, dict):
                raise TypeError
        except (ValueError, TypeError):
            self._mute = True
            self.kill()
            raise RelayError(f"the relay's own process said what is no answer: {line[:80]!r}") from None
        if "error" in plain:
            raise RelayError(str(plain["error"]))
        return Seen(plain["on"], plain["seen"])

    def _rest(self) -> str:
        """The error that a dying process told."""
        if self._process.stdout is None or self._process.stdout.closed:
            return ""
        with suppress(OSError, ValueError):
            lines = (self._ahead + self._process.stdout.read()).splitlines()
            return str(json.loads(lines[-1]).get("error", "")) if lines else ""
        return ""

    def _shut(self) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()


def run_force_off(folder: str) -> tuple[bool, str]:
    """The service's off step as the service runs it. (Did it drive the line off?, what it said.)"""
    try:
        done = subprocess.run(
            [sys.executable, "-I", "-S", force_off.__file__, folder],
            capture_output=True, text=True, check=False, timeout=PATIENCE_S,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError) as error:
        return False, f"the off step could not be run: {error}"
    said = (done.stdout or done.stderr).strip().splitlines()
    words = said[-1].removeprefix("hygrohold: ") if said else "it said nothing"
    # Without a line file there is nothing to do for the service; here it was not driven.
    return done.returncode == 0 and words.startswith("relay driven off"), words
