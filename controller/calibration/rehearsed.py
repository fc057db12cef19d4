"""REHEARSED: a simulated probe in a simulated jar, and the program's own book of corrections.

In:    the errors of the bench's probe, from the settings.
Out:   a ``Site`` whose clock runs as fast as it is asked to.
Never: touches a probe, the spool or the kept state of a real room.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from math import exp

from controller.calibration.salts import Salt, fixed_point
from controller.core import calibration
from controller.core.calibration import CalibrationMemory, Corrects
from controller.core.records import Reading, Request
from controller.simulator.sensor import BenchProbe, SimulatedProbe

JAR_S = 420.0
"""How slowly the air of an opened jar comes back to the salt's: invented."""
TEMP_C, ROOM_RH_PCT = 23.0, 55.0


class RehearsedSite:
    """Implements ``walk.Site``. ``pass_time`` moves its clock on."""

    def __init__(self, errors: BenchProbe, salts: tuple[Salt, ...], probes: Sequence[Corrects]) -> None:
        self._probe = SimulatedProbe(errors, "calibration", ROOM_RH_PCT, TEMP_C)
        self._salts = list(salts)
        self._air_rh_pct = self._goal_rh_pct = ROOM_RH_PCT
        self._probes = probes
        self._t = 0.0
        self._wall = datetime(2026, 1, 14, 18, 0, tzinfo=UTC)
        self.memory = CalibrationMemory()

    def now_s(self) -> float:
        return self._t

    def pass_time(self, seconds: float) -> None:
        self._t += seconds
        self._air_rh_pct += (self._goal_rh_pct - self._air_rh_pct) * (1.0 - exp(-seconds / JAR_S))
        self._probe.feel(seconds, self._air_rh_pct, TEMP_C)

    def read(self) -> Reading:
        return self._probe.read()

    def ask(self, request: Request) -> tuple[bool, str]:
        if request.kind == "calibrate_begin" and self._salts:
            point = fixed_point(self._salts.pop(0), TEMP_C)
            self._goal_rh_pct = point.rh_pct if point is not None else ROOM_RH_PCT
        elif request.kind == "calibrate_end":
            self._goal_rh_pct = ROOM_RH_PCT
        wall = self._wall + timedelta(seconds=self._t)
        self.memory, done, words = calibration.handle(self.memory, request, self._t, wall, self._probes)
        return done, words
