"""STATE: everything the core remembers, as one frozen, versioned value that turns into JSON and back.

In:    a State, or a mapping as ``json.loads`` gives it.
Out:   the other of the two.
Never: accepts a figure that is not finite where one is needed, or a state of a version it does not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple

from pydantic import ConfigDict, TypeAdapter, ValidationError

from controller.core.alarms import Standing
from controller.core.calibration import CalibrationMemory
from controller.core.demand import DemandMemory
from controller.core.effect import EffectMemory
from controller.core.foresight import ForesightMemory
from controller.core.keeper import KeeperMemory
from controller.core.runtime import WINDOW_S, RuntimeMemory, assume_ran
from controller.core.tank import TankMemory
from controller.core.trust import ProbeMemory
from controller.core.wall import WallMemory
from controller.errors import KeptStateError

STATE_VERSION = 8
OLDEST_READ = 1
"""An upgrade keeps the state: fields that an older version did not know begin at their defaults."""

RESTORED = "restored: "
"""How ``State.lost`` begins where somebody put a backup back: a notice, and no fault of the card's."""


class RelayMemory(NamedTuple):
    """The command as it stands, and since when on the core's clock."""

    on: bool = False
    since_t: float = 0.0
    rest_until_t: float = 0.0  # the pause after a longest run
    stuck_on_since_t: float | None = None  # seen on although commanded off
    no_answer_since_t: float | None = None  # seen off although commanded on
    last_interval_s: float = 10.0
    unbooked: bool = False  # it was on at a step whose clock gave no number


class Gap(NamedTuple):
    """Time spent powered off that no clock has measured yet."""

    since_wall: datetime  # when the state was kept, by both clocks
    since_t: float
    resumed_t: float
    by_hand_s: float = 0.0  # the most it may have run meanwhile with the outlet's own switch at hand
    assumed: tuple[float, float] | None = None  # the run that the ledger holds for it until a clock tells


class Outage(NamedTuple):
    """The board was away, some time between two moments; a notice until ``until_t``."""

    since: datetime
    until: datetime
    until_t: float


class State(NamedTuple):
    """``t`` is the core's clock: seconds that surely passed. The rest belongs to the stages."""

    version: int = STATE_VERSION
    t: float = 0.0
    started: bool = False  # False until the first step, and again after loading: the clocks begin anew
    mono_s: float = 0.0
    boot: str = ""
    wall: datetime = datetime(1970, 1, 1, tzinfo=UTC)
    wall_trusted: bool = False
    gap: Gap | None = None
    probes: tuple[ProbeMemory, ...] = ()
    ceiling_held: bool = False
    demand: DemandMemory = DemandMemory()
    refused: bool = True  # a guard refused at the last step
    relay: RelayMemory = RelayMemory()
    runtime: RuntimeMemory = RuntimeMemory()
    tank: TankMemory = TankMemory()
    keeper: KeeperMemory = KeeperMemory()
    standing: tuple[Standing, ...] = ()
    lost: str = ""  # why the state before this one could not be used; an alarm until it has aged out
    lost_until_t: float = 0.0
    effect: EffectMemory = EffectMemory()
    ahead_rh_pct: float = 0.0  # the first of two probes before the second, in the mean of about a day
    outage: Outage | None = None
    starts_t: tuple[float, ...] = ()  # the last starts of the program
    calibration: CalibrationMemory = CalibrationMemory()
    hand: bool = False  # the contact of the outlet's own switch said "hand" when it was last seen
    handled: tuple[tuple[str, bool], ...] = ()  # the last requests, by their number, and whether done
    coldest: WallMemory = WallMemory()  # the coldest surface
    foresight: ForesightMemory = ForesightMemory()

    def whole_day(self, t: float) -> bool:
        """Whether the 24 hours before ``t`` are on record, without a power cut in them."""
        unbroken = self.gap is None and (self.outage is None or not t < self.outage.until_t)
        return unbroken and t >= WINDOW_S

    def to_plain(self) -> dict[str, Any]:
        """A mapping of JSON types; times are written in UTC."""
        plain: dict[str, Any] = _plain(self)
        return plain

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> State:
        """Raises KeptStateError with the first thing that is wrong."""
        version = plain.get("version") if isinstance(plain, Mapping) else None
        if type(version) is not int or not OLDEST_READ <= version <= STATE_VERSION:
            words = "no state of this program" if version is None else f"state version {version!r}"
            raise KeptStateError(f"it is {words}; versions {OLDEST_READ} to {STATE_VERSION} are read")
        try:
            state = _adapter().validate_python(dict(plain))
        except (ValidationError, TypeError, ValueError) as error:
            place = error.errors()[0]["loc"] if isinstance(error, ValidationError) else ()
            part = ".".join(map(str, place))[:80]
            raise KeptStateError(
                f"its part {part} makes no sense" if part else "it makes no sense"
            ) from error
        written = state.to_plain()
        if not (_within(dict(plain), written) if version < STATE_VERSION else written == dict(plain)):
            raise KeptStateError("it does not read back as it was written")  # missing, or not ours
        return state._replace(version=STATE_VERSION, started=False)


def after_loss(why: str, cap_s: float) -> State:
    """A start without a readable kept state: half the cap counts as used, the tank is unknown."""
    half = assume_ran(RuntimeMemory(), -cap_s / 2.0, 0.0)
    return State(runtime=half, lost=why or "unknown", lost_until_t=86400.0)


def _within(old: Any, new: Any) -> bool:
    """Whether everything an older version wrote is in ``new`` as it was; what it did not know is added."""
    if isinstance(old, dict):
        return isinstance(new, dict) and all(key in new and _within(old[key], new[key]) for key in old)
    if isinstance(old, list):
        return isinstance(new, list) and len(old) == len(new) and all(map(_within, old, new))
    return isinstance(old, bool) == isinstance(new, bool) and bool(old == new)  # 0 == 0.0


def _plain(value: Any) -> Any:
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return {name: _plain(item) for name, item in zip(value._fields, value, strict=True)}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return _in_utc(value).isoformat()
    return value


def _in_utc(moment: datetime) -> datetime:
    """At an end of the calendar UTC has no such moment: then what the clock showed."""
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        return moment.replace(tzinfo=UTC)


@lru_cache(maxsize=1)
def _adapter() -> TypeAdapter[State]:
    return TypeAdapter(State, config=ConfigDict(allow_inf_nan=False))
