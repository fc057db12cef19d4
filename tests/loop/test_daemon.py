"""The daemon in this process: prepared from a settings file, stopped from within."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog

from controller import commissioned
from controller.copies import copies
from controller.daemon import Daemon
from controller.devices.clock import BoardClock
from controller.errors import DataFileError, KeptStateError, ProbeError, RefusedError, SettingsError
from controller.force_off import Held, read_line_file
from controller.history.read import HistoryReader
from controller.keep import NAMES, peek
from controller.logs import LogTeller, configure
from controller.settings import Settings
from controller.simulator.world import SimulatedRelay

Write = Callable[..., Path]


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in list(os.environ):
        if name.startswith(("HYGROHOLD", "XDG_")) or name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
            monkeypatch.delenv(name)
    configure(json_lines=True)
    yield
    structlog.reset_defaults()


@pytest.fixture
def relays(monkeypatch: pytest.MonkeyPatch) -> list[SimulatedRelay]:
    """Every relay that was made."""
    made: list[SimulatedRelay] = []

    def make(_: object, before_claim: object) -> SimulatedRelay:
        made.append(SimulatedRelay())
        made[-1].on = True  # as if something had left it on: the loop must drive it off
        return made[-1]

    monkeypatch.setattr("controller.daemon.make_relay", make)
    return made


@pytest.fixture
def write(tmp_path: Path) -> Write:
    rows = "".join(f"{second},{50 + second % 7 / 10},24.0\n" for second in range(0, 4000, 5))
    (tmp_path / "replay.csv").write_text(f"time,rh_pct,temp_c\n{rows}")

    def settings(more: str = "", probe: str = "") -> Path:
        probe = probe or f'[[probe]]\nkind = "replay"\nfile = "{tmp_path / "replay.csv"}"\n'
        path = tmp_path / "room.toml"
        path.write_text(
            f'settings_version = 1\n[room]\nname = "attic"\nstate_dir = "{tmp_path / "state"}"\n{probe}{more}'
        )
        return path

    return settings


def commission(path: Path) -> None:
    """As if a person had seen this relay obey."""
    settings = Settings.load(path, {})
    step = commissioned.Step("relay", "it obeys", (("Is it off?", "yes"),))
    record = commissioned.Record(
        "2026-01-10T18:00:00+00:00", True, "0", "Ann", "attic", commissioned.fingerprint(settings),
        commissioned.KILL_OFF, (step,),
    )  # fmt: skip
    commissioned.write(Path(settings.room.state_dir) / settings.room.name, record)


@pytest.fixture
def fast(monkeypatch: pytest.MonkeyPatch) -> dict[str, float]:
    """The board's clock, whose waits pass at once; the daemon is stopped after ``ticks``."""
    world = {"mono_s": 500.0, "ticks": 90.0}

    class Fast(BoardClock):
        def __init__(self, timezone: object) -> None:
            super().__init__(
                None, monotonic=lambda: world["mono_s"], trusted=lambda: True, waiter=self.passes, boot="b"
            )

        def passes(self, seconds: float) -> None:
            world["mono_s"] += seconds
            world["ticks"] -= 1
            if world["ticks"] <= 0:
                self.stop()

    monkeypatch.setattr("controller.daemon.BoardClock", Fast)
    return world


def test_a_life(write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path) -> None:
    daemon = Daemon.prepare(write(), False, LogTeller())
    (relay,) = relays
    seen: list[bool] = []
    status = tmp_path / "state" / "attic" / "status.json"
    real = relay.switch

    def switch(on: bool) -> None:
        seen.append(on)
        real(on)

    relay.switch = switch  # type: ignore[method-assign]
    daemon.run()
    assert seen[0] is False
    assert True in seen
    assert relay.on is False
    assert not status.exists()  # nobody takes an old file for a running loop
    state = peek(tmp_path / "state" / "attic")
    assert state is not None
    assert state.relay.on is False
    assert state.t == pytest.approx(900.0)  # up to the stop
    reader = HistoryReader(tmp_path / "state" / "attic" / "history.sqlite")
    assert len(list(reader.minutes())) == 14
    assert next(event.kind for event in reader.events()) == "start"
    assert any("simulated" in event.words for event in reader.events())
    assert [switching.on for switching in reader.switchings()] == [False, True, False]


def test_a_second_life_goes_on_from_the_first(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    path = write()
    Daemon.prepare(path, False, LogTeller()).run()
    first = peek(tmp_path / "state" / "attic")
    fast["ticks"] = 90.0
    Daemon.prepare(path, False, LogTeller()).run()
    second = peek(tmp_path / "state" / "attic")
    assert first is not None
    assert second is not None
    assert second.t >= first.t + 880.0
    assert sum(end - start for start, end in second.runtime.runs) >= 500.0


def test_spoilt_state_is_told_in_the_record_and_as_an_alarm(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    folder = tmp_path / "state" / "attic"
    folder.mkdir(parents=True)
    for name in NAMES:
        (folder / name).write_text("spoilt")
    Daemon.prepare(write(), False, LogTeller()).run()
    reader = HistoryReader(folder / "history.sqlite")
    remarks = [event.words for event in reader.events() if event.kind == "remark"]
    for name in NAMES:
        assert any(name in words and "unreadable" in words for words in remarks)
    assert ("state_lost", True) in [(message.code, message.raised) for message in reader.messages()]


def test_a_damaged_record_does_not_stop_the_start(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    folder = tmp_path / "state" / "attic"
    folder.mkdir(parents=True)
    (folder / "history.sqlite").write_bytes(b"nonsense" * 1000)
    Daemon.prepare(write(), False, LogTeller()).run()
    events = HistoryReader(folder / "history.sqlite").events()
    assert any("set aside" in event.words for event in events)


@pytest.mark.parametrize(
    ("probe", "error"),
    [
        ('[[probe]]\nkind = "simulated"\n', ProbeError),
        ('[[probe]]\nkind = "replay"\nfile = "/no/such.csv"\n', DataFileError),
        ('[[probe]]\nkind = "hwmon"\nat = "99-0044"\n', ProbeError),
    ],
)
def test_no_start_without_a_probe_and_the_relay_is_let_go_off(
    write: Write,
    fast: dict[str, float],
    relays: list[SimulatedRelay],
    probe: str,
    error: type[Exception],
) -> None:
    with pytest.raises(error):
        Daemon.prepare(write(probe=probe), False, LogTeller())
    (relay,) = relays
    assert relay.on is False


def test_no_start_on_refused_settings_and_no_relay_is_touched(
    write: Write, relays: list[SimulatedRelay]
) -> None:
    with pytest.raises(SettingsError, match=r"room\.toml:\d+"):
        Daemon.prepare(write("[loop]\ntick_s = 0\n"), False, LogTeller())
    assert relays == []


def test_no_start_where_nothing_can_be_kept(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    path = write()
    (tmp_path / "state").write_text("in the way")
    with pytest.raises(KeptStateError, match=r"room\.state_dir"):
        Daemon.prepare(path, False, LogTeller())
    assert all(relay.on is False for relay in relays)  # driven off, or not touched at all


def test_the_last_good_settings_rule_with_an_alarm(
    write: Write,
    fast: dict[str, float],
    relays: list[SimulatedRelay],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A good file, then a spoilt one: started with --last-good, the copy rules."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "xdg"))
    path = write("[loop]\ntick_s = 20\n")
    Daemon.prepare(path, False, LogTeller()).run()
    path.write_text(path.read_text() + "[target]\nday_rh_pct = 1000\n")
    fast["ticks"] = 10.0
    Daemon.prepare(path, True, LogTeller()).run()
    reader = HistoryReader(tmp_path / "state" / "attic" / "history.sqlite")
    assert "settings_refused" in {message.code for message in reader.messages()}


def test_the_last_good_settings_of_the_usual_place(
    write: Write,
    fast: dict[str, float],
    relays: list[SimulatedRelay],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same where a service manager gives the folder."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "given"))
    path = write()
    text = (
        path.read_text().replace(f'state_dir = "{tmp_path / "state"}"\n', "").replace('name = "attic"\n', "")
    )
    path.write_text(text)
    Daemon.prepare(path, False, LogTeller()).run()
    path.write_text(text + "[loop]\ntick_s = 0\n")
    fast["ticks"] = 10.0
    Daemon.prepare(path, True, LogTeller()).run()
    reader = HistoryReader(tmp_path / "given" / "history.sqlite")
    (alarm,) = [message for message in reader.messages() if message.code == "settings_refused"]
    assert "tick_s" in alarm.detail


def test_files_that_were_no_requests_are_told(
    write: Write,
    fast: dict[str, float],
    relays: list[SimulatedRelay],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    configure(json_lines=True)  # again, now that standard error is captured for this test
    daemon = Daemon.prepare(write(), False, LogTeller())
    (tmp_path / "state" / "attic" / "requests" / "asked" / "odd.json").write_text("nonsense")
    daemon.run()
    assert "odd.json" in capsys.readouterr().err


def test_a_request_left_beforehand_is_answered(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    from datetime import UTC, datetime

    from controller.core.records import Request
    from controller.spool import Spool

    spool = Spool(tmp_path / "state" / "attic" / "requests")
    identity = spool.leave(Request("refilled", by="Ann"), datetime.now(UTC))
    Daemon.prepare(write(), False, LogTeller()).run()
    answer = spool.answer_to(identity)
    assert answer is not None
    assert answer[0]
    (note,) = HistoryReader(tmp_path / "state" / "attic" / "history.sqlite").notes()
    assert note.by == "Ann"


def test_the_line_file_is_left_once_the_relay_is_claimed(
    write: Write, relays: list[SimulatedRelay], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """For the next start's early off, and for whoever drives off when this program is dead."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    folder = tmp_path / "state" / "attic"
    line = '[relay]\nkind = "gpiozero"\npin = 22\nactive_high = false\n'
    path = write(line)
    commission(path)
    for _ in range(2):
        with Daemon.prepare(path, False, LogTeller())._ends:
            pass
        assert read_line_file(folder) == read_line_file(copies(path)) == ("/dev/gpiochip0", 22, 1)
    with Daemon.prepare(write(), False, LogTeller())._ends:
        pass
    assert read_line_file(folder) is read_line_file(copies(path)) is None


def test_a_real_relay_is_not_touched_before_it_was_commissioned_for_this_wiring(
    write: Write, relays: list[SimulatedRelay], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Nobody knows yet which level is off."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    path = write('[relay]\nkind = "gpiozero"\npin = 22\n')
    with pytest.raises(RefusedError, match="hygrohold commission"):
        Daemon.prepare(path, False, LogTeller())
    commission(path)
    path = write('[relay]\nkind = "gpiozero"\npin = 23\n')
    with pytest.raises(RefusedError, match=r"relay\.pin was 22 and is 23"):
        Daemon.prepare(path, False, LogTeller())
    assert relays == []


def test_the_early_off_is_let_go_of_only_by_the_driver_of_its_line(
    write: Write, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    seen: list[bool] = []

    def make(settings: Settings, before_claim: Callable[[], None]) -> SimulatedRelay:
        seen.append(early.holding)
        before_claim()
        seen.append(early.holding)
        return SimulatedRelay()

    monkeypatch.setattr("controller.daemon.make_relay", make)
    for pin in (17, 22):
        early = Held(("/dev/gpiochip0", 17, 0), os.open("/dev/null", os.O_RDONLY), "")
        path = write(f'[relay]\nkind = "gpiozero"\npin = {pin}\n')
        commission(path)
        with Daemon.prepare(path, False, LogTeller(), early)._ends:
            pass
        early.release()
    assert seen == [True, False, True, True]


def test_an_early_off_that_failed_is_a_remark(
    write: Write, fast: dict[str, float], relays: list[SimulatedRelay], tmp_path: Path
) -> None:
    early = Held(("/dev/gpiochip0", 17, 0), -1, "there is no /dev/gpiochip0")
    Daemon.prepare(write(), False, LogTeller(), early).run()
    reader = HistoryReader(tmp_path / "state" / "attic" / "history.sqlite")
    assert any("not driven off early: there is no /dev/gpiochip0" in event.words for event in reader.events())
