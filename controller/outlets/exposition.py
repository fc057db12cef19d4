"""EXPOSITION: rooms as text that a Prometheus-compatible collector reads. The one door to its library.

In:    rooms as seen.
Out:   the text exposition format 0.0.4; base units in the names (°C, litres, seconds, ratios of 1).
Never: shows a figure of a status that is older than it is good for: then only ``hygrohold_up`` 0, its age and
       its time are left, so that a graph breaks off instead of going on straight.

Source of names and units: prometheus.io, "Metric and label naming" and "Exposition formats".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from controller.errors import HygroholdError
from controller.outlets.seen import RoomSeen

try:
    from prometheus_client import generate_latest
    from prometheus_client.core import GaugeMetricFamily
    from prometheus_client.registry import Collector
except ImportError as error:
    raise HygroholdError(
        "metrics need the library prometheus-client, which is not installed: in the program's folder, "
        "`pip install '.[metrics]'`"
    ) from error

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


class Figure(NamedTuple):
    name: str
    about: str
    of: Callable[[dict[str, Any]], float | None]


def _plain(key: str, times: float = 1.0) -> Callable[[dict[str, Any]], float | None]:
    def of(plain: dict[str, Any]) -> float | None:
        value = plain.get(key)
        return None if value is None else float(value) * times

    return of


def _unacknowledged(plain: dict[str, Any]) -> float:
    return float(sum(not message["acked_by"] for message in plain["alarms"]))


FIGURES = (
    Figure("relative_humidity_ratio", "Believed relative humidity of the room.", _plain("rh_pct", 0.01)),
    Figure("temperature_celsius", "Believed temperature of the room.", _plain("temp_c")),
    Figure("target_relative_humidity_ratio", "Relative humidity wanted now.", _plain("target_rh_pct", 0.01)),
    Figure(
        "ceiling_relative_humidity_ratio",
        "No mist at this relative humidity or above: the keeper's ceiling less the probe's accuracy.",
        _plain("ceiling_rh_pct", 0.01),
    ),
    Figure("day", "1 by day, 0 by night, as the settings divide the day.", _plain("is_day")),
    Figure(
        "probe_believed", "1 while a probe is believed.", lambda plain: float(plain["rh_pct"] is not None)
    ),
    Figure("humidifier_on", "1 while the relay is commanded on.", _plain("relay_on")),
    Figure("duty_ratio", "Share of the time that mist is wanted; only with the method pid.", _plain("duty")),
    Figure(
        "humidifier_on_in_last_day_seconds",
        "Time on in the last 24 hours, which is what the runtime cap looks at.",
        _plain("used_h_in_24", 3600.0),
    ),
    Figure("tank_litres", "Water left by estimate; missing while it is not known.", _plain("tank_l")),
    Figure(
        "tank_mist_left_seconds", "Time of mist that the water left is good for.", _plain("tank_on_h", 3600.0)
    ),
    Figure("surface_temperature_celsius", "The coldest surface.", _plain("surface_c")),
    Figure(
        "surface_relative_humidity_ratio",
        "Relative humidity at the coldest surface; above 1 it is wet.",
        _plain("surface_rh_pct", 0.01),
    ),
    Figure(
        "surface_measured",
        "1 where the coldest surface is measured, 0 by an estimate.",
        _plain("surface_measured"),
    ),
    Figure("mould_index", "Mould index of the coldest surface by the model, 0 to 6.", _plain("mould_index")),
    Figure("alarms", "Alarms that stand.", lambda plain: float(len(plain["alarms"]))),
    Figure("alarms_unacknowledged", "Alarms that nobody has acknowledged.", _unacknowledged),
    Figure("notices", "Notices that stand.", lambda plain: float(len(plain["notices"]))),
)

CODES = (
    (
        "alarm",
        "1 for each alarm that stands.",
        lambda plain: [message["code"] for message in plain["alarms"]],
    ),
    (
        "notice",
        "1 for each notice that stands.",
        lambda plain: [message["code"] for message in plain["notices"]],
    ),
    ("reason", "1 for each reason why the humidifier is off.", lambda plain: plain["reasons"]),
)


class _Collector(Collector):
    """What the library asks for: something with ``collect``; the samples are made new each time."""

    def __init__(self, rooms: Sequence[RoomSeen]) -> None:
        self._rooms = rooms

    def collect(self) -> Iterator[GaugeMetricFamily]:
        seen, fresh = self._rooms, [room for room in self._rooms if room.fresh and room.plain is not None]
        yield _family(
            "up", "1 while the program of the room is heard.", ((r.room, float(r.fresh)) for r in seen)
        )
        about = "How long ago the program said what is shown here, as of this text."
        yield from _some("status_age_seconds", about, ((r.room, r.age_s) for r in seen))
        about = "When the program said what is shown here; tells a text that nobody writes any more."
        yield from _some("status_timestamp_seconds", about, ((r.room, _said_at(r)) for r in seen))
        for name, about, of in FIGURES:
            yield from _some(name, about, ((r.room, of(r.plain or {})) for r in fresh))
        for name, about, codes in CODES:
            yield from _coded(name, about, fresh, codes)


def text(rooms: Sequence[RoomSeen]) -> str:
    """The rooms in the text exposition format 0.0.4, with ``CONTENT_TYPE``. Each room once."""
    return generate_latest(_Collector(rooms)).decode()


def _said_at(room: RoomSeen) -> float | None:
    return None if room.plain is None else datetime.fromisoformat(room.plain["at"]).timestamp()


def _family(name: str, about: str, values: Iterable[tuple[str, float]]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(f"hygrohold_{name}", about, labels=("room",))
    for room, value in values:
        family.add_metric((room,), value)
    return family


def _some(name: str, about: str, values: Iterable[tuple[str, float | None]]) -> Iterator[GaugeMetricFamily]:
    """A family of what is known; none where nothing is."""
    known = [(room, value) for room, value in values if value is not None]
    if known:
        yield _family(name, about, known)


def _coded(
    name: str, about: str, rooms: Sequence[RoomSeen], codes: Callable[[dict[str, Any]], list[str]]
) -> Iterator[GaugeMetricFamily]:
    """One sample a code. A code may stand twice (two probes): it is one sample all the same."""
    family = GaugeMetricFamily(f"hygrohold_{name}", about, labels=("room", "code"))
    for room in rooms:
        for code in sorted(set(codes(room.plain or {}))):
            family.add_metric((room.room, code), 1.0)
    if family.samples:
        yield family
