"""A room's status as the program writes it, and as it is seen."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from controller import Controller, Inputs, Instant, Reading, Settings
from controller.core.records import Request
from controller.outlets.seen import RoomSeen
from controller.status import describe

NOON = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
GOOD_FOR_S = 100.0


@cache
def _made() -> str:
    """By the real core, in a dry room whose tank is full and whose coldest wall is measured."""
    controller = Controller(Settings.model_validate({"surface": {"probe": {"kind": "simulated"}}}))
    for second in range(0, 400, 10):
        requests = (Request("refilled", id="1"),) if second == 0 else ()
        decision = controller.step(
            Inputs((Reading(50.0 + second % 70 / 100.0, 24.0),), requests=requests, surface_c=16.0),
            Instant(float(second), NOON - timedelta(seconds=390 - second)),
        )
    plain = describe(decision, "larch", 10.0, 0.4)
    return json.dumps({**plain, "good_for_s": GOOD_FOR_S})


def status(at: datetime = NOON, **changes: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(_made())
    return {**found, "at": at.isoformat(timespec="seconds"), **changes}


def seen(room: str = "larch", age_s: float = 3.0, fresh: bool = True, **changes: Any) -> RoomSeen:
    return RoomSeen(room, status(**changes), age_s, fresh)


def write(path: Path, at: datetime = NOON, **changes: Any) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(status(at, **changes)))


ALARM = {
    "code": "probe_lost", "since": "2026-01-12T11:00:00+00:00", "words": "The probe is silent.",
    "clears": "a reading", "acked_by": "",
}  # fmt: skip
