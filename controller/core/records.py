"""The records that travel between the stages, and over the public border of the core.

All are NamedTuples: immutable like a frozen dataclass, and a third of its price to make,
which counts because one step makes about ten of them. Units are in the names: ``_pct``
is % relative humidity, ``_c`` degrees Celsius, ``_s`` seconds, ``_l`` litres.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import IntEnum
from typing import NamedTuple, Protocol

NEVER_T = -1e12
"""A moment before any other on the core's clock; finite, so that a state can be kept as JSON."""
MOST_WAIT_S = 366 * 86400.0
"""No honest wait is longer than a year; a longer one is a broken figure."""


class Instant(NamedTuple):
    """Now, twice: elapsed time for every duration, calendar time for schedules and labels.

    ``mono_s`` never jumps while the machine runs. ``wall`` is an aware datetime in the
    room's own time zone; its hour and minute pick day or night. ``wall_trusted`` says that
    the wall clock is known to be right (synchronised); without it, time spent powered off
    ages nothing. ``boot`` names the boot that ``mono_s`` belongs to, where known.
    """

    mono_s: float
    wall: datetime
    wall_trusted: bool = False
    boot: str = ""


class Reading(NamedTuple):
    """What one probe gave: RH in % and temperature in °C, how old it is, or why there is none."""

    rh_pct: float | None = None
    temp_c: float | None = None
    age_s: float = 0.0
    failure: str = ""


class Correcting(Protocol):
    """A probe's correction: the settings' own, or one that was found and kept."""

    @property
    def rh_gain(self) -> float: ...
    @property
    def rh_offset_pct(self) -> float: ...
    @property
    def temp_offset_c(self) -> float: ...


class Request(NamedTuple):
    """Something a person asks of the controller. ``expires`` bounds how late it may be obeyed.

    ``id`` is its own: one that was among the last 32 is not obeyed again ("" is never known).

    kind: ``refilled`` (litres added, or None for to the top; ``full``: these litres filled it to the top;
    ``at`` when it happened, None for now), ``pause`` (for_s), ``resume``, ``raise_target`` (rh_pct to add,
    for_s), ``raise_end``, ``humidify_now`` (for_s), ``acknowledge`` (the alarms that stand), ``cleaned``,
    ``bypass_hand``, ``bypass_off`` (where the hand/off/auto switch stands; for_s) and ``bypass_auto``.
    ``animal``, ``outcome``, ``remark`` and ``about`` (the record's number of an earlier note) are of notes;
    ``probe``, ``rh_gain`` and ``rh_offset_pct`` to a calibration (see ``calibration.py``).
    """

    kind: str
    id: str = ""
    by: str = ""
    expires: datetime | None = None
    at: datetime | None = None
    for_s: float | None = None
    litres: float | None = None
    rh_pct: float | None = None
    full: bool = False
    animal: str = ""
    outcome: str = ""
    remark: str = ""
    about: int | None = None
    probe: int | None = None
    rh_gain: float | None = None
    rh_offset_pct: float | None = None


class Inputs(NamedTuple):
    """What the world says this tick. ``relay_on`` None means: as commanded.

    ``troubles`` are (code, words) of what is wrong outside the core as long as it is: they become
    fault alarms and change nothing else. ``hand`` True: the hand/off/auto switch is seen at hand.
    """

    readings: tuple[Reading, ...] = ()
    relay_on: bool | None = None
    surface_c: float | None = None
    outdoor_c: float | None = None
    requests: tuple[Request, ...] = ()
    troubles: tuple[tuple[str, str], ...] = ()
    hand: bool | None = None


class Action(IntEnum):
    """How hard a reason holds the relay off; the higher wins."""

    CONTENT = 0  # nothing is asked for
    WAIT = 1  # a matter of minutes or hours, ends by itself
    OFF = 2  # a condition must change first; also ends a run before its shortest on


class Reason(NamedTuple):
    """One reason why the humidifier is off.

    ``seen`` is the figure met, ``limit`` the one it broke, ``clears_at`` the figure that ends
    it, ``clears_in_s`` when that can be, where time alone decides. Words are in ``words.py``.
    """

    code: str
    action: Action
    seen: float | None = None
    limit: float | None = None
    clears_at: float | None = None
    clears_in_s: float | None = None
    detail: str = ""


class Message(NamedTuple):
    """A fault alarm (something is wrong) or a notice (the world is so), since when, with its figures.

    ``acked_by``: who has said that they know of it; "" while nobody has.
    """

    code: str
    since: datetime
    seen: float | None = None
    limit: float | None = None
    detail: str = ""
    acked_by: str = ""


class Answer(NamedTuple):
    """The reply to one request: done or refused, in words."""

    request: Request
    done: bool
    words: str


class Water(NamedTuple):
    """What the tank is believed to hold, and the running of the last 24 h; see ``refill.py``."""

    level_l: float | None  # None: not known
    doubt_l: float  # standard deviation of the level
    rate_l_per_h: float  # output an hour of on-time, as learned
    rate_sd: float  # standard deviation of that, a share of it
    counts: int  # fillings and dry moments it was learned from; 0 = the settings' figure alone
    runs: tuple[tuple[float, float], ...] = ()  # finished runs on the core's clock, oldest first
    open_t: float | None = None  # when the run began that has not ended
    t: float = 0.0  # now, on the same clock
    whole_day: bool = False  # the last 24 h are on record, without a power cut


class SurfaceHour(NamedTuple):
    """The coldest surface over one hour, and what has become of it so far."""

    temp_c: float  # mean of the hour
    rh_pct: float  # at the surface, mean of the hour
    measured: bool  # False: estimated, for some of it
    mean_rh_pct: float | None  # of the last 30 days; None: not known for so long
    mould_index: float  # 0 to 6


class Room(NamedTuple):
    """What was learned of the room, an hour. Moisture is vapour pressure in %RH at 24 °C."""

    gain: float  # that steady mist raises
    loss: float  # share of the distance from the background that is lost
    ground: float  # what the room would gain at 50
    store: float  # what walls give for each %RH that they are moister than the air
    dead_s: float  # until mist begins to show at the probe
    lag_s: float  # and how slowly it then does
    gain_sd: float  # standard deviations
    loss_sd: float
    store_sd: float


class Odd(NamedTuple):
    """Moisture that goes ("drier") or comes ("wetter") faster than the learned room explains."""

    kind: str
    since_s: float  # seconds ago
    ended_s: float | None = None  # likewise; None: it lasts


class Ahead(NamedTuple):
    """What the demand looks at with foresight, instead of the reading, the setpoint and the deadband."""

    rh_pct: float  # of the air when a switching of now begins to show
    setpoint_rh_pct: float
    half_rh_pct: float  # so far below it mist begins, so far above it ends
    paced: bool  # the setpoint is lowered, so that water or the cap lasts
    room: Room
    slow_rh_pct: float  # RH that walls and goods are taken to have
    per_pct: float  # %RH now for each of moisture
    duty: float  # mean of about the last day
    warming_k: float = 0.0  # by how much the air is taken to be warmer then than the probe says now
    background: tuple[float, float, float] | None = None  # see day_shape.extremes
    odd: Odd | None = None


class Raised(NamedTuple):
    """A raised target that stands: by how much, who asked, for how long still."""

    rh_pct: float
    by: str
    left_s: float


class Decision(NamedTuple):
    """What one step decided, and why.

    An embedder whose loop stalls longer than ``valid_for_s`` must switch the relay off.
    ``reasons`` is empty while on, else the strictest first. ``on_because`` is "" while off.
    """

    relay_on: bool
    valid_for_s: float
    at: Instant
    reasons: tuple[Reason, ...]
    on_because: str
    alarms: tuple[Message, ...]
    notices: tuple[Message, ...]
    answers: tuple[Answer, ...]
    rh_pct: float | None  # believed, corrected; None when no probe is trusted
    rh_high_pct: float | None  # the higher of two probes: what the ceiling obeys
    temp_c: float | None
    target_rh_pct: float
    is_day: bool
    ceiling_rh_pct: float  # the keeper's ceiling less the probe's accuracy
    duty: float | None  # pid: 0 to 1; hysteresis: None
    tank_l: float | None  # litres left by estimate; None when unknown
    used_s: float  # on-time in the last 24 h
    starts_below_rh_pct: float | None  # hysteresis: switches on below this
    water: Water | None = None  # what is believed of the tank
    surface_c: float | None = None  # the coldest surface, where known, and the RH of the air at it
    surface_rh_pct: float | None = None
    surface_measured: bool = False  # False: estimated
    mould_index: float = 0.0  # 0 to 6, by the model in ``mould.py``
    surface_hour: SurfaceHour | None = None  # at the tick at which an hour of it is over
    ahead: Ahead | None = None  # what foresight sees; None: it is off, or the room is not known yet
    knows: float | None = None  # how much of what it takes was learned, 0 to 1; None: foresight is off
    raised: Raised | None = None  # the target, by a person's wish

    @property
    def next_possible_on(self) -> datetime | None:
        """When mist can be had again at the earliest; None while on, or if time alone does not decide."""
        longest_s = 0.0
        for reason in self.reasons:
            wait_s = reason.clears_in_s
            if wait_s is None or not 0.0 <= wait_s <= MOST_WAIT_S:
                return None
            longest_s = max(longest_s, wait_s)
        try:
            return self.at.wall + timedelta(seconds=longest_s) if self.reasons else None
        except OverflowError:  # a wall clock at the end of the calendar
            return None
