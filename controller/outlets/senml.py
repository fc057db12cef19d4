"""SENML: a room's figures as a SenML pack, RFC 8428, in its JSON form.

In:    a board's name, a room as seen and fresh.
Out:   records: base name ``hygrohold:BOARD:ROOM:``, base time in s since 1970 UTC, units of the registry.
Never: holds a figure that is not known, or one without the time at which it was read.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

FIGURES = (
    ("humidity", "rh_pct", "%RH", 1.0),
    ("temperature", "temp_c", "Cel", 1.0),
    ("target", "target_rh_pct", "%RH", 1.0),
    ("ceiling", "ceiling_rh_pct", "%RH", 1.0),
    ("duty", "duty", "/", 1.0),
    ("tank", "tank_l", "m3", 0.001),  # RFC 8428, 12.1: new producers are not to use "l"
    ("on-in-last-day", "used_h_in_24", "s", 3600.0),
    ("surface", "surface_c", "Cel", 1.0),
    ("surface-humidity", "surface_rh_pct", "%RH", 1.0),
)
"""Name, key of the status, unit, factor to it."""


def base_name(board: str, room: str) -> str:
    """Unique among boards whose names differ; of characters that RFC 8428, 4.5.1 allows."""
    return f"hygrohold:{board}:{room}:"


def pack(board: str, room: str, plain: dict[str, Any]) -> list[dict[str, Any]]:
    """The pack of one status. The relay's state is there always, so it is never without a record."""
    records: list[dict[str, Any]] = [{"n": "humidifier", "vb": bool(plain["relay_on"])}]
    for name, key, unit, times in FIGURES:
        value = plain.get(key)
        if value is not None:
            records.append({"n": name, "u": unit, "v": round(float(value) * times, 6)})
    first = {"bn": base_name(board, room), "bt": datetime.fromisoformat(plain["at"]).timestamp()}
    return [{**first, **records[0]}, *records[1:]]


def payload(board: str, room: str, plain: dict[str, Any]) -> str:
    """The pack as JSON (media type application/senml+json)."""
    return json.dumps(pack(board, room, plain), separators=(",", ":"))
