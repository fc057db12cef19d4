"""backup and restore: one file with all that a room would miss, and the way back."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest

from controller import Controller, Inputs, backup, commissioned, keep, restore, room_lock
from controller.backup import CONTENTS, RECORD, SETTINGS, STATE
from controller.cli import DONE, FAILED, REFUSED, WRONG
from controller.core import runtime, tank
from controller.core.keeper import KeeperMemory
from controller.core.messages import message_words
from controller.core.records import Instant
from controller.core.state import State
from controller.core.tank import TankMemory
from controller.core.tank_model import Learned
from controller.devices import clock
from controller.history import HistoryReader, SqliteHistory, schema
from controller.history.thin import bite
from controller.ports import Sample
from controller.settings import Settings
from tests.cli.conftest import Run

T0 = datetime(2025, 1, 14, 12, 0, tzinfo=UTC)
HOUR_S = 3600.0
CAP_S = 12 * HOUR_S
SAMPLE = Sample(
    T0.timestamp(), True, 61.5, 24.0, 61.0, 24.2, None, None, 60.0, True, 30.0, 3.2, None, "enough"
)
STEP = commissioned.Step("mist", "it came", (("seen", "yes"),))
RECORDED = commissioned.Record(
    T0.isoformat(), True, "0.1.0", "Ann", "larch", {"relay.kind": "gpiozero"}, commissioned.KILL_OFF, (STEP,)
)


def kept(hours_ago: float = 0.0, ran_h: float = 5.0) -> State:
    """A state of so long before T0, whose humidifier had just run."""
    t = 100 * HOUR_S
    used = runtime.assume_ran(runtime.RuntimeMemory(), t - ran_h * HOUR_S, t)
    wall = T0 - timedelta(hours=hours_ago)
    return State(t=t, wall=wall, wall_trusted=True, boot="boot-1", runtime=used, tank=TankMemory(level_l=2.0))


class Room(NamedTuple):
    settings: Path
    folder: Path
    record: Path

    @property
    def minutes(self) -> int:
        return len(list(HistoryReader(self.record).minutes()))


@pytest.fixture
def larch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Room:
    """A room of 300 minutes, with state and record of commissioning; its program does not run."""
    monkeypatch.setattr(clock, "kernel_says_synchronised", lambda: True)
    settings = tmp_path / "larch.toml"
    settings.write_text(
        f'settings_version = 1\n[room]\nname = "larch"\nstate_dir = "{tmp_path / "state"}"\n'
        'timezone = "UTC"\n'
        '[notify]\nwebhook_url = "https://example.org/secret"\n'
    )
    folder = tmp_path / "state" / "larch"
    folder.mkdir(parents=True)
    room = Room(settings, folder, folder / "history.sqlite")
    write_minutes(room, 0, 300)
    keep.FileKeep(folder).save(kept(2))
    commissioned.write(folder, RECORDED)
    return room


def write_minutes(room: Room, first: int, end: int) -> None:
    history = SqliteHistory.open(room.record)
    for n in range(first, end):
        history.sample(SAMPLE._replace(at_s=SAMPLE.at_s + 60.0 * n))
    history.close()


@pytest.fixture
def saved(run: Run, larch: Room, tmp_path: Path) -> Path:
    path = tmp_path / "larch.zip"
    assert run("backup", str(path), "--settings", str(larch.settings))[0] == DONE
    return path


def leftovers(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.endswith(".part") or "-wal" in path.name]


# backup


def test_it_says_what_is_in_it(run: Run, larch: Room, tmp_path: Path) -> None:
    path = tmp_path / "larch.zip"
    code, out, err = run("backup", str(path), "--settings", str(larch.settings))
    assert (code, err) == (DONE, "")
    assert "300 minutes from 2025-01-14 11:59 to 2025-01-14 16:59" in out
    for words in ("Room larch", "protective state", "settings file", "record of commissioning", "read back"):
        assert words in out
    assert stat.S_IMODE(path.stat().st_mode) == 0o600  # the settings hold a secret
    with zipfile.ZipFile(path) as archive:  # any program that reads ZIP can read it
        assert archive.testzip() is None
        assert set(archive.namelist()) == {CONTENTS, RECORD, STATE, SETTINGS, "commissioned.json"}
        assert archive.read(SETTINGS).decode() == larch.settings.read_text()
        assert State.from_plain(json.loads(archive.read(STATE))) == kept(2)
    assert leftovers(tmp_path) == []


def test_while_the_program_runs_and_writes(run: Run, larch: Room, tmp_path: Path) -> None:
    """What is still in the log beside the record is in the copy; the writer is not disturbed."""
    lock = room_lock.hold(larch.folder)
    history = SqliteHistory.open(larch.record)
    for n in range(300, 310):
        history.sample(SAMPLE._replace(at_s=SAMPLE.at_s + 60.0 * n))
    assert larch.record.with_name("history.sqlite-wal").stat().st_size > 0
    path = tmp_path / "larch.zip"
    code, out, _ = run("backup", str(path), "--settings", str(larch.settings))
    assert code == DONE
    assert "310 minutes" in out
    for n in range(310, 320):
        history.sample(SAMPLE._replace(at_s=SAMPLE.at_s + 60.0 * n))
    assert history.trouble() == ""
    history.close()
    lock.close()
    assert larch.minutes == 320


def test_the_days_whose_totals_alone_are_left_are_told(run: Run, larch: Room, saved: Path) -> None:
    with closing(schema.open_to_write(larch.record)) as db:
        assert bite(db, 0, UTC) == 240
    code, out, _ = run("backup", str(saved), "--replace", "--settings", str(larch.settings))
    assert code == DONE
    assert "60 minutes from 2025-01-14 15:59" in out
    assert "of 1 earlier days, from 2025-01-14 on, the totals" in out


def test_a_room_with_nothing_but_a_record(run: Run, larch: Room, tmp_path: Path) -> None:
    for name in (*keep.NAMES, commissioned.FILE):
        (larch.folder / name).unlink(missing_ok=True)
    with closing(sqlite3.connect(larch.record)) as db:
        db.execute("DELETE FROM sample")
        db.commit()
    code, out, _ = run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))
    assert code == DONE
    assert "no minute in it yet" in out
    assert "not in it, as the room has none: the protective state" in out


def test_no_record_no_backup(run: Run, room: Callable[..., Path], tmp_path: Path) -> None:
    code, out, err = run("backup", str(tmp_path / "b.zip"), "--settings", str(room()))
    assert (code, out) == (FAILED, "")
    assert "no record yet" in err
    assert not (tmp_path / "b.zip").exists()
    assert leftovers(tmp_path) == []


def test_a_damaged_record_is_not_called_a_backup(run: Run, larch: Room, tmp_path: Path) -> None:
    whole = bytearray(larch.record.read_bytes())
    page = len(whole) // 2 // 4096 * 4096
    whole[page : page + 4096] = b"\xa5" * 4096
    larch.record.write_bytes(whole)
    code, _, err = run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))
    assert code == FAILED
    assert "record" in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["larch.toml", "state", "xdg"]


def test_a_file_that_is_there_is_not_replaced_unasked(run: Run, larch: Room, saved: Path) -> None:
    before = saved.read_bytes()
    write_minutes(larch, 300, 310)
    code, _, err = run("backup", str(saved), "--settings", str(larch.settings))
    assert code == REFUSED
    assert "--replace" in err
    assert saved.read_bytes() == before
    assert run("backup", str(saved), "--replace", "--settings", str(larch.settings))[0] == DONE
    assert saved.read_bytes() != before


def test_a_folder_or_no_folder_is_told(run: Run, larch: Room, tmp_path: Path) -> None:
    for words in ((str(tmp_path),), (str(tmp_path), "--replace")):
        code, _, err = run("backup", *words, "--settings", str(larch.settings))
        assert code == REFUSED
        assert "is a folder" in err
    code, _, err = run("backup", str(tmp_path / "no" / "b.zip"), "--settings", str(larch.settings))
    assert code == WRONG
    assert "there is no folder" in err


def test_what_is_written_wrongly_is_not_left(
    run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A medium that gives back other bytes: the backup of yesterday stays."""
    before = saved.read_bytes()

    def spoil(path: Path) -> None:
        whole = bytearray(path.read_bytes())
        whole[len(whole) // 2] ^= 1
        path.write_bytes(whole)

    monkeypatch.setattr(backup, "_out_of_memory", spoil)
    code, out, err = run("backup", str(saved), "--replace", "--settings", str(larch.settings))
    assert code != DONE
    assert "Done" not in out
    assert "damaged" in err
    assert saved.read_bytes() == before
    assert leftovers(saved.parent) == []


def test_a_full_disk_is_told(run: Run, larch: Room, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    code, _, err = run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))
    assert code == FAILED
    assert "No space left" in err
    assert err.endswith("Nothing was written.\n")
    assert not (tmp_path / "b.zip").exists()
    assert leftovers(tmp_path) == []


def test_a_full_disk_leaves_the_older_one(
    run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    before = saved.read_bytes()
    monkeypatch.setattr(os, "fsync", full)
    code, _, err = run("backup", str(saved), "--replace", "--settings", str(larch.settings))
    assert (code, "Nothing was written, and the older file stays as it was" in err) == (FAILED, True)
    assert saved.read_bytes() == before


def test_a_folder_that_cannot_be_synced_has_the_file(
    run: Run, larch: Room, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(folder: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(backup, "sync_folder", failing)
    code, _, err = run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))
    assert (code, "It is there" in err, "Nothing was written" in err) == (FAILED, True, False)
    assert backup.check(tmp_path / "b.zip").room == "larch"


def test_without_a_settings_file(
    run: Run, larch: Room, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HYGROHOLD_ROOM__NAME", "larch")
    monkeypatch.setenv("HYGROHOLD_ROOM__STATE_DIR", str(tmp_path / "state"))
    code, out, _ = run("backup", str(tmp_path / "b.zip"))
    assert code == DONE
    assert "No settings file was named" in out
    code, _, err = run("restore", str(tmp_path / "b.zip"), "--settings-to", str(tmp_path / "new.toml"))
    assert code == WRONG
    assert "holds no settings file" in err


# restore


def test_a_look_changes_nothing(run: Run, larch: Room, saved: Path) -> None:
    before = {path.name: path.read_bytes() for path in larch.folder.iterdir()}
    code, out, _ = run("restore", str(saved), "--look")
    assert code == DONE
    assert "300 minutes" in out
    assert "Sound" in out
    assert {path.name: path.read_bytes() for path in larch.folder.iterdir()} == before


def test_the_record_comes_back_and_the_one_there_is_kept(run: Run, larch: Room, saved: Path) -> None:
    write_minutes(larch, 300, 400)
    keep.FileKeep(larch.folder).save(kept(1, ran_h=7))
    code, out, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert (code, err) == (DONE, "")
    assert leftovers(larch.folder) == []
    assert larch.minutes == 300
    assert [event.kind for event in HistoryReader(larch.record).events()] == ["restored"]
    (aside,) = larch.folder.glob("history.sqlite.before-restore-*")
    assert aside.name in out
    assert len(list(HistoryReader(aside).minutes())) == 400
    state = keep.peek(larch.folder)
    assert state is not None
    assert state.runtime == kept(1, ran_h=7).runtime  # the one that is there knows more
    assert "stays: it was kept later, or that cannot be told." in out
    assert commissioned.read(larch.folder) == RECORDED
    # and once more, in the same second: both are kept
    assert run("restore", str(saved), "--settings", str(larch.settings))[0] == DONE
    asides = [path.name for path in larch.folder.glob("history.sqlite.before-restore-*")]
    assert len([name for name in asides if not name.endswith(("-wal", "-shm"))]) == 2


def test_a_record_whose_log_was_not_folded_in_is_set_aside_whole(
    run: Run, larch: Room, saved: Path, tmp_path: Path
) -> None:
    living = SqliteHistory.open(larch.record)
    for n in range(300, 310):
        living.sample(SAMPLE._replace(at_s=SAMPLE.at_s + 60.0 * n))
    parts = {path.name: path.read_bytes() for path in larch.folder.glob("history.sqlite*")}
    living.close()
    for name, content in parts.items():  # as a power cut leaves them
        (larch.folder / name).write_bytes(content)
    assert run("restore", str(saved), "--settings", str(larch.settings))[0] == DONE
    aside = next(path for path in larch.folder.glob("*.before-restore-*") if path.name[-4:-3] != "-")
    assert len(list(HistoryReader(aside).minutes())) == 310
    assert larch.minutes == 300


def test_a_damaged_record_is_set_aside_with_its_log(run: Run, larch: Room, saved: Path) -> None:
    larch.record.write_bytes(b"nonsense" * 1000)
    larch.record.with_name("history.sqlite-wal").write_bytes(b"a log")
    assert run("restore", str(saved), "--settings", str(larch.settings))[0] == DONE
    asides = {path.name[-4:]: path for path in larch.folder.glob("*.before-restore-*")}
    assert asides["-wal"].read_bytes() == b"a log"
    assert any(path.read_bytes() == b"nonsense" * 1000 for path in asides.values())
    assert larch.minutes == 300


def test_a_log_whose_record_is_gone_is_not_played_into_the_restored_one(
    run: Run, larch: Room, saved: Path
) -> None:
    """SQLite plays a log found beside a file into it, whoever's it is: sqlite.org/howtocorrupt.html."""
    living = SqliteHistory.open(larch.record)
    for n in range(300, 310):
        living.sample(SAMPLE._replace(at_s=SAMPLE.at_s + 60.0 * n))
    log = larch.record.with_name("history.sqlite-wal")
    content = log.read_bytes()
    living.close()
    larch.record.unlink()
    log.write_bytes(content)
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    (aside,) = larch.folder.glob("history.sqlite.before-restore-*")
    assert (aside.name.endswith("-wal"), aside.name in out) == (True, True)
    assert aside.read_bytes() == content
    assert larch.minutes == 300


def test_not_while_the_program_runs(run: Run, larch: Room, saved: Path) -> None:
    with room_lock.hold(larch.folder):
        code, _, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == FAILED
    assert "already runs this room" in err
    assert not list(larch.folder.glob("*.before-restore-*"))


def test_not_into_another_room(run: Run, larch: Room, saved: Path, room: Callable[..., Path]) -> None:
    code, _, err = run("restore", str(saved), "--settings", str(room()))
    assert code == REFUSED
    assert "is of the room larch" in err


def test_a_new_card(run: Run, larch: Room, saved: Path, tmp_path: Path) -> None:
    """Nothing is there but the archive: first its settings, then the rest."""
    larch.folder.rename(tmp_path / "the card that died")
    new = tmp_path / "new.toml"
    code, out, _ = run("restore", str(saved), "--settings-to", str(new))
    assert code == DONE
    assert "hygrohold restore" in out
    assert new.read_text() == larch.settings.read_text()
    assert run("restore", str(saved), "--settings-to", str(new))[0] == REFUSED
    code, out, _ = run("restore", str(saved), "--settings", str(new))
    assert code == DONE
    assert larch.minutes == 300
    assert commissioned.read(larch.folder) == RECORDED
    state = keep.peek(larch.folder)
    assert state is not None
    assert state.tank.level_l is None
    decision = Controller(Settings(), state).step(Inputs(), Instant(0.0, state.wall))
    assert "state_lost" not in {alarm.code for alarm in decision.alarms}
    (notice,) = [notice for notice in decision.notices if notice.code == "state_restored"]
    assert message_words(notice).startswith(
        "This room was put back from a backup: its protective state is of 2025-01-14."
    )
    assert "storage card" not in message_words(notice)
    # the cap is 12 h; the clock of this machine is far from T0, so the old runs have aged out
    assert runtime.used_s(state.runtime, state.t) == CAP_S / 2
    assert "up to half the runtime cap counts as used" in out
    assert "commission the room again" in out


def test_the_answer_names_the_wishes_that_are_lost(run: Run, larch: Room, tmp_path: Path) -> None:
    t, path = kept().t, tmp_path / "larch.zip"
    wishes = KeeperMemory(t + HOUR_S, t + 60.0, t + 48 * HOUR_S, 15.0, raise_by="Nox")
    keep.FileKeep(larch.folder).save(kept()._replace(keeper=wishes))
    run("backup", str(path), "--settings", str(larch.settings))
    for name in keep.NAMES:
        (larch.folder / name).unlink(missing_ok=True)
    _, out, _ = run("restore", str(path), "--settings", str(larch.settings))
    assert "The target was raised then, by 15 %RH by Nox for another 2 days. That is not put back" in out
    assert "Mist that was asked for then is not asked for now." in out
    assert "A pause of then is over by now." in out
    now = Instant(0.0, T0 + timedelta(minutes=10), wall_trusted=True)
    paused = kept()._replace(keeper=KeeperMemory(t + HOUR_S))
    words = restore._wishes(paused, restore.with_strict_ledger(paused, CAP_S, now))
    assert words == " A pause of then goes on for 50 min; `hygrohold resume` ends it."


def test_a_record_of_commissioning_that_was_withdrawn_does_not_come_back(
    run: Run, larch: Room, saved: Path
) -> None:
    assert commissioned.withdraw(larch.folder)
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "was withdrawn here" in out
    assert commissioned.read(larch.folder) is None


def test_a_record_of_commissioning_does_not_come_back_over_a_failed_one(
    run: Run, larch: Room, saved: Path
) -> None:
    (larch.folder / commissioned.FILE).unlink()
    commissioned.write_failed(larch.folder, RECORDED)
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "a commissioning here did not pass" in out
    assert not (larch.folder / commissioned.FILE).exists()


def test_a_record_of_commissioning_that_cannot_be_read_stays(run: Run, larch: Room, saved: Path) -> None:
    (larch.folder / commissioned.FILE).write_text("spoilt")
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "stays as it is" in out
    assert (larch.folder / commissioned.FILE).read_text() == "spoilt"


def test_an_older_image_of_the_card_gives_way_to_the_state_of_the_backup(
    run: Run, larch: Room, saved: Path
) -> None:
    older = kept(50, ran_h=1)
    for name in keep.NAMES:
        (larch.folder / name).unlink(missing_ok=True)
    keep.FileKeep(larch.folder).save(older)
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "came from the backup" in out
    state = keep.peek(larch.folder)
    assert state is not None
    assert state.lost
    assert [path for path in larch.folder.iterdir() if ".json.before-restore-" in path.name]


def test_a_restore_cut_short_is_no_new_room(
    run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The card is full between setting the older state aside and keeping the other."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    for name in keep.NAMES:
        (larch.folder / name).unlink(missing_ok=True)
    keep.FileKeep(larch.folder).save(kept(50, ran_h=1))
    with monkeypatch.context() as patched:
        patched.setattr(keep, "write_whole", full)
        assert run("restore", str(saved), "--settings", str(larch.settings))[0] == FAILED
    assert keep.peek(larch.folder) is None
    found = keep.FileKeep(larch.folder).load(CAP_S)
    assert found.state.lost
    assert runtime.used_s(found.state.runtime, found.state.t) == CAP_S / 2


def test_an_empty_tank_stays_empty(run: Run, larch: Room, tmp_path: Path) -> None:
    dry = TankMemory(level_l=0.0, next_trial_t=101 * HOUR_S, learned=Learned(0.4, counts=3))
    keep.FileKeep(larch.folder).save(kept(2)._replace(tank=dry))
    keep.FileKeep(larch.folder).save(kept(1)._replace(tank=dry))
    assert run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))[0] == DONE
    for name in keep.NAMES:
        (larch.folder / name).unlink(missing_ok=True)
    code, out, _ = run("restore", str(tmp_path / "b.zip"), "--settings", str(larch.settings))
    assert (code, "the tank as empty" in out, "tank as unknown" in out) == (DONE, True, False)
    state = keep.peek(larch.folder)
    assert state is not None
    assert state.tank == dry
    assert tank.empty(state.tank)


def test_a_wish_for_mist_ends_and_a_pause_goes_on() -> None:
    later = kept().t + 3 * HOUR_S
    asked = KeeperMemory(later, later, later, 5.0)
    now = Instant(50.0, T0 + timedelta(hours=1), True, "boot-2")
    keeper = restore.with_strict_ledger(kept()._replace(keeper=asked), CAP_S, now).keeper
    assert (keeper.pause_until_t, keeper.humidify_until_t, keeper.raise_until_t) == (later, 0.0, 0.0)


def without(saved: Path, *names: str) -> None:
    def change(parts: dict[str, bytes]) -> None:
        plain = json.loads(parts[CONTENTS])
        for name in names:
            del parts[name], plain["parts"][name]
        parts[CONTENTS] = json.dumps(plain).encode()

    rewritten(saved, change)


def test_an_archive_without_state_and_commissioning(run: Run, larch: Room, saved: Path) -> None:
    without(saved, STATE, "commissioned.json")
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "state that is there stays; the backup holds none" in out
    for name in (*keep.NAMES, commissioned.FILE):
        (larch.folder / name).unlink(missing_ok=True)
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "none is in the backup: half the runtime cap counts as used" in out
    state = keep.peek(larch.folder)
    assert state is not None  # an empty folder would be a new room's
    assert runtime.used_s(state.runtime, state.t) == CAP_S / 2
    assert commissioned.read(larch.folder) is None


def test_a_record_of_commissioning_that_is_none_does_not_come_back(
    run: Run, larch: Room, saved: Path
) -> None:
    rewritten(saved, lambda parts: fitting(parts, "commissioned.json", b'{"version": 1}'))
    (larch.folder / commissioned.FILE).unlink()
    code, out, _ = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == DONE
    assert "was not put back" in out
    assert not (larch.folder / commissioned.FILE).exists()


def test_a_folder_that_cannot_be_written(
    run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(path: Path, to: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(restore, "rename_record", failing)
    code, _, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert (code, "Nothing is lost" in err) == (FAILED, True)
    assert larch.minutes == 300
    monkeypatch.setattr(SqliteHistory, "trouble", lambda self: "it is broken")
    code, _, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert (code, "it is broken" in err) == (FAILED, True)


def test_a_spoilt_settings_file_does_not_keep_the_rest_from_being_saved(
    run: Run, larch: Room, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HYGROHOLD_ROOM__NAME", "larch")
    monkeypatch.setenv("HYGROHOLD_ROOM__STATE_DIR", str(tmp_path / "state"))
    monkeypatch.setattr("controller.cli.common.service_file", lambda: tmp_path / "gone.toml")
    monkeypatch.setattr("controller.cli.common.load", lambda args: Settings.load(None))
    code, out, _ = run("backup", str(tmp_path / "b.zip"))
    assert code == DONE
    assert "The settings file is not in it" in out


def test_a_copy_that_is_mostly_free_pages_is_made_smaller(run: Run, larch: Room, tmp_path: Path) -> None:
    write_minutes(larch, 300, 3000)
    with closing(schema.open_to_write(larch.record)) as db:
        while bite(db, 0, UTC):
            pass
    assert run("backup", str(tmp_path / "b.zip"), "--settings", str(larch.settings))[0] == DONE
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        assert archive.getinfo(RECORD).file_size < larch.record.stat().st_size / 2


# the ledger, by hand: the cap is 12 h, the humidifier had run 5 h when the backup was made


def restored(hours: float, trusted: bool = True, state: State | None = None) -> float:
    """Hours that count as used right after a restore so long after the backup."""
    now = Instant(50.0, T0 + timedelta(hours=hours), trusted, "boot-2")
    strict = restore.with_strict_ledger(state or kept(), CAP_S, now)
    assert State.from_plain(json.loads(json.dumps(strict.to_plain()))) == strict
    return runtime.used_s(strict.runtime, strict.t) / HOUR_S


@pytest.mark.parametrize(
    ("hours", "used_h"),
    [
        (0.0, 5.0),
        (1.0, 6.0),  # it may have run all the time since
        (6.0, 11.0),
        (10.0, 11.0),  # up to half the cap
        (21.0, 5.0 - 2.0 + 6.0),  # two of the five hours are more than a day ago
        (100.0, 6.0),
        (-3.0, 11.0),  # a clock that contradicts the archive's tells nothing
    ],
)
def test_the_time_since_the_backup_counts_as_run(hours: float, used_h: float) -> None:
    assert restored(hours) == pytest.approx(used_h)


def test_without_a_clock_nothing_ages() -> None:
    assert restored(100.0, trusted=False) == pytest.approx(11.0)
    assert restored(100.0, state=kept()._replace(wall_trusted=False)) == pytest.approx(11.0)


def test_a_run_that_had_not_ended_is_counted() -> None:
    state = kept(ran_h=0)
    running = state._replace(runtime=runtime.RuntimeMemory(open_t=state.t - 3 * HOUR_S))
    assert restored(1.0, state=running) == pytest.approx(4.0)


# archives that are none of ours


def rewritten(path: Path, change: Callable[[dict[str, bytes]], Any]) -> Path:
    """The archive with its parts changed, and what it says of itself made to fit where that is asked for."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    change(parts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def said(of: dict[str, bytes], **changes: Any) -> None:
    plain = json.loads(of[CONTENTS])
    for name, value in changes.items():
        if isinstance(value, dict):
            plain[name].update(value)
        else:
            plain[name] = value
    of[CONTENTS] = json.dumps(plain).encode()


def fitting(parts: dict[str, bytes], name: str, content: bytes) -> None:
    parts[name] = content
    said(parts, parts={name: {"size": len(content), "sha256": hashlib.sha256(content).hexdigest()}})


def newer_record(parts: dict[str, bytes]) -> None:
    content = bytearray(parts[RECORD])
    content[60:64] = (len(schema.MIGRATIONS) + 1).to_bytes(
        4
    )  # sqlite.org/fileformat2.html, 1.3: user version
    fitting(parts, RECORD, bytes(content))


def spoilt_record(parts: dict[str, bytes]) -> None:
    content = bytearray(parts[RECORD])
    page = len(content) // 2 // 4096 * 4096
    content[page : page + 4096] = b"\xa5" * 4096
    fitting(parts, RECORD, bytes(content))


WRONGLY: dict[str, tuple[Callable[[dict[str, bytes]], Any], str]] = {
    "a path out of the folder": (lambda parts: parts.update({"../../etc/passwd": b"x"}), "none of its parts"),
    "an absolute path": (lambda parts: parts.update({"/etc/passwd": b"x"}), "none of its parts"),
    "a part more": (lambda parts: parts.update({"history.sqlite-wal": b"x"}), "none of its parts"),
    "no record": (lambda parts: parts.pop(RECORD), "parts are missing"),
    "no contents": (lambda parts: parts.pop(CONTENTS), "parts are missing"),
    "a part not spoken of": (lambda parts: said(parts, parts={"x": {"size": 1, "sha256": ""}}), "speaks of"),
    "contents that are no JSON": (lambda parts: parts.update({CONTENTS: b"{"}), "no backup"),
    "contents that are a list": (lambda parts: parts.update({CONTENTS: b"[]"}), "no backup"),
    "a time without a zone": (lambda parts: said(parts, made_at="2026-01-14T12:00:00"), "by which time"),
    "a newer archive": (lambda parts: said(parts, format=2), "newer version"),
    "no format": (lambda parts: said(parts, format=0), "no backup"),
    "a newer state, told": (lambda parts: said(parts, state_version=99), "newer version"),
    "a newer record, told": (lambda parts: said(parts, record={"version": 99}), "newer version"),
    "a newer state": (lambda parts: fitting(parts, STATE, b'{"version": 99}'), "state version 99"),
    "a newer record": (newer_record, "newer version"),
    "another record": (lambda parts: parts.update({RECORD: parts[RECORD] + b"x"}), "not as it was written"),
    "a spoilt record": (spoilt_record, "damaged"),
    "a record that is none": (lambda parts: fitting(parts, RECORD, b"x" * 5000), "cannot be used"),
    "an empty record": (lambda parts: fitting(parts, RECORD, b""), "it is empty"),
}


@pytest.mark.parametrize("wrong", WRONGLY)
def test_what_is_wrong_is_told_and_nothing_is_changed(run: Run, larch: Room, saved: Path, wrong: str) -> None:
    change, words = WRONGLY[wrong]
    rewritten(saved, change)
    before = {path.name: path.read_bytes() for path in larch.folder.iterdir()}
    for how in (("--look",), ("--settings", str(larch.settings))):
        code, out, err = run("restore", str(saved), *how)
        assert (code, out) == (WRONG, "")
        assert words in err
        assert saved.name in err
    after = {path.name: path.read_bytes() for path in larch.folder.iterdir() if path.name != "lock"}
    assert after == before


def test_an_absurd_size_is_refused_before_it_is_read(run: Run, saved: Path) -> None:
    """Thirty million zeros pack into thirty thousand bytes."""
    rewritten(saved, lambda parts: parts.update({STATE: b"0" * 30_000_000}))
    code, _, err = run("restore", str(saved), "--look")
    assert code == WRONG
    assert "30000000 bytes, which cannot be" in err


def test_a_packing_of_another_program_is_refused(run: Run, saved: Path) -> None:
    with zipfile.ZipFile(saved) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(saved, "w", zipfile.ZIP_LZMA) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    code, _, err = run("restore", str(saved), "--look")
    assert (code, "does not use" in err) == (WRONG, True)


def test_a_part_that_is_there_twice_is_refused(run: Run, saved: Path) -> None:
    with zipfile.ZipFile(saved, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr(STATE, b"{}")
    code, _, err = run("restore", str(saved), "--look")
    assert (code, "there twice" in err) == (WRONG, True)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.99])
def test_a_file_cut_short_is_told(run: Run, saved: Path, share: float) -> None:
    whole = saved.read_bytes()
    saved.write_bytes(whole[: int(len(whole) * share)])
    code, _, err = run("restore", str(saved), "--look")
    assert code == WRONG
    assert saved.name in err


def test_a_bit_flipped_anywhere_is_told_or_harmless(run: Run, saved: Path) -> None:
    """Harmless: in a time stamp or an attribute of the container, which nothing here believes."""
    whole = saved.read_bytes()
    told = 0
    for place in range(0, len(whole), len(whole) // 60):
        spoilt = bytearray(whole)
        spoilt[place] ^= 0x10
        saved.write_bytes(spoilt)
        code, out, _ = run("restore", str(saved), "--look")
        assert code in (DONE, WRONG)
        told += code == WRONG
        assert code == WRONG or "300 minutes" in out
    assert told > 50


def test_a_file_that_is_not_there_is_told(run: Run, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in ("nothing.zip", "pipe", "xdg"):
        code, _, err = run("restore", str(tmp_path / name), "--look")
        assert (code, "there is no such file" in err) == (WRONG, True)


def test_a_card_that_is_too_full(run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1000))
    code, _, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert (code, "too little" in err) == (REFUSED, True)
    assert larch.minutes == 300


def test_an_older_record_is_brought_up_to_date(run: Run, larch: Room, saved: Path, tmp_path: Path) -> None:
    v1 = Path(__file__).parents[1] / "history" / "v1.sql"
    old = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(old)) as db:
        db.executescript(v1.read_text())
    larch.record.write_bytes(old.read_bytes())
    code, out, _ = run("backup", str(saved), "--replace", "--settings", str(larch.settings))
    assert code == DONE
    assert "3 minutes" in out
    assert run("restore", str(saved), "--settings", str(larch.settings))[0] == DONE
    assert larch.minutes == 3


def test_the_service_s_room_is_left_to_its_user(
    run: Run, larch: Room, saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.service.folders.STATE", larch.folder.parent)
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    code, _, err = run("restore", str(saved), "--settings", str(larch.settings))
    assert code == REFUSED
    assert "sudo -u hygrohold hygrohold restore" in err
