"""COMMISSIONED: the dated record that a person has seen relay and probe do what they are told.

In:    the settings' wiring (the relay's line, each probe's place), what was answered and seen.
Out:   ``commissioned.json`` in the room's folder; why ``run`` must refuse a real relay without it.
Never: holds for other wiring than it was made with; minds targets, limits or calibration.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from controller.errors import KeptStateError
from controller.files import read_small, write_whole
from controller.service import folders

if TYPE_CHECKING:
    from controller.settings import Settings

FILE = "commissioned.json"
FAILED_FILE = "commissioning-failed.json"
"""What was answered and seen in a walk that did not pass; where all but the mist did, a later one goes on."""
VERSION = 1
LARGEST_BYTES = 256 * 1024
LAST_STEP = "mist"
KILL_OFF, KILL_FORCED = "off", "off after the forced off"
"""What the outlet did when a program that held it on was ended by force."""

NOT_SET = " (by a clock that was not set)"

Wiring = dict[str, str | int | bool]


class Step(NamedTuple):
    """One step of the walk: what it found, what was seen and answered, in the order of time."""

    step: str
    found: str
    seen: tuple[tuple[str, str], ...]  # (question or figure, answer)
    at: str = ""  # when it was begun, as in Record, perhaps with NOT_SET; "" in a record of an older version
    by: str = ""


class Record(NamedTuple):
    """A commissioning that passed. ``at`` is ISO 8601 with the offset from UTC."""

    at: str
    clock_trusted: bool
    program: str
    by: str
    room: str
    wiring: Wiring
    kill: str
    steps: tuple[Step, ...]


def fingerprint(settings: Settings) -> Wiring:
    """What the wiring is, by the path of each setting. Of the probes, where they are; not what they read."""
    relay = settings.relay
    wiring: Wiring = {
        "relay.kind": relay.kind,
        "relay.chip": relay.chip,
        "relay.pin": relay.pin,
        "relay.active_high": relay.active_high,
    }
    for number, probe in enumerate(settings.probe, 1):
        for key in ("kind", "at", "chip"):
            wiring[f"probe {number}: {key}"] = getattr(probe, key)
    return wiring


def write(folder: Path, record: Record) -> None:
    """Replaces the record in one step. Raises KeptStateError."""
    _write(folder / FILE, record)
    with suppress(OSError):
        (folder / FAILED_FILE).unlink(missing_ok=True)


def write_failed(folder: Path, record: Record) -> None:
    """Keeps a walk that did not pass, beside. Raises KeptStateError."""
    _write(folder / FAILED_FILE, record)


def withdraw(folder: Path) -> bool:
    """The record no longer holds: something was found that is not as it says. Was there one?

    Raises KeptStateError where it is there and stays.
    """
    path = folder / FILE
    try:
        folders.set_aside(path, "withdrawn")
    except FileNotFoundError:
        return False
    except OSError as error:
        raise KeptStateError(f"{path} cannot be set aside: {error.strerror}") from error
    return True


def read(folder: Path) -> Record | None:
    """The record, or None where there is none. Raises KeptStateError where it cannot be read as one."""
    return _read(folder / FILE)


def _read(path: Path) -> Record | None:
    try:
        text = read_small(path, LARGEST_BYTES)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise KeptStateError(f"{path} cannot be read: {getattr(error, 'strerror', '') or error}") from error
    try:
        return _from_plain(json.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise KeptStateError(f"{path} is not a record of commissioning ({error})") from error


def unfinished(settings: Settings, folder: Path) -> Record | None:
    """A walk of this very wiring in which all but the mist has passed. Never raises."""
    try:
        record = _read(folder / FAILED_FILE)
    except KeptStateError:
        return None
    if record is None or record.steps[-1].step != LAST_STEP or len(record.steps) < 2:
        return None
    return None if changed(record.wiring, fingerprint(settings)) else record


def refusal(settings: Settings, folder: Path) -> str:
    """Why a real relay must not be switched by ``run``, and how to mend it; "" when it may. Never raises."""
    if settings.relay.kind == "simulated":
        return ""
    how = _how(settings.room.name, folder)
    try:
        record = read(folder)
    except KeptStateError as error:
        return f"it is not known whether this room was commissioned: {error}. {how}"
    if record is None:
        return (
            "this room has not been commissioned: nobody has yet seen its relay switch off and on and its "
            f"probe move. {how}"
        )
    changes = changed(record.wiring, fingerprint(settings))
    if not changes:
        return ""
    return (
        f"this room was commissioned on {record.at[:10]} for other wiring: {'; '.join(changes)}. Put the "
        f"setting back if nothing was rewired. Otherwise: {how}"
    )


def changed(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Each setting that is not what it was, in words."""
    words = []
    for key in (*now, *(key for key in then if key not in now)):
        if key not in then:
            words.append(f"{key} is {_value(now[key])} and was not there")
        elif key not in now:
            words.append(f"{key} was {_value(then[key])} and is gone")
        elif then[key] != now[key] or type(then[key]) is not type(now[key]):
            words.append(f"{key} was {_value(then[key])} and is {_value(now[key])}")
    return words


def _value(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _how(room: str, folder: Path) -> str:
    if folder.parent == folders.STATE:
        return (
            f"Unplug the humidifier, put a lamp into the outlet, and: sudo systemctl stop hygrohold@{room} ; "
            f"sudo -u {folders.USER} hygrohold commission --settings {folders.SETTINGS / room}.toml ; "
            f"sudo systemctl start hygrohold@{room}"
        )
    return (
        "Unplug the humidifier, put a lamp into the outlet, and run `hygrohold commission --settings FILE` "
        "with this room's settings file."
    )


def _write(path: Path, record: Record) -> None:
    plain: dict[str, Any] = {"version": VERSION, **record._asdict()}
    plain["steps"] = [step._asdict() for step in record.steps]
    try:
        text = json.dumps(plain, ensure_ascii=False, allow_nan=False, indent=1)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text + "\n", readable=True)
    except OSError as error:
        raise KeptStateError(f"{path} cannot be written: {error.strerror}") from error


def _from_plain(plain: Any) -> Record:
    """Raises ValueError, KeyError, TypeError or AttributeError where it is none."""
    if plain["version"] != VERSION:
        raise ValueError(f"its version is {plain['version']!r}, and {VERSION} is known")
    for key in ("at", "program", "by", "room", "kill"):
        if not isinstance(plain[key], str):
            raise TypeError(f"{key} is no text")
    if plain["kill"] not in (KILL_OFF, KILL_FORCED):
        raise ValueError("it does not say that the relay goes off after a kill")
    wiring = dict(plain["wiring"].items())
    if "relay.kind" not in wiring:
        raise ValueError("it does not say for which wiring it holds")
    steps = tuple(
        Step(
            str(step["step"]),
            str(step["found"]),
            tuple((str(question), str(answer)) for question, answer in step["seen"]),
            str(step.get("at", "")),
            str(step.get("by", "")),
        )
        for step in plain["steps"]
    )
    if not steps:
        raise ValueError("no step is in it")
    return Record(
        plain["at"], bool(plain["clock_trusted"]), plain["program"], plain["by"], plain["room"], wiring,
        plain["kill"], steps,
    )  # fmt: skip
