"""The board's clocks, and a wait that a signal can end.

In:    the kernel's clocks, its boot id, and what it says about synchronisation.
Out:   an Instant; or, from a wait, whether to go on.
Never: calls the wall clock right without being told so: any doubt means not trusted.

The wait listens on a pipe and not on a ``threading.Event``: an Event set by a signal handler
can deadlock with the very thread that waits on it, writing one byte to a pipe cannot.
"""

from __future__ import annotations

import ctypes
import os
import select
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from controller.core.records import Instant

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")  # systemd-timesyncd.service(8)
_TRUST_KEPT_S = 60.0
_WAIT_MAX_S = 3600.0  # longer waits go round again
_TIMEX_BYTES = 512  # struct timex is 208 bytes at most; its first field, modes = 0, means read only
_TIME_ERROR = 5  # adjtimex(2): also what STA_UNSYNC leads to


def kernel_says_synchronised() -> bool:
    """False when the kernel holds its clock for unsynchronised, or will not tell."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < _TIME_ERROR


def wall_is_trusted() -> bool:
    try:
        return kernel_says_synchronised() or _SYNCHRONISED.exists()
    except OSError:
        return False


def boot_id(path: Path = _BOOT_ID) -> str:
    """Names this boot; "" where the kernel does not tell."""
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


def _utc_now() -> datetime:
    return datetime.now(UTC)


def elapsed_s() -> float:
    """Seconds since boot, those asleep included: a relay left on runs on while the board sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class BoardClock:
    """``timezone`` None means the system's own. ``stop`` may be called from a signal handler."""

    def __init__(
        self,
        timezone: tzinfo | None = None,
        *,
        monotonic: Callable[[], float] = elapsed_s,
        utc_now: Callable[[], datetime] = _utc_now,
        trusted: Callable[[], bool] = wall_is_trusted,
        waiter: Callable[[float], object] | None = None,
        boot: str | None = None,
    ) -> None:
        self._timezone = timezone
        self._monotonic = monotonic
        self._utc_now = utc_now
        self._trusted = trusted
        self._wait = waiter or self.wait_for_wake
        self._boot = boot_id() if boot is None else boot
        self._trust = False
        self._trust_until_s = float("-inf")
        self._stopped = False
        self._heard, self._wake = os.pipe()
        os.set_blocking(self._wake, False)

    def now(self) -> Instant:
        mono_s = self._monotonic()
        if mono_s >= self._trust_until_s:
            self._trust = self._trusted()
            self._trust_until_s = mono_s + _TRUST_KEPT_S
        return Instant(mono_s, self._utc_now().astimezone(self._timezone), self._trust, self._boot)

    def wait_until(self, mono_s: float) -> bool:
        while not self._stopped:
            left_s = mono_s - self._monotonic()
            if not left_s > 0.0:
                return True
            self._wait(min(left_s, _WAIT_MAX_S))
        return False

    def wait_for_wake(self, seconds: float) -> None:
        """Waits so long, or until ``stop``, even if that came first."""
        select.select([self._heard], [], [], seconds)

    def stop(self) -> None:
        """Ends a wait at once, and every later one. Nothing starts it again."""
        self._stopped = True
        with suppress(OSError):  # a full pipe wakes as well; a closed clock has nobody to wake
            os.write(self._wake, b"!")

    def close(self) -> None:
        """Gives the pipe back; the clock still tells the time, but waits no more."""
        self._stopped = True
        heard, wake, self._heard, self._wake = self._heard, self._wake, -1, -1
        for end in (heard, wake):
            if end >= 0:
                os.close(end)
