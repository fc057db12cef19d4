"""Each part of foresight alone: the others taken out of the core, for the time of one life.

In:    the name of a part.
Out:   a context in which only that part acts; ``ALONE`` names them.
Never: is a setting of the program: a keeper has no use for half of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from math import inf
from typing import Any
from unittest.mock import patch

from controller.core import day_shape, foresight, swing

HALF_RH_PCT = 1.5
"""Of the deadband of 3 that all ways are set to."""


def _as_shown() -> Any:
    """Neither the mist on its way nor the air behind the probe counts."""
    view = foresight.view

    def plain(memory: Any, scene: Any, *more: Any) -> Any:
        seen = view(memory, scene, *more)
        return seen and seen._replace(rh_pct=scene.rh_pct)

    return patch.object(foresight, "view", plain)


def _plain_swing() -> Any:
    def edges(choice: Any, setpoint: float, centre: float, *more: Any) -> tuple[float, float]:
        return centre - HALF_RH_PCT, centre + HALF_RH_PCT

    return patch.object(swing, "edges", edges)


OFF: dict[str, Callable[[], Any]] = {
    "air ahead": _as_shown,
    "wide swing": _plain_swing,
    "early setpoints": lambda: patch.object(foresight, "leads_s", lambda *_: (0.0, 0.0)),
    "the day's shape": lambda: patch.object(day_shape, "change", lambda *_: 0.0),
    "pacing": lambda: patch.object(foresight, "SPARE", inf),
}
ALONE = tuple(OFF)


@contextmanager
def alone(part: str) -> Iterator[None]:
    """``ValueError`` for a part that there is not."""
    if part not in OFF:
        raise ValueError(f"no part {part!r}; there are {', '.join(OFF)}")
    with ExitStack() as held:
        for name, off in OFF.items():
            if name != part:
                held.enter_context(off())
        yield
