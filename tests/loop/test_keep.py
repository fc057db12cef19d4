"""Kept state on disk: two files in turn, and what is left of them after a cut, a flip or a full card."""

from __future__ import annotations

import errno
import json
import os
import zlib
from pathlib import Path
from typing import Any

import pytest

from controller import keep
from controller.core.controller import Controller
from controller.core.records import Inputs, Instant, Reading, Request
from controller.core.runtime import used_s
from controller.core.state import State
from controller.errors import KeptStateError
from controller.keep import NAMES, FileKeep, MemoryKeep, peek
from controller.service.folders import set_aside
from tests.loop.helpers import NOON, flat

CAP_S = 12 * 3600.0


def lived(ticks: int = 40) -> State:
    """A state with something of everything in it: a run, a filling, a pause, a trusted probe."""
    controller = Controller(flat())
    for tick in range(ticks):
        asked = (Request("refilled", litres=3.0),) if tick == 5 else ()
        reading = Reading(50.0 + 0.01 * (tick % 7), 24.0)
        controller.step(Inputs((reading,), requests=asked), Instant(1000.0 + 10.0 * tick, NOON, True, "b"))
    return controller.state


def same(found: State, kept: State) -> bool:
    return found == kept._replace(started=False)


def two_kept(folder: Path) -> tuple[State, State]:
    """Fills both files; the older and the newer state."""
    keep = FileKeep(folder)
    keep.load(CAP_S)
    older, newer = lived(40), lived(60)
    keep.save(older)
    keep.save(newer)
    return older, newer


def newest(folder: Path) -> Path:
    return max(
        (folder / name for name in NAMES), key=lambda path: int(json.loads(path.read_text())["number"])
    )


def wrapped(state: str) -> bytes:
    """A state as it lies on disk, its checksum in order."""
    return json.dumps({"number": 1, "crc32": zlib.crc32(state.encode()), "state": state}).encode()


def test_nothing_kept_is_a_first_start(tmp_path: Path) -> None:
    kept = FileKeep(tmp_path / "new" / "room").load(CAP_S)
    assert kept.state == State()
    assert kept.remarks == ()


def test_what_is_kept_comes_back_the_same(tmp_path: Path) -> None:
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    state = lived()
    keep.save(state)
    assert same(FileKeep(tmp_path).load(CAP_S).state, state)
    assert same(State.from_plain(json.loads(json.dumps(state.to_plain()))), state)
    found = peek(tmp_path)
    assert found is not None
    assert same(found, state)


def test_the_two_files_take_turns(tmp_path: Path) -> None:
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    written = []
    for number in range(6):
        before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
        keep.save(State(t=float(number)))
        after = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
        written.append([name for name, content in after.items() if before.get(name) != content])
    assert written == [[NAMES[0]], [NAMES[1]]] * 3


def test_a_new_process_does_not_overwrite_the_newest_copy(tmp_path: Path) -> None:
    for number in range(1, 8):
        keep = FileKeep(tmp_path)
        keep.load(CAP_S)
        before = newest(tmp_path) if number > 2 else None
        content = before.read_bytes() if before else b""
        keep.save(State(t=float(number)))
        assert before is None or before.read_bytes() == content
        assert FileKeep(tmp_path).load(CAP_S).state.t == float(number)


@pytest.mark.parametrize("name", NAMES)
def test_one_copy_gone_is_no_loss(tmp_path: Path, name: str) -> None:
    older, newer = two_kept(tmp_path)
    was_newest = newest(tmp_path).name == name
    (tmp_path / name).unlink()
    assert same(FileKeep(tmp_path).load(CAP_S).state, older if was_newest else newer)


def spoilt_is_set_aside(folder: Path, content: bytes, older: State) -> None:
    """The newest file becomes ``content``: the older copy is used, the other kept by name, and said."""
    path = newest(folder)
    path.write_bytes(content)
    kept = FileKeep(folder).load(CAP_S)
    assert same(kept.state, older)
    (remark,) = kept.remarks
    (aside,) = [found for found in folder.iterdir() if found.name.startswith(f"{path.name}.unreadable-")]
    assert aside.read_bytes() == content
    assert path.name in remark
    assert aside.name in remark
    assert not path.exists()
    aside.unlink()


def test_a_write_torn_at_any_place_costs_only_that_write(tmp_path: Path) -> None:
    older, _ = two_kept(tmp_path)
    path = newest(tmp_path)
    whole = path.read_bytes()
    offsets = sorted({*range(0, len(whole), max(1, len(whole) // 50)), 1, 2, len(whole) - 2, len(whole) - 1})
    assert len(offsets) >= 50
    for offset in offsets:
        path.write_bytes(whole)
        spoilt_is_set_aside(tmp_path, whole[:offset], older)


def test_a_flipped_bit_anywhere_is_found(tmp_path: Path) -> None:
    """The state's own text is under the checksum; elsewhere a flip breaks the form or the sum."""
    older, newer = two_kept(tmp_path)
    path = newest(tmp_path)
    whole = path.read_bytes()
    number_at = whole.index(b'"number": ') + len(b'"number": ')
    state_at = whole.index(b'"state": "') + len(b'"state": "')
    for offset in [*range(0, len(whole), max(1, len(whole) // 60)), number_at, state_at, len(whole) - 3]:
        spoilt = bytearray(whole)
        spoilt[offset] ^= 0x01
        path.write_bytes(bytes(spoilt))
        kept = FileKeep(tmp_path).load(CAP_S)
        for aside in tmp_path.glob("*.unreadable-*"):
            aside.unlink()
        if kept.remarks:
            assert same(kept.state, older)
        else:  # blank for blank: JSON does not mind, and the state is whole
            assert same(kept.state, newer)


def test_both_copies_bad_counts_half_the_cap_and_raises_an_alarm(tmp_path: Path) -> None:
    two_kept(tmp_path)
    for name in NAMES:
        (tmp_path / name).write_bytes(b"\0" * 400)
    kept = FileKeep(tmp_path).load(CAP_S)
    assert len(kept.remarks) == 2
    settings = flat(runtime={"cap_hours_in_any_24": 12})
    decision = Controller(settings, kept.state).step(
        Inputs((Reading(50.0, 24.0),)), Instant(5.0, NOON, True, "c")
    )
    assert decision.used_s == pytest.approx(CAP_S / 2)  # design: "cap half used, tank unknown, an alarm"
    assert decision.tank_l is None
    (alarm,) = [alarm for alarm in decision.alarms if alarm.code == "state_lost"]
    assert NAMES[0] in alarm.detail
    assert NAMES[1] in alarm.detail


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "it is empty"),
        (b"spoilt", "it is not whole, or was changed"),
        (b"\xff\xfe\x00", "it is not whole, or was changed"),
        (b"{}", "it is not whole, or was changed"),
        (b"[1]", "it is not whole, or was changed"),
        (b"[" * 100_000, "it is not whole, or was changed"),
        (b"1" * 5000, "it is not whole, or was changed"),
        (b'{"number": 1, "crc32": 0, "state": "{}"}', "a part of it was changed: its checksum does not fit"),
        (wrapped("{}"), "it is no state of this program; versions 1 to"),
        (wrapped('{"version": 99}'), "it is state version 99; versions 1 to"),
        (wrapped('{"version": 1, "t": "soon"}'), "its part t makes no sense"),
        (None, "it is not an ordinary file"),
    ],
)  # fmt: skip
def test_why_a_copy_cannot_be_read_is_told_to_a_keeper(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    path = tmp_path / NAMES[0]
    if content is None:
        path.mkdir()
    else:
        path.write_bytes(content)
    told = "; ".join(FileKeep(tmp_path).load(CAP_S).remarks)
    assert f"{NAMES[0]} was unreadable ({words}" in told
    for strange in ("Expecting", "char ", "codec", "Error", "Errno", "indices", "validation", "pydantic"):
        assert strange not in told


def test_a_copy_that_the_system_does_not_give_is_told_in_its_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    two_kept(tmp_path)
    monkeypatch.setattr(keep, "read_small", fails)
    (first, _) = FileKeep(tmp_path).load(CAP_S).remarks
    assert f"(the system does not give it: {os.strerror(errno.EIO)})" in first


def test_a_lost_state_can_be_kept_again_at_once(tmp_path: Path) -> None:
    two_kept(tmp_path)
    for name in NAMES:
        (tmp_path / name).write_bytes(b"")
    keep = FileKeep(tmp_path)
    state = keep.load(CAP_S).state
    keep.save(state)
    assert FileKeep(tmp_path).load(CAP_S).state == state
    # The alarm outlives the restart: the cap is still only half a figure.
    decision = Controller(flat(), FileKeep(tmp_path).load(CAP_S).state).step(Inputs(), Instant(5.0, NOON))
    assert "state_lost" in {alarm.code for alarm in decision.alarms}


@pytest.mark.parametrize("why", ["unreadable", "before-restore"])
def test_only_copies_set_aside_are_no_new_room(tmp_path: Path, why: str) -> None:
    two_kept(tmp_path)
    for name in NAMES:
        set_aside(tmp_path / name, why)
    kept = FileKeep(tmp_path).load(CAP_S)
    assert kept.remarks == ("only copies of it that were set aside are there",)
    assert used_s(kept.state.runtime, kept.state.t) == CAP_S / 2  # design: "cap half used, an alarm"
    decision = Controller(flat(), FileKeep(tmp_path).load(CAP_S).state).step(Inputs(), Instant(5.0, NOON))
    assert "state_lost" in {alarm.code for alarm in decision.alarms}


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_in_place_of_a_file_is_set_aside(tmp_path: Path, name: str) -> None:
    older, newer = two_kept(tmp_path)
    was_newest = newest(tmp_path).name == name
    (tmp_path / name).unlink()
    (tmp_path / name).mkdir()
    kept = FileKeep(tmp_path).load(CAP_S)
    assert same(kept.state, older if was_newest else newer)
    assert name in kept.remarks[0]


def test_one_copy_that_the_card_cannot_read_is_no_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EIO for one file: the other copy is there for just that."""
    older, _ = two_kept(tmp_path)
    bad = newest(tmp_path)
    real = keep.read_small

    def read_small(path: Path, *more: Any) -> bytes:
        if path == bad:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(path, *more)

    monkeypatch.setattr(keep, "read_small", read_small)
    kept = FileKeep(tmp_path).load(CAP_S)
    assert same(kept.state, older)
    assert bad.name in kept.remarks[0]


def test_a_link_into_nowhere_is_no_copy(tmp_path: Path) -> None:
    older, _newer = two_kept(tmp_path)
    path = newest(tmp_path)
    path.unlink()
    path.symlink_to(tmp_path / "nowhere")
    assert same(FileKeep(tmp_path).load(CAP_S).state, older)


def test_a_file_in_place_of_the_folder_is_told(tmp_path: Path) -> None:
    place = tmp_path / "room"
    place.write_text("")
    with pytest.raises(KeptStateError, match=r"room\.state_dir"):
        FileKeep(place).load(CAP_S)


@pytest.mark.parametrize("call", ["open", "fsync", "replace"])
def test_a_read_only_disk_is_told_and_costs_no_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    _, newer = two_kept(tmp_path)
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)

    def barred(*_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patch:
        patch.setattr(Path if call == "replace" else os, call, barred)
        for _ in range(3):
            with pytest.raises(KeptStateError, match="Read-only"):
                keep.save(State(t=1.0))
    assert same(FileKeep(tmp_path).load(CAP_S).state, newer)
    keep.save(State(t=2.0))  # and it works again by itself
    assert FileKeep(tmp_path).load(CAP_S).state.t == 2.0


def no_new_files(patch: pytest.MonkeyPatch) -> None:
    """A full disk: what is new gets no block (/dev/full says ENOSPC), what is there may be written over."""
    real = os.open

    def full(path: Any, flags: int, mode: int = 0o777) -> int:
        return real("/dev/full", os.O_WRONLY) if flags & os.O_CREAT else real(path, flags, mode)

    patch.setattr(os, "open", full)


def test_a_full_disk_still_takes_the_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    two_kept(tmp_path)
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    sizes = {name: (tmp_path / name).stat().st_size for name in NAMES}
    with monkeypatch.context() as patch:
        no_new_files(patch)
        for number in range(1, 6):
            before = newest(tmp_path).read_bytes()
            keep.save(lived(60 + number))
            assert before in [(tmp_path / name).read_bytes() for name in NAMES]  # the other one was written
            kept = FileKeep(tmp_path).load(CAP_S)
            assert kept.remarks == ()
            assert same(kept.state, lived(60 + number))
    assert {name: (tmp_path / name).stat().st_size for name in NAMES} == sizes


def test_a_full_disk_without_a_copy_or_with_one_too_short_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first state of a room; or one that has outgrown its file."""
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    with monkeypatch.context() as patch:
        no_new_files(patch)
        with pytest.raises(KeptStateError, match="No space left"):
            keep.save(State(t=1.0))
    _, newer = two_kept(tmp_path)
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    with monkeypatch.context() as patch:
        no_new_files(patch)
        with pytest.raises(KeptStateError, match="No space left"):
            keep.save(newer._replace(lost="x" * 20_000))
    assert same(FileKeep(tmp_path).load(CAP_S).state, newer)


@pytest.mark.parametrize("bytes_written", [12, 20, 40, 1000, 2000])
def test_a_write_in_place_that_is_torn_costs_only_that_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bytes_written: int
) -> None:
    _, newer = two_kept(tmp_path)
    keep = FileKeep(tmp_path)
    keep.load(CAP_S)
    real = os.pwrite

    def torn(descriptor: int, content: bytes, at: int) -> int:
        real(descriptor, content[:bytes_written], at)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        no_new_files(patch)
        patch.setattr(os, "pwrite", torn)
        with pytest.raises(KeptStateError, match="Input/output error"):
            keep.save(lived(80))
    kept = FileKeep(tmp_path).load(CAP_S)
    assert same(kept.state, newer)
    assert len(kept.remarks) == 1


def test_peek_sets_nothing_aside_and_makes_nothing(tmp_path: Path) -> None:
    assert peek(tmp_path / "none") is None
    assert not (tmp_path / "none").exists()
    older, _ = two_kept(tmp_path)
    newest(tmp_path).write_bytes(b"spoilt")
    before = sorted(path.name for path in tmp_path.iterdir())
    found = peek(tmp_path)
    assert found is not None
    assert same(found, older)
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_a_rehearsal_keeps_the_value_itself() -> None:
    keep = MemoryKeep()
    state = lived()
    keep.save(state)
    assert keep.state is state
