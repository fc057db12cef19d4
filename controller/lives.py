"""LIVES: a rehearsal from start to end, through every death of the program.

In:    a simulated world, and how a loop is begun from kept state.
Out:   a finished rehearsal; its world, witness and record hold what happened.
Never: lets a killed loop tidy up: what SIGKILL or a power cut leaves undone stays undone.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import NamedTuple

from controller.core.state import State
from controller.history.store import SqliteHistory
from controller.keep import MemoryKeep
from controller.loop import Loop, Parts
from controller.rehearsal import Witness
from controller.simulator.faulty import FaultyWorld, Killed
from controller.simulator.weather import Weather
from controller.simulator.world import World


class Life(Loop):
    """A loop of the bench: once killed, nothing of its end happens."""

    def __init__(self, parts: Parts, tick_s: float, running: Callable[[], bool]) -> None:
        super().__init__(parts, tick_s)
        self._running = running

    def _end(self) -> None:
        if self._running():
            super()._end()


class Rehearsal(NamedTuple):
    """``begin`` makes the parts of one life from kept state."""

    world: World
    witness: Witness
    history: SqliteHistory
    weather: Weather
    keep: MemoryKeep
    tick_s: float
    begin: Callable[[State | None], Parts]

    def run(self) -> None:
        world = self.world
        if not isinstance(world, FaultyWorld):
            Loop(self.begin(None), self.tick_s).run()
            return
        parts = self.begin(None)
        while True:
            try:
                Life(parts, self.tick_s, lambda: world.running).run()
                return
            except Killed:
                pass
            if not world.away(self.tick_s, self.witness.unattended):
                self.history.close()
                return
            parts = self.begin(read_back(self.keep.state))
            self.history.event(world.now(), "start", "the program began anew from its kept state")


def read_back(state: State) -> State:
    """The state as a file would give it back."""
    return State.from_plain(json.loads(json.dumps(state.to_plain(), allow_nan=False)))
