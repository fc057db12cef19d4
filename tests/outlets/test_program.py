"""The outlets in one process: each begins, each ends, and one that fails does not end the others."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib import request

import pytest

from controller.errors import HygroholdError
from controller.outlets import link, program
from controller.outlets.link import Broker, Will
from controller.outlets.program import MetricsFile, Wanted, run
from controller.outlets.seen import RoomFile, RoomSeen
from tests.outlets.helpers import seen, write


class Turns(threading.Event):
    """Ends after so many turns; ``at`` is called in each wait."""

    def __init__(self, most: int, at: Any = None) -> None:
        super().__init__()
        self.most, self.at, self.waited_s = most, at, 0.0

    def wait(self, timeout: float | None = None) -> bool:
        self.most -= 1
        self.waited_s = timeout or 0.0
        if self.at is not None:
            self.at()
        return self.most <= 0


@pytest.fixture
def room(tmp_path: Path) -> RoomFile:
    path = tmp_path / "larch" / "status.json"
    write(path, datetime.now(UTC))
    return RoomFile("larch", path)


def test_metrics_by_http_and_as_a_file(
    room: RoomFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    got: list[str] = []
    file = tmp_path / "hygrohold.prom"

    def at() -> None:
        got.append(file.read_text())
        with request.urlopen(said[0].split()[-1], timeout=5.0) as answer:
            got.append(answer.read().decode())

    ending = Turns(1, at)
    run([room], Wanted(metrics=("127.0.0.1", 0), metrics_file=file), 2.0, ending, said.append)
    assert ending.waited_s == 2.0
    assert said[0].startswith("Metrics at http://127.0.0.1:")
    for text in got:
        assert 'hygrohold_up{room="larch"} 1.0' in text
        assert "hygrohold_temperature_celsius" in text
    assert not file.exists()  # what nobody writes any more is not left to be read


def test_an_address_that_cannot_be_had_ends_it_at_once(room: RoomFile, tmp_path: Path) -> None:
    with pytest.raises(HygroholdError, match="cannot listen"):
        run([room], Wanted(metrics=("203.0.113.1", 1)), 2.0, Turns(1), print)  # RFC 5737: nobody's


class FakeLink:
    made: list[FakeLink]

    def __init__(self, broker: Broker, name: str, **more: Any) -> None:
        self.name, self.more = name, more
        self.told: list[str] = []
        self.ended: Will | None = None
        FakeLink.made.append(self)

    def start(self) -> None:
        self.told.append("start")

    def stop(self, last: Will) -> None:
        self.ended = last

    def publish(self, topic: str, payload: str, expires_s: float | None = None) -> bool:
        self.told.append(topic)
        return True


def test_messages_go_out_at_each_turn_and_a_last_word_at_the_end(
    room: RoomFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    FakeLink.made = []
    monkeypatch.setattr(link, "Link", FakeLink)
    files = [room._replace(room=f"room-{number}") for number in range(80)]
    run(files, Wanted(broker=Broker("host", 1883), board="shed-a", with_senml=False), 2.0, Turns(2), print)
    (made,) = FakeLink.made
    assert made.told == [
        "start",
        "hygrohold/shed-a/rooms",
        *(f"hygrohold/shed-a/{file.room}/state" for file in files),
        "hygrohold/shed-a/online",
    ]
    assert made.ended == made.more["will"] == Will("hygrohold/shed-a/online", "offline")
    assert made.more["queue_most"] > len(files)


def test_the_file_is_written_on_change_and_now_and_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = [1000.0]
    monkeypatch.setattr(program, "monotonic", lambda: now_s[0])
    rooms: list[RoomSeen] = [seen()]
    path = tmp_path / "x.prom"
    file = MetricsFile(path, lambda: rooms, print)

    def written() -> bool:
        path.unlink(missing_ok=True)
        file.work()
        return path.exists()

    assert written()
    now_s[0] += 1.0
    assert not written()
    rooms[0] = seen(rh_pct=40.0)
    assert written()
    now_s[0] += program.FILE_EVERY_S
    assert written()


def test_a_file_that_cannot_be_written_is_said_once(tmp_path: Path) -> None:
    said: list[str] = []
    rooms = [seen()]
    file = MetricsFile(tmp_path / "none" / "x.prom", lambda: rooms, said.append)
    file.work()
    rooms[0] = seen(rh_pct=40.0)
    file.work()
    assert len(said) == 1
    assert "x.prom cannot be written: No such file or directory. It is tried again" in said[0]
    (tmp_path / "none").mkdir()
    rooms[0] = seen(rh_pct=41.0)
    file.work()
    (tmp_path / "none" / "x.prom").unlink()
    (tmp_path / "none" / "x.prom").mkdir()
    file.remove()
    assert "cannot be removed" in said[1]
