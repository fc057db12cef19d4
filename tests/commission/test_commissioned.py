"""The record: what it holds for, how it refuses, and that nothing broken is taken for one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import commissioned
from controller.commissioned import (
    FAILED_FILE,
    FILE,
    KILL_FORCED,
    KILL_OFF,
    Record,
    Step,
    fingerprint,
    refusal,
)
from controller.errors import KeptStateError
from controller.service import folders
from controller.settings import Settings
from tests.commission.helpers import settings_of


def record(settings: Settings, **other: Any) -> Record:
    made = Record(
        "2026-11-25T19:30:00+01:00", True, "0.1.0", "ann", "attic", fingerprint(settings), KILL_OFF,
        (Step("relay", "the outlet does what it is told", (("Is it off?", "yes"),)),),
    )  # fmt: skip
    return made._replace(**other)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    commissioned.write(tmp_path, record(settings_of()))
    return tmp_path


def test_what_was_written_is_read(folder: Path) -> None:
    assert commissioned.read(folder) == record(settings_of())
    assert refusal(settings_of(), folder) == ""


def test_a_forced_off_after_a_kill_holds_as_well(tmp_path: Path) -> None:
    commissioned.write(tmp_path, record(settings_of(), kill=KILL_FORCED))
    assert refusal(settings_of(), tmp_path) == ""


def test_a_room_never_commissioned_is_refused_and_told_how(tmp_path: Path) -> None:
    words = refusal(settings_of(), tmp_path / "none")
    assert "has not been commissioned" in words
    assert "hygrohold commission --settings" in words
    assert "lamp" in words


def test_a_simulated_relay_needs_none(tmp_path: Path) -> None:
    assert refusal(Settings(), tmp_path) == ""


def test_the_service_s_room_is_told_the_service_s_way(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(folders, "STATE", tmp_path)
    words = refusal(settings_of(), tmp_path / "attic")
    assert "sudo systemctl stop hygrohold@attic" in words
    assert "sudo -u hygrohold hygrohold commission --settings /etc/hygrohold/attic.toml" in words


PROBE = {"kind": "hwmon", "at": "1-0044"}
REWIRED: list[tuple[dict[str, Any], str]] = [
    ({"relay": {"kind": "gpiozero", "pin": 5, "chip": 1}}, 'relay.kind was "libgpiod" and is "gpiozero"'),
    ({"relay": {"kind": "libgpiod", "pin": 6, "chip": 1}}, "relay.pin was 5 and is 6"),
    ({"relay": {"kind": "libgpiod", "pin": 5, "chip": 0}}, "relay.chip was 1 and is 0"),
    (
        {"relay": {"kind": "libgpiod", "pin": 5, "chip": 1, "active_high": False}},
        "relay.active_high was true and is false",
    ),
    ({"probe": ({"kind": "hwmon", "at": "1-0045"},)}, 'probe 1: at was "1-0044" and is "1-0045"'),
    ({"probe": ({**PROBE, "kind": "iio"},)}, 'probe 1: kind was "hwmon" and is "iio"'),
    ({"probe": ({**PROBE, "chip": "sht4x"},)}, 'probe 1: chip was "" and is "sht4x"'),
    ({"probe": (PROBE, {"kind": "hwmon", "at": "1-0045"})}, 'probe 2: at is "1-0045" and was not there'),
]


@pytest.mark.parametrize(("other", "words"), REWIRED, ids=[words for _, words in REWIRED])
def test_other_wiring_is_refused_and_the_setting_is_named(
    folder: Path, other: dict[str, Any], words: str
) -> None:
    said = refusal(settings_of(**other), folder)
    assert words in said
    assert "2026-11-25" in said


def test_a_probe_taken_away_is_other_wiring(tmp_path: Path) -> None:
    commissioned.write(tmp_path, record(settings_of(probe=(PROBE, {"kind": "hwmon", "at": "1-0045"}))))
    assert 'probe 2: at was "1-0045" and is gone' in refusal(settings_of(), tmp_path)


@pytest.mark.parametrize(
    "other",
    [
        {"target": {"day_rh_pct": 62}},
        {"ceiling": {"highest_rh_pct": 75}},
        {"probe": ({**PROBE, "rh_offset_pct": 2.5, "calibrated_on": "2026-01-14"},)},
        {"tank": {"tank_l": 6}},
        {"loop": {"tick_s": 30}},
    ],
)
def test_what_is_no_wiring_needs_no_new_walk(folder: Path, other: dict[str, Any]) -> None:
    assert refusal(settings_of(**other), folder) == ""


def spoil(plain: dict[str, Any], **other: Any) -> str:
    return json.dumps({**plain, **other})


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "null", "[]", "3", '"x"', "{}", "[" * 100_000, "\x00",
        "x" * (commissioned.LARGEST_BYTES + 1),
        '{"version": 1}', "NaN",
    ],
    ids=lambda text: text[:12] or "empty",
)  # fmt: skip
def test_a_broken_record_is_refused_in_words(folder: Path, text: str) -> None:
    (folder / FILE).write_text(text)
    words = refusal(settings_of(), folder)
    assert "it is not known whether this room was commissioned" in words
    assert "hygrohold commission" in words


@pytest.mark.parametrize(
    "other",
    [
        {"version": 2}, {"kill": "on"}, {"kill": ""}, {"kill": None}, {"steps": []}, {"steps": 1},
        {"steps": [{}]},
        {"wiring": {}}, {"wiring": []}, {"wiring": None}, {"at": 5}, {"by": None},
    ],
    ids=str,
)  # fmt: skip
def test_a_record_that_lacks_something_is_none(folder: Path, other: dict[str, Any]) -> None:
    plain = json.loads((folder / FILE).read_text())
    (folder / FILE).write_text(spoil(plain, **other))
    with pytest.raises(KeptStateError):
        commissioned.read(folder)
    assert refusal(settings_of(), folder) != ""


def test_true_is_not_one(folder: Path) -> None:
    """JSON's true equals Python's 1; a pin is no truth."""
    plain = json.loads((folder / FILE).read_text())
    plain["wiring"]["relay.chip"] = True
    (folder / FILE).write_text(json.dumps(plain))
    assert "relay.chip" in refusal(settings_of(), folder)


@given(at=st.integers(0, 10_000), byte=st.integers(0, 255))
def test_no_changed_byte_raises(at: int, byte: int) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        commissioned.write(folder, record(settings_of()))
        raw = bytearray((folder / FILE).read_bytes())
        raw[at % len(raw)] = byte
        (folder / FILE).write_bytes(raw)
        assert isinstance(refusal(settings_of(), folder), str)


def test_a_folder_in_its_place(tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()
    assert "cannot be read" in refusal(settings_of(), tmp_path)


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(KeptStateError, match="cannot be written"):
        commissioned.write(tmp_path / "file", record(settings_of()))


def test_the_group_of_the_folder_may_read_it(folder: Path) -> None:
    assert (folder / FILE).stat().st_mode & 0o777 == 0o640


def test_a_failed_walk_is_kept_beside_and_is_no_record(tmp_path: Path) -> None:
    commissioned.write_failed(tmp_path, record(settings_of(), kill=""))
    assert commissioned.read(tmp_path) is None
    assert refusal(settings_of(), tmp_path) != ""
    commissioned.write(tmp_path, record(settings_of()))
    assert not (tmp_path / FAILED_FILE).exists()


def with_mist(**other: Any) -> Record:
    steps = record(settings_of()).steps
    return record(
        settings_of(), steps=(*steps, Step("mist", "not finished", (), "2026-11-25T19:28:00+01:00"))
    )._replace(**other)


def test_a_walk_in_which_only_the_mist_is_missing_can_be_gone_on_from(tmp_path: Path) -> None:
    commissioned.write_failed(tmp_path, with_mist())
    assert commissioned.unfinished(settings_of(), tmp_path) == with_mist()
    assert refusal(settings_of(), tmp_path) != ""
    assert (
        commissioned.unfinished(settings_of(relay={"kind": "libgpiod", "pin": 6, "chip": 1}), tmp_path)
        is None
    )


@pytest.mark.parametrize(
    "other",
    [{"kill": ""}, {"steps": record(settings_of()).steps}, {"steps": with_mist().steps[-1:]}],
    ids=str,
)
def test_no_other_walk_can_be_gone_on_from(tmp_path: Path, other: dict[str, Any]) -> None:
    assert commissioned.unfinished(settings_of(), tmp_path) is None
    commissioned.write_failed(tmp_path, with_mist(**other))
    assert commissioned.unfinished(settings_of(), tmp_path) is None


def test_steps_of_an_older_version_have_no_time(folder: Path) -> None:
    plain = json.loads((folder / FILE).read_text())
    for step in plain["steps"]:
        del step["at"], step["by"]
    (folder / FILE).write_text(json.dumps(plain))
    assert commissioned.read(folder) == record(settings_of())


def test_withdrawing(folder: Path) -> None:
    assert commissioned.withdraw(folder)
    assert commissioned.read(folder) is None
    assert not commissioned.withdraw(folder)


def test_what_cannot_be_withdrawn_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(folders, "set_aside", fails)
    with pytest.raises(KeptStateError, match="Permission denied"):
        commissioned.withdraw(folder)


def test_two_rooms_on_one_board_are_two_records(tmp_path: Path) -> None:
    first = settings_of(room={"name": "attic"})
    second = settings_of(room={"name": "cellar"}, relay={"kind": "libgpiod", "pin": 6, "chip": 1})
    commissioned.write(tmp_path / "attic", record(first))
    assert refusal(second, tmp_path / "cellar") != ""
    commissioned.write(tmp_path / "cellar", record(second, room="cellar"))
    assert refusal(first, tmp_path / "attic") == refusal(second, tmp_path / "cellar") == ""
    assert "relay.pin" in refusal(second, tmp_path / "attic")
