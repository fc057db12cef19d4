"""CHILDREN: small programs that hold a relay, each run as a process of its own.

In:    words: driver, chip, polarity; and lines on standard input, one per step.
Out:   a line on standard output after each step.
Never: catches what the test wants to see uncaught.
"""

from __future__ import annotations

import sys
from itertools import count
from typing import NoReturn

PIN = 17


def _relay(kind: str, chip: str, active_high: str):  # type: ignore[no-untyped-def]
    from controller.devices.relay_gpiozero import GpiozeroRelay
    from controller.devices.relay_libgpiod import LibgpiodRelay
    from controller.devices.settings import RelaySettings

    settings = RelaySettings(kind=kind, chip=int(chip), pin=PIN, active_high=active_high == "1")
    return {"gpiozero": GpiozeroRelay, "libgpiod": LibgpiodRelay}[kind](settings)


def hold(kind: str, chip: str, active_high: str) -> None:
    """Builds a relay, then does what each line says until one ends it."""
    relay = _relay(kind, chip, active_high)
    print("built", flush=True)
    for line in sys.stdin:
        todo = line.strip()
        if todo == "return":
            return
        if todo == "raise":
            raise RuntimeError("an error that nothing catches")
        if todo == "exit":
            sys.exit(3)
        if todo == "close":
            relay.close()
        else:
            try:
                relay.switch(todo == "on")
            except Exception as error:
                print(f"{type(error).__name__}: {error}", flush=True)
        print(f"did {todo}, seen {relay.seen_on()}", flush=True)


def try_to_build(kind: str, chip: str, active_high: str) -> None:
    """Says in which words it fails."""
    try:
        _relay(kind, chip, active_high)
    except Exception as error:
        print(f"{type(error).__name__}: {error}", flush=True)
    else:
        print("built", flush=True)


def stock(chip: str, active_high: str) -> None:
    """gpiozero's own class as it comes, for comparison."""
    from gpiozero import OutputDevice
    from gpiozero.pins.lgpio import LGPIOFactory

    factory = LGPIOFactory(chip=int(chip))
    device = OutputDevice(PIN, active_high=active_high == "1", initial_value=False, pin_factory=factory)
    print("built", flush=True)
    sys.stdin.readline()
    device.close()


def run_and_break(looks: str, *words: str) -> NoReturn:
    """``hygrohold``, whose probe raises what nothing expects after so many looks."""
    from controller.cli import main
    from controller.devices.probe_hwmon import HwmonProbe

    honest, number = HwmonProbe.read, count()

    def read(probe: HwmonProbe):  # type: ignore[no-untyped-def]
        if next(number) >= int(looks):
            raise MemoryError("an error that nothing expects")
        return honest(probe)

    HwmonProbe.read = read  # type: ignore[method-assign]
    sys.exit(main(words))
