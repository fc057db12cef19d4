"""SECTIONS: all of them, by name, in the order in which they are shown.

In: a ``Report``. Out: ``Section``s. Never: makes one itself.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.reporting.gather import Report
from controller.reporting.section import Section
from controller.reporting.sections_air import air, band, dry, refusals, running, surface
from controller.reporting.sections_told import alarms, notes, relay, runs, shed

SECTIONS: dict[str, Callable[[Report], Section]] = {
    **{"band": band, "dry": dry, "air": air, "running": running, "refusals": refusals, "alarms": alarms},
    **{"surface": surface, "notes": notes, "sheds": shed, "relay": relay, "runs": runs},
}


def sections(report: Report) -> list[Section]:
    """All of them, in the order in which they are shown; empty ones have no rows."""
    return [make(report) for make in SECTIONS.values()]
