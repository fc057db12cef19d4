"""The walk's real side with the room's own files: a driven clock, a replayed probe, a stand-in relay."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller import force_off
from controller.commissioning import mist, real
from controller.commissioning.judge import NO_MIST, on_s
from controller.commissioning.real import RealSite
from controller.commissioning.rehearsed import RehearsedSite
from controller.commissioning.scene import Notebook, Scene
from controller.copies import copies
from controller.devices.boards import Board
from controller.devices.clock import BoardClock
from controller.devices.sysfs import FoundProbe
from controller.errors import KeptStateError, ProbeError, RelayError
from controller.history.read import HistoryReader
from controller.keep import NAMES, FileKeep, peek
from controller.room_lock import hold
from controller.settings import Settings
from controller.simulator.world import SimulatedRelay
from controller.wiring import Places
from tests.commission.helpers import Keeper, settings_of

NOON = datetime(2026, 1, 10, 12, 0, tzinfo=UTC)


class Driven:
    """A board's clock whose waits pass at once."""

    def __init__(self) -> None:
        self.mono_s = 5000.0
        self.clock = BoardClock(
            UTC,
            monotonic=lambda: self.mono_s,
            utc_now=lambda: NOON + timedelta(seconds=self.mono_s),
            trusted=lambda: True,
            waiter=self.wait,
            boot="boot-1",
        )

    def wait(self, seconds: float) -> None:
        self.mono_s += seconds


@pytest.fixture
def driven() -> Iterator[Driven]:
    made = Driven()
    yield made
    made.clock.close()


@pytest.fixture
def relays(monkeypatch: pytest.MonkeyPatch) -> list[SimulatedRelay]:
    made: list[SimulatedRelay] = []

    class Closing(SimulatedRelay):
        closed = False

        def close(self) -> None:
            super().close()
            self.closed = True

    def make(settings: Settings) -> SimulatedRelay:
        made.append(Closing())
        return made[-1]

    monkeypatch.setattr(real, "make_relay", make)
    return made


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    rows = "".join(f"{second},{50 + second % 7 / 10},24.0\n" for second in range(0, 4000, 5))
    (tmp_path / "replay.csv").write_text(f"time,rh_pct,temp_c\n{rows}")
    return settings_of(probe=({"kind": "replay", "file": str(tmp_path / "replay.csv")},))


Make = Callable[..., RealSite]


@pytest.fixture
def make(settings: Settings, driven: Driven, tmp_path: Path) -> Make:
    def site(said: list[str] | None = None, other: Settings | None = None) -> RealSite:
        where = Places(tmp_path / "attic", tmp_path / "attic")
        where.state.mkdir(exist_ok=True)
        return RealSite(other or settings, where, driven.clock, (said if said is not None else []).append)

    return site


def watch_of(settings: Settings, site: Any) -> tuple[mist.Watch, mist.Asking]:
    asking = mist.Asking("ann")
    talk = Keeper(RehearsedSite(settings_of()))
    return mist.Watch(Scene(settings, site, talk, Notebook(), "ann"), asking), asking


def test_ten_minutes_by_the_real_loop_are_on_the_room_s_own_books(
    make: Make, settings: Settings, relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    site = make()
    watch, asking = watch_of(settings, site)
    site.hold(asking, watch, lambda: watch.over)
    (relay,) = relays
    assert not relay.on
    assert relay.closed  # type: ignore[attr-defined]
    assert on_s(watch.samples[0]) == pytest.approx(mist.MIST_S, abs=2 * mist.FASTEST_TICK_S)
    state = peek(tmp_path / "attic")
    assert state is not None
    assert not state.relay.on
    assert sum(end - begin for begin, end in state.runtime.runs) == pytest.approx(600.0, abs=15.0)
    assert state.tank.level_l == pytest.approx(4.0 - 4.0 / 60.0, abs=0.01)  # ten minutes of ten hours
    reader = HistoryReader(tmp_path / "attic" / "history.sqlite")
    assert [switching.on for switching in reader.switchings()] == [False, True, False]
    assert {note.kind for note in reader.notes()} == {"refilled", "humidify_now"}
    assert "commissioning of the room attic" in [event.words for event in reader.events()]
    assert judged(settings, watch) == NO_MIST  # the replayed room knows nothing of our mist


def judged(settings: Settings, watch: mist.Watch) -> str:
    from controller.commissioning import judge

    return judge.mist(mist.room_of(settings), watch.samples, ["the probe"], "").code


def test_what_has_run_before_counts(
    make: Make, settings: Settings, relays: list[SimulatedRelay], driven: Driven, tmp_path: Path
) -> None:
    """The cap is the room's: where it is used up, commissioning gets no mist either."""
    short = settings_of(probe=settings.probe, runtime={"cap_hours_in_any_24": 0.6})
    for _ in range(4):
        site = make(other=short)
        watch, asking = watch_of(short, site)
        site.hold(asking, watch, lambda w=watch: w.over)  # type: ignore[misc]
    state = peek(tmp_path / "attic")
    assert state is not None
    assert sum(end - begin for begin, end in state.runtime.runs) <= 0.6 * 3600 + 1
    assert "cap is 0.6 h" in watch.why_off


def test_a_wish_to_stop_ends_it(
    make: Make, settings: Settings, relays: list[SimulatedRelay], driven: Driven
) -> None:
    site = make()
    watch, asking = watch_of(settings, site)

    class Impatient:
        def ticked(self, inputs: Any, decision: Any, changed: bool) -> None:
            watch.ticked(inputs, decision, changed)
            if decision.relay_on:
                driven.clock.stop()

    site.hold(asking, Impatient(), lambda: watch.over)
    assert not relays[0].on


def test_remarks_of_the_kept_state_are_said(
    make: Make, settings: Settings, relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    said: list[str] = []
    site = make(said)
    (tmp_path / "attic" / NAMES[0]).write_text("rubbish")
    watch, asking = watch_of(settings, site)
    site.hold(asking, watch, lambda: True)
    assert any("was unreadable" in words for words in said)


def test_a_kept_state_that_cannot_be_had_leaves_the_relay_off(
    make: Make, settings: Settings, relays: list[SimulatedRelay], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> None:
        raise KeptStateError("no")

    monkeypatch.setattr(FileKeep, "load", fails)
    site = make()
    watch, asking = watch_of(settings, site)
    with pytest.raises(KeptStateError):
        site.hold(asking, watch, lambda: True)
    assert relays[0].closed  # type: ignore[attr-defined]


def test_what_there_is_and_what_the_settings_name(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    boards = [Board("/dev/gpiochip0", "gpiochip0", "a", 54), Board("/dev/gpiochip1", "gpiochip1", "b", 8)]
    probes = [FoundProbe("hwmon", "1-0044", "sht4x", Path()), FoundProbe("iio", "1-0040", "hdc", Path())]
    monkeypatch.setattr(real, "list_boards", lambda: boards)
    monkeypatch.setattr(real, "list_probes", lambda: probes)
    found = make(other=settings_of()).found()
    assert found[0] == '/dev/gpiochip0: "a", 54 lines'
    assert found[1] == '/dev/gpiochip1: "b", 8 lines   <- the relay\'s line 5 on gpiochip1'
    assert found[2] == 'hwmon probe "sht4x" at "1-0044"   <- probe 1'
    assert found[3] == 'iio probe "hdc" at "1-0040"'
    by_name = settings_of(probe=({"kind": "iio", "chip": "HDC"},))
    assert make(other=by_name).found()[3].endswith("<- probe 1")


def test_a_machine_with_nothing(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(real, "list_boards", list)
    monkeypatch.setattr(real, "list_probes", list)
    assert make(other=settings_of()).found() == [
        "/dev/gpiochip1, which the settings name for the relay, is NOT there",
        "no probe with a kernel driver",
    ]


def test_a_probe_that_is_not_there(make: Make) -> None:
    with pytest.raises(ProbeError):
        make(other=settings_of(probe=({"kind": "hwmon", "at": "9-0099"},))).probes()


@pytest.mark.process
def test_the_line_is_noted_before_the_hand_takes_it(
    make: Make, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    noted: list[Any] = []
    folder = tmp_path / "attic"
    monkeypatch.setattr(real, "ProcessHand", lambda _: noted.append(force_off.read_line_file(folder)))
    site = make(other=settings_of())
    site.hand()
    assert noted == [("/dev/gpiochip1", 5, 0)]
    done, words = site.force_off()
    assert not done
    assert "/dev/gpiochip1" in words
    site.forget_line()
    assert force_off.read_line_file(tmp_path / "attic") is None
    assert site.hint("outlet") == ""


def test_an_older_line_file_of_a_program_started_by_hand_is_put_right(
    settings: Settings, driven: Driven, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """`run` looks there first, long before the settings are read: the old off level may be the new on."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(real, "ProcessHand", lambda _: None)
    path = tmp_path / "attic.toml"
    old = copies(path)
    old.mkdir(parents=True)
    force_off.write_line_file(old, "/dev/gpiochip1", 5, 1)
    where = Places(tmp_path / "attic", tmp_path / "no-runtime-folder")
    where.state.mkdir()
    site = RealSite(settings_of(), where, driven.clock, print, path)
    site.hand()
    assert force_off.read_line_file(old) == ("/dev/gpiochip1", 5, 0)
    assert not where.runtime.exists(), "a folder that only the service may make"
    site.forget_line()
    assert force_off.read_line_file(old) is None


def test_a_line_that_cannot_be_noted_is_not_taken(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(real, "leave_line_file", lambda *_: "the folder is full")
    with pytest.raises(RelayError, match="full"):
        make().hand()


def test_one_program_a_room(tmp_path: Path) -> None:
    with (
        hold(tmp_path / "attic"),
        hold(tmp_path / "cellar"),
        pytest.raises(KeptStateError, match="already runs this room"),
    ):
        hold(tmp_path / "attic")
    hold(tmp_path / "attic").close()
    (tmp_path / "file").touch()
    with pytest.raises(KeptStateError, match="cannot be used"):
        hold(tmp_path / "file")
