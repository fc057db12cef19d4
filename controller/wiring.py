"""WIRING: builds the parts of a loop from settings, real or simulated. The only file that knows both.

In:    Settings.
Out:   probes, relay, clock, keep, inbox, history, put together as ``loop.Parts``.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from platformdirs import user_runtime_path, user_state_path

from controller.core.controller import Controller
from controller.core.state import State
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.probe_iio import IioProbe
from controller.devices.probe_replay import ReplayProbe
from controller.devices.shelf_words import in_words
from controller.devices.thermometer import Surroundings, make_thermometer
from controller.errors import KeptStateError, ProbeError
from controller.history.store import SqliteHistory
from controller.keep import MemoryKeep
from controller.lives import Rehearsal
from controller.loop import Parts, Teller
from controller.ports import Probe, Relay
from controller.rehearsal import Witness
from controller.service import folders
from controller.settings import RoomProbe, Settings
from controller.shelf import ShelfPins
from controller.shelf_watch import Shelf
from controller.simulator.baselines import ByRule, Rule
from controller.simulator.climate import make_weather
from controller.simulator.faulty import make_world
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Weather
from controller.simulator.weather_files import load_weather
from controller.simulator.world import SimulatedRelay
from controller.spool import Spool


class Places(NamedTuple):
    """Where one room's files are."""

    state: Path
    runtime: Path

    @property
    def by_service(self) -> bool:
        """Whether these are the folders in which the service runs the room."""
        return self.state.parent == folders.STATE

    @property
    def history(self) -> Path:
        return self.state / "history.sqlite"

    @property
    def spool(self) -> Path:
        return self.state / "requests"

    @property
    def status(self) -> Path:
        return self.runtime / "status.json"


def places(settings: Settings) -> Places:
    """The folders of this room: as set, as a service manager gives them, the service's, or the user's own.

    Raises KeptStateError where the service runs the room and this user may not look.
    """
    room = settings.room
    if room.state_dir:
        state = Path(room.state_dir).expanduser() / room.name
        return Places(state, state)
    if "STATE_DIRECTORY" in os.environ:  # systemd: StateDirectory= and RuntimeDirectory=
        state = Path(os.environ["STATE_DIRECTORY"])
        return Places(state, Path(os.environ.get("RUNTIME_DIRECTORY", str(state))))
    state = folders.STATE / room.name
    if state.is_dir():  # the service runs this room: its keeper's commands go there
        barred = folders.barred(state, room.name)
        if barred:
            raise KeptStateError(barred)
        return Places(state, folders.RUNTIME / room.name)
    state = user_state_path("hygrohold") / room.name
    if not os.environ.get("XDG_RUNTIME_DIR"):  # no login session, so no folder of that kind
        return Places(state, state)
    return Places(state, user_runtime_path("hygrohold") / room.name)


def page_keys() -> Path:
    """Where the page keeps its password and tokens: the service's page's own folder, or the user's."""
    if os.access(folders.PAGE, os.R_OK | os.W_OK | os.X_OK):
        return folders.PAGE / "keys.json"
    return user_state_path("hygrohold") / "page-keys.json"


def zone(settings: Settings) -> tzinfo:
    """The room's time zone, or the machine's: one that knows its own changes of the clock."""
    if settings.room.timezone:
        return ZoneInfo(settings.room.timezone)
    try:
        if os.environ.get("TZ"):
            return ZoneInfo(os.environ["TZ"].removeprefix(":"))
        with Path("/etc/localtime").open("rb") as file:
            return ZoneInfo.from_file(file, key="localtime")
    except (OSError, ValueError, KeyError):  # no zone is set: most likely a board on UTC
        return datetime.now().astimezone().tzinfo or UTC


def make_probe(settings: RoomProbe, now_s: Callable[[], float]) -> Probe:
    """One real probe. Raises ProbeError or DataFileError."""
    if settings.kind == "hwmon":
        return HwmonProbe(settings)
    if settings.kind == "iio":
        return IioProbe(settings)
    if settings.kind == "replay":
        return ReplayProbe(Path(settings.file), now_s)
    raise ProbeError(
        'the settings name no real probe: kind = "simulated" exists only in a rehearsal (`hygrohold bench`). '
        "`hygrohold check` lists the probes this machine has."
    )


def make_surroundings(settings: Settings) -> Surroundings:
    """Thermometers on the coldest wall and outdoors, where there are any. Raises ProbeError."""
    surface = settings.surface
    if surface.probe.kind == "simulated":
        raise ProbeError(
            '[surface.probe] kind = "simulated" exists only in a rehearsal: name a real thermometer, or none.'
        )
    return Surroundings(make_thermometer(surface.probe), make_thermometer(surface.outdoor))


def make_relay(settings: Settings, before_claim: Callable[[], None] = lambda: None) -> Relay:
    """The relay, off. Raises RelayError. A simulated one drives nothing, which the caller must say.

    ``before_claim`` is called once its library is loaded, immediately before the line is claimed.
    """
    if settings.relay.kind == "gpiozero":
        from controller.devices.relay_gpiozero import GpiozeroRelay

        return GpiozeroRelay(settings.relay, before_claim)
    if settings.relay.kind == "libgpiod":
        from controller.devices.relay_libgpiod import LibgpiodRelay

        return LibgpiodRelay(settings.relay, before_claim)
    return SimulatedRelay()


def make_shelf(settings: Settings, spool: Spool, say: Callable[[str], None]) -> Shelf | None:
    """Button, lamps and hand contact; None where none is fitted. Claims nothing before it is started."""
    shelf, relay = settings.shelf, settings.relay
    if not shelf.pins:
        return None
    if relay.kind == "simulated":
        say("Shelf: button, lamps and hand contact are not used while the relay is simulated.")
        return None

    def open_pins() -> ShelfPins:
        if relay.kind == "gpiozero":
            from controller.devices import shelf_gpiozero

            return shelf_gpiozero.open_shelf(relay, shelf)
        from controller.devices import shelf_libgpiod

        return shelf_libgpiod.open_shelf(relay, shelf)

    return Shelf(
        shelf,
        open_pins,
        spool.leave,
        settings.loop.tick_s,
        say,
        in_words=lambda error: in_words(error, relay, shelf),
    )


def make_weather_of(settings: Settings, seed: int) -> Weather:
    """The weather of a rehearsal. Raises DataFileError or SettingsError."""
    bench = settings.bench
    if bench.weather_file:
        return load_weather(Path(bench.weather_file))
    hours = min(max(int(bench.days * 24) + 2, 48), 8760)
    return make_weather(bench.climate, seed, bench.starts, hours)


def _bench_of(settings: Settings) -> BenchSettings:
    """As set; where the room has two probes and only one is described, the second errs the same way."""
    bench = settings.bench
    if len(settings.probe) < 2 or bench.second_probe is not None:
        return bench
    return bench.model_copy(update={"second_probe": bench.probe})


def make_rehearsal(
    settings: Settings, trace: bool, tellers: tuple[Teller, ...] = (), rule: Rule | None = None
) -> Rehearsal:
    """The real loop over a simulated world, with the real record in memory; a ``rule`` replaces control."""
    weather = make_weather_of(settings, settings.bench.seed)
    bench = _bench_of(settings)
    world = make_world(bench, settings.tank, weather, ZoneInfo(settings.room.timezone or "UTC"))
    witness = Witness(world, settings.target, settings.ceiling.highest_rh_pct, trace, settings.runtime.cap_s)
    history, keep = SqliteHistory.in_memory(), MemoryKeep()

    def begin(kept: State | None) -> Parts:
        return Parts(
            Controller(settings, kept) if rule is None else ByRule(settings, rule, kept),
            world.probes,
            world.relay,
            world,
            keep,
            world.keeper,
            history,
            (witness, *tellers),
            lambda: world.outdoor.temp_c,
            # as with the room's probe: one that the settings name is a simulated one here
            world.surface_c if settings.surface.probe.kind != "none" else lambda: None,
        )

    return Rehearsal(world, witness, history, weather, keep, settings.loop.tick_s, begin)
