"""gpiozero's pins on lgpio, changed in two ways: no pulse at the start, no floating line at the end.

In:    gpiozero's calls.
Out:   lgpio's: one claim as output with the right first level, writes, and no other claim.
Never: claims a line as input; frees a line that is to stay off.

The stock pin class claims each line as an input without bias, then as an output that is low, and only
then sets the level: a pulse on a board that switches on at a low line (gpiozero pull request 1177, not
merged). Closing makes it an input without bias again, which floats.
"""

from __future__ import annotations

from collections import defaultdict
from contextlib import suppress
from threading import RLock
from typing import Any

import lgpio
from gpiozero import Device
from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin
from gpiozero.pins.local import LocalPiPin


class StayingPin(LGPIOPin):  # type: ignore[misc]
    """An output from its first claim to the end of the process."""

    def __init__(self, factory: Any, info: Any) -> None:
        LocalPiPin.__init__(self, factory, info)  # past LGPIOPin's own, which claims an input
        self._pwm = None
        self._bounce = None
        self._callback = None
        self._edges = lgpio.BOTH_EDGES
        self._rests_at: int | None = None

    def output_with_state(self, state: Any) -> None:
        """Drives ``state``, and makes it the level at which ``close`` leaves the line."""
        level = int(bool(state))
        if self._rests_at is None:
            lgpio.gpio_claim_output(self.factory._handle, self._number, level)
        else:
            lgpio.gpio_write(self.factory._handle, self._number, level)
        self._rests_at = level

    def close(self) -> None:
        """Called by gpiozero alone: the relay has driven off, and told what went wrong, before that."""
        if self._rests_at is not None:
            with suppress(Exception):
                lgpio.gpio_write(self.factory._handle, self._number, self._rests_at)


class StayingFactory(LGPIOFactory):  # type: ignore[misc]
    """Pins of one chip that stay as they are left."""

    _handle: Any

    def __init__(self, chip: int) -> None:
        super().__init__(chip=chip)
        self.pin_class = StayingPin
        # The stock ones are common to all factories of a process and know no chip. That a line has
        # one owner is the kernel's to say, and it does.
        self.pins: dict[Any, Any] = {}
        self._reservations: Any = defaultdict(list)
        # A device that is collected as garbage while another is being made wants this lock again, in the
        # same thread; the stock lock would then wait for itself for ever.
        self._res_lock: Any = RLock()
        if Device.pin_factory is None:
            Device.pin_factory = self  # gpiozero's hook at exit closes only what belongs to this one

    def close(self) -> None:
        """Called by gpiozero at exit, after its devices: chip and lines stay claimed to the end."""

    def release(self) -> None:
        """Lets go of the chip and its lines."""
        if Device.pin_factory is self:
            Device.pin_factory = None
        handle, self._handle = self._handle, None
        self.pins.clear()
        with suppress(Exception):
            lgpio.gpiochip_close(handle)
