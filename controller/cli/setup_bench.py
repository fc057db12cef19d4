"""What `setup` shows of the answers before anything is written: a rehearsal, a sizing, a picture."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli import common
from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.lives import Rehearsal
    from controller.settings import Settings
    from controller.simulator.sizing import Sizing


class Picture:
    """A file that is drawn anew at each rehearsal, and is as it was before when nothing is written."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.drawn = False
        self._before: bytes | None = None

    def draw(self, rehearsal: Rehearsal, settings: Settings) -> None:
        from controller.picture import draw

        with common.writing(self.path):
            if not self.drawn and self.path.exists():
                self._before = self.path.read_bytes()
            self.drawn = True
            draw(self.path, rehearsal.witness, settings, rehearsal.weather)

    def undo(self) -> None:
        if not self.drawn:
            return
        with common.writing(self.path):
            if self._before is None:
                self.path.unlink(missing_ok=True)
            else:
                self.path.write_bytes(self._before)


class Shown:
    """Rehearses settings; what it found, in lines."""

    def __init__(self, days: float | None, rehearse: bool, picture: Path) -> None:
        self._days = days
        self._rehearse = rehearse
        self.picture = Picture(picture)

    def __call__(self, settings: Settings) -> Iterator[str]:
        from controller.cli.size_text import verdict
        from controller.first_setup import findings

        summary = None
        if self._rehearse:
            yield "Rehearsing, with the real control program. On a small board this takes its time ..."
            rehearsal = self._rehearsed(settings)
            summary = rehearsal.witness.summary()
            yield from findings.rehearsed(summary, settings)
        sizing = _sizing(settings)
        yield from findings.sized(sizing, verdict(sizing, settings))
        if self._rehearse:
            yield f"  Picture     {self._drawn(rehearsal, settings)}"
        yield from findings.advice(summary, sizing)

    def _rehearsed(self, settings: Settings) -> Rehearsal:
        from controller.cli.progress import Progress
        from controller.wiring import make_rehearsal

        if self._days is not None:
            bench = settings.bench.model_copy(update={"days": self._days})
            settings = settings.model_copy(update={"bench": bench})
        progress = Progress(settings)
        rehearsal = make_rehearsal(settings, True, (progress,))
        rehearsal.run()
        progress.wipe()
        return rehearsal

    def _drawn(self, rehearsal: Rehearsal, settings: Settings) -> str:
        from controller.picture import require

        try:
            require(self.picture.path)
        except SettingsError as error:
            return f"none: {error}"
        self.picture.draw(rehearsal, settings)
        return str(self.picture.path)


def _sizing(settings: Settings) -> Sizing:
    from controller.simulator.climate import make_weather
    from controller.simulator.sizing import size

    bench = settings.bench
    new_year = datetime(bench.starts.year, 1, 1)  # noqa: DTZ001  the sun's time, as climates have it
    weather = make_weather(bench.climate, bench.seed, new_year, 8760)
    return size(settings, bench, weather)
