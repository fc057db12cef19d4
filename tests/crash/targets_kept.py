"""What the program keeps and what is left in its folders, damaged by dice."""

from __future__ import annotations

import json
import tempfile
import zlib
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from controller import commissioned
from controller.core.controller import Controller
from controller.core.records import Answer, Inputs, Instant, Reading, Request
from controller.core.state import State
from controller.errors import HistoryError, KeptStateError
from controller.force_off import FILE as LINE_FILE
from controller.force_off import find_line, hold, write_line_file
from controller.history import HistoryReader, SqliteHistory
from controller.keep import NAMES, FileKeep, peek
from controller.ports import Sample
from controller.settings import Settings
from controller.spool import Spool
from controller.status import as_text, describe, is_stale, read_status
from tests.crash.damage import as_json, damaged, damaged_plain
from tests.crash.targets_given import Chance, in_words
from tests.loop.helpers import NOON, flat

CAP_S = 12 * 3600.0


def request_file(chance: Chance, folder: Path) -> None:
    spool = Spool(folder / "requests")
    spool.prepare()
    kinds = (
        "refilled",
        "pause",
        "raise_target",
        "humidify_now",
        "bypass_hand",
        "cleaned",
        "resume",
        "acknowledge",
    )
    kind = chance.choice(kinds)
    plain = {
        "kind": kind, "by": "Ann", "expires": (NOON + timedelta(minutes=10)).isoformat(), "at": None,
        "for_s": 600.0, "litres": 2.0 if kind == "refilled" else None, "rh_pct": 3.0,
    }  # fmt: skip
    content = (
        as_json(damaged_plain(chance, plain)) if chance.random() < 0.7 else damaged(chance, as_json(plain))
    )
    (folder / "requests/asked/20260110T120000-1.json").write_bytes(content)
    requests = spool.poll(NOON)
    decision = Controller(flat()).step(Inputs(requests=requests), Instant(5.0, NOON, True, "b"))
    assert len(decision.answers) == len(requests)
    assert decision.relay_on is False
    spool.answer(decision.answers)
    assert spool.poll(NOON) == ()


def answer_file(chance: Chance, folder: Path) -> None:
    spool = Spool(folder / "requests")
    spool.prepare()
    spool.answer((Answer(Request("pause", "one"), True, "paused"),))
    path = folder / "requests/answered/one.json"
    content = damaged(chance, path.read_bytes())
    path.write_bytes(
        as_json(damaged_plain(chance, json.loads('{"done": true, "words": "w"}')))
        if chance.random() < 0.5
        else content
    )
    answer = spool.answer_to("one")
    assert answer is None or isinstance(answer[0], bool)


@cache
def _lived() -> str:
    controller = Controller(flat(guards={"shortest_off_s": 0}))
    for tick in range(60):
        asked = (Request("refilled", litres=3.0),) if tick == 5 else ()
        reading = Reading(50.0 + 0.01 * (tick % 7), 24.0)
        controller.step(Inputs((reading,), requests=asked), Instant(1000.0 + 10.0 * tick, NOON, True, "b"))
    return json.dumps(controller.state.to_plain())


def _wrapped(number: int, state: str) -> bytes:
    crc32 = zlib.crc32(state.encode("utf-8", "surrogatepass"))
    return as_json({"number": number, "crc32": crc32, "state": state})


def kept_state(chance: Chance, folder: Path) -> None:
    """Damage anywhere; or a sound checksum over a state that is none."""
    for number, name in enumerate(NAMES):
        content = _wrapped(number, _lived())
        if chance.random() < 0.5:
            content = damaged(chance, content)
        else:
            try:
                content = _wrapped(number, json.dumps(damaged_plain(chance, json.loads(_lived()))))
            except UnicodeEncodeError:
                continue
        (folder / name).write_bytes(content)
    peek(folder)
    kept = FileKeep(folder).load(CAP_S)
    for remark in kept.remarks:
        assert remark.startswith(NAMES)
    controller = Controller(flat(), kept.state)
    for later_s in (0.0, 10.0, 400.0):
        decision = controller.step(
            Inputs(), Instant(5.0 + later_s, NOON + timedelta(seconds=later_s), True, "c")
        )
        assert decision.relay_on is False  # no reading, whatever was kept
    assert isinstance(State.from_plain(json.loads(json.dumps(controller.state.to_plain()))), State)


@cache
def _real() -> Settings:
    return Settings.model_validate(
        {"relay": {"kind": "gpiozero", "pin": 17}, "probe": [{"kind": "hwmon", "at": "1-0044"}]}
    )


def commissioning_record(chance: Chance, folder: Path) -> None:
    """A record that cannot be read, or that holds for other wiring, never lets a real relay be switched."""
    step = commissioned.Step("relay", "it obeys", (("Is it off?", "yes"),))
    wiring = commissioned.fingerprint(_real())
    sound = commissioned.Record(
        "2026-01-10T18:00:00+00:00", True, "0", "Ann", "attic", wiring, commissioned.KILL_OFF, (step,)
    )
    commissioned.write(folder, sound)
    path = folder / commissioned.FILE
    assert commissioned.refusal(_real(), folder) == ""
    content = damaged(chance, path.read_bytes())
    if chance.random() < 0.5:
        content = as_json(damaged_plain(chance, json.loads(path.read_text())))
    path.write_bytes(content)
    words = commissioned.refusal(_real(), folder)
    try:
        record = commissioned.read(folder)
    except KeptStateError as error:
        in_words(error, commissioned.FILE)
        assert "not known whether this room was commissioned" in words
    else:
        assert record is not None
        assert bool(words) == (
            record.wiring != wiring or any(type(record.wiring[k]) is not type(wiring[k]) for k in wiring)
        )


def line_file(chance: Chance, folder: Path) -> None:
    write_line_file(folder, "/dev/gpiochip7", 17, 0)
    (folder / LINE_FILE).write_bytes(damaged(chance, (folder / LINE_FILE).read_bytes()))
    found, wrong = find_line([str(folder)])
    assert (found is None) == bool(wrong)
    if found is not None:
        chip, line, off = found
        assert chip.startswith("/dev/gpiochip")
        assert chip.removeprefix("/dev/gpiochip").isdigit()
        assert line >= 0
        assert off in (0, 1)
    held = hold(folder)
    held.release()
    assert held.trouble  # there is no such chip here, whatever the number


@cache
def _status() -> bytes:
    reading = Reading(50.0, 24.0)
    decision = Controller(flat()).step(
        Inputs((reading,), troubles=(("record_broken", "x"),)), Instant(5.0, NOON, True)
    )
    return as_json({**describe(decision, "attic", 10.0, 0.4), "good_for_s": 100.0})


def status_file(chance: Chance, folder: Path) -> None:
    path = folder / "status.json"
    content = damaged(chance, _status())
    path.write_bytes(
        as_json(damaged_plain(chance, json.loads(_status()))) if chance.random() < 0.7 else content
    )
    plain = read_status(path)
    if plain is not None:
        now = datetime(2026, 1, 10, 12, 1, tzinfo=UTC)
        is_stale(plain, now)
        assert as_text(plain, now)


@cache
def _record() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite"
        history = SqliteHistory.open(path)
        for minute in range(40):
            history.sample(
                Sample(
                    minute * 60.0, True, 65.0, 24.0, 65.0, 24.0, None, None, 65.0, True, 20.0, 2.0, 0.0, ""
                )
            )
        history.event(Instant(5.0, NOON), "start", "x")
        history.close()
        return path.read_bytes()


def record_file(chance: Chance, folder: Path) -> None:
    path = folder / "history.sqlite"
    path.write_bytes(damaged(chance, _record()))
    try:
        reader = HistoryReader(path)
        list(reader.minutes())
        reader.events()
        reader.notes()
    except HistoryError as error:
        in_words(error, "history.sqlite")
    history = SqliteHistory.open(path)
    history.event(Instant(5.0, NOON), "start", "y")
    history.close()
    if not history.trouble():
        assert history.rows_lost == 0
        assert [event.words for event in HistoryReader(path).events()][-1] == "y"
