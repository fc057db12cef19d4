"""Scripted faults: what goes wrong in a rehearsal, when, for how long and how much.

In:    ``[[bench.fault]]`` tables, or the short form of an option: KIND@HOURS[+HOURS][=SIZE].
Out:   ``BenchFault`` settings; the times at which the program is struck down.
Never: touches a part: ``faulty.py`` applies each fault at its own port.

A time is hours from the start of the rehearsal. ``lasts_h`` left out means to the end, 0 means not at
all. ``size`` 0 takes away the faults that have one, save where 0 is said to mean something below.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple, Self

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from controller.core.limits import Limits

HOUR_S = 3600.0
RESTART_S = 10.0
"""How long a program that died is away until its supervisor has begun it anew."""
FORM = re.compile(
    r"(?P<kind>[a-z-]+)@(?P<starts_h>[0-9.]+)(?:\+(?P<lasts_h>[0-9.]+))?(?:=(?P<size>[-0-9.]+))?"
)
HOW = "write KIND@HOURS, KIND@HOURS+HOURS or KIND@HOURS+HOURS=SIZE, like probe-silent@30+8"


class FaultKind(NamedTuple):
    """What a kind is, and its ``size``: the usual one and its bounds. Equal bounds: it has none."""

    about: str
    size: float = 0.0
    least: float = 0.0
    most: float = 0.0


SEEN = "size 1 = seen by the board"
KINDS: dict[str, FaultKind] = {
    "probe-silent": FaultKind("the probe does not answer"),
    "probe-frozen": FaultKind("the probe shows its last figure for ever"),
    "probe-jumps": FaultKind("about every ten minutes a reading is wrong by size %RH", 30, -100, 100),
    "probe-drifts": FaultKind("the probe's error grows by size %RH a day", 3, -50, 50),
    "probe-nan": FaultKind("the probe gives no number"),
    "probe-zero": FaultKind("every bit of the probe's answer is 0"),
    "probe-all-ones": FaultKind("every bit of the probe's answer is 1"),
    "relay-welded": FaultKind(f"once on, the relay's contact stays closed; {SEEN}", 0, 0, 1),
    "relay-dead": FaultKind(f"the relay's contact does not close; {SEEN}", 0, 0, 1),
    "relay-backwards": FaultKind(f"wired to the other contact: on for off, off for on; {SEEN}", 0, 0, 1),
    "humidifier-dead": FaultKind("the humidifier has power and gives nothing"),
    "tank-leaks": FaultKind("the tank loses size litres an hour past the humidifier", 2, 0, 100),
    "tank-filled-untold": FaultKind("somebody fills the tank at the start of it and tells nobody"),
    "heating-fails": FaultKind("the room's heating gives nothing"),
    "power-cut": FaultKind(
        "board and outlet without power; the clock is behind until size hours after it",
        0, 0, 1000,
    ),
    "restarts": FaultKind("the program is killed every size hours and begun anew", 1, 0, 1000),
    "clock-jump": FaultKind("the clock is wrong by size hours and held to be right", 1, -10000, 10000),
    "clock-jump-doubted": FaultKind("the clock is wrong by size hours and not trusted", 1, -10000, 10000),
    "door-open": FaultKind("a door stands open: size air changes an hour more", 6, 0, 60),
}  # fmt: skip
SHORTEST_LIFE_H = 0.02
PROBE_KINDS = tuple(kind for kind in KINDS if kind.startswith("probe-"))
RELAY_KINDS = tuple(kind for kind in KINDS if kind.startswith("relay-"))


class BenchFault(Limits):
    """One thing that goes wrong."""

    kind: str = Field(max_length=40, description="`hygrohold bench --list` names them")
    starts_h: float = Field(ge=0, le=90000, description="hours after the start of the rehearsal")
    lasts_h: float | None = Field(
        None, ge=0, le=90000, description="for so many hours; left out = to the end, 0 = not at all"
    )
    size: float | None = Field(
        None, ge=-10000, le=10000, description="how much, in the unit of its kind; left out = as usual"
    )
    probe: int = Field(1, ge=1, le=2, description="which probe, where there are two")

    @field_validator("kind")
    @classmethod
    def _is_one(cls, value: str) -> str:
        if value not in KINDS:
            raise PydanticCustomError(
                "kind", "there is no such fault; choose one of {names}", {"names": ", ".join(KINDS)}
            )
        return value

    @model_validator(mode="after")
    def _size_fits(self) -> Self:
        kind = KINDS[self.kind]
        if self.kind == "restarts" and 0.0 < self.amount < SHORTEST_LIFE_H:
            raise PydanticCustomError("size", "a restart every minute (0.02) is the most often there can be")
        if self.size is None or kind.least <= self.size <= kind.most:
            return self
        if kind.least == kind.most:
            raise PydanticCustomError("size", "{kind} has no size: leave it out", {"kind": self.kind})
        bounds = {"kind": self.kind, "size": f"{self.size:g}", "least": kind.least, "most": kind.most}
        words = "the size of {kind} is from {least} to {most}, not {size}"
        raise PydanticCustomError("size", words, bounds)

    @property
    def amount(self) -> float:
        return KINDS[self.kind].size if self.size is None else self.size

    @property
    def begins_s(self) -> float:
        return self.starts_h * HOUR_S

    @property
    def ends_s(self) -> float:
        return float("inf") if self.lasts_h is None else self.begins_s + self.lasts_h * HOUR_S

    def active(self, at_s: float) -> bool:
        return self.begins_s <= at_s < self.ends_s


class Strike(NamedTuple):
    """The program ends without warning ``at_s`` and begins anew at ``resumes_s``."""

    at_s: float
    resumes_s: float
    power: bool  # board and outlet lose their power
    clock_right_s: float = 0.0  # from then on the clock is right again


def strikes(faults: tuple[BenchFault, ...], end_s: float) -> list[Strike]:
    """In order of time; one that would fall into another's time away is left out."""
    found: list[Strike] = []
    for fault in faults:
        begins_s, ends_s = fault.begins_s, fault.ends_s
        if fault.kind == "power-cut" and ends_s > begins_s:
            found.append(Strike(begins_s, ends_s, True, ends_s + fault.amount * HOUR_S))
        elif fault.kind == "restarts" and fault.amount > 0.0:
            every_s = max(fault.amount * HOUR_S, 6.0 * RESTART_S)
            count = 0
            while (at_s := begins_s + count * every_s) < min(ends_s, end_s):
                found.append(Strike(at_s, at_s + RESTART_S, False))
                count += 1
    kept: list[Strike] = []
    for strike in sorted(found, key=lambda one: (one.at_s, not one.power)):
        if kept and strike.at_s < kept[-1].resumes_s:
            if strike.power and strike.resumes_s > kept[-1].resumes_s:
                kept[-1] = strike._replace(at_s=kept[-1].at_s)
            continue
        kept.append(strike)
    return kept


def read_short(text: str) -> dict[str, Any]:
    """The short form as a table of settings. Raises ValueError with words."""
    match = FORM.fullmatch(text)
    if match is None and text in KINDS:
        raise ValueError(
            f"{text} lacks the hour at which it begins (KIND@HOURS): {text}@30, or {text}@30+8 for 8 h"
        )
    if match is None:
        raise ValueError(f"{text!r} is not a fault; {HOW}")
    plain: dict[str, Any] = {"kind": match["kind"]}
    for key in ("starts_h", "lasts_h", "size"):
        if match[key] is not None:
            try:
                plain[key] = float(match[key])
            except ValueError:
                raise ValueError(f"{match[key]!r} in {text!r} is not a number; {HOW}") from None
    return plain
