"""Against a real broker, mosquitto of Debian: both versions of MQTT, deaths, breaks, TLS, full queues."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.outlets import link
from controller.outlets.heard import Heard
from controller.outlets.link import Broker, Link, Version, Will
from controller.outlets.publisher import Publisher
from controller.outlets.seen import RoomFile, RoomSeen, look
from controller.outlets.wire import OFFLINE, online_topic
from tests.cli.test_processes import ROOT, clean_environment, until
from tests.outlets.helpers import GOOD_FOR_S, seen, write

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(
        MOSQUITTO is None, reason="NOT TESTED: there is no MQTT broker here (Debian: apt install mosquitto)"
    ),
]
VERSIONS: tuple[Version, ...] = ("5", "3.1.1")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Post:
    """A broker of our own on a port of its own; it keeps nothing over its end."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.port = free_port()
        self.log = folder / "broker.log"
        self._config = folder / "broker.conf"
        self._config.write_text(
            "\n".join(
                (f"listener {self.port} 127.0.0.1", "log_type all", *(lines or ("allow_anonymous true",)))
            )
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO is not None
        with self.log.open("ab") as log:
            self.process = subprocess.Popen((MOSQUITTO, "-c", str(self._config)), stdout=log, stderr=log)
        until(self._answers, "the broker answers")

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
            self.process.wait()
            self.process = None

    def send(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True

    def at(self, version: Version = "5", **more: Any) -> Broker:
        return Broker("127.0.0.1", self.port, version=version, **more)


@pytest.fixture(scope="module")
def post(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Post]:
    made = Post(tmp_path_factory.mktemp("broker"))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def started() -> Iterator[Callable[[Any], Any]]:
    running: list[Any] = []

    def start(one: Any) -> Any:
        running.append(one)
        one.start()
        return one

    yield start
    for one in reversed(running):
        one.stop()


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "RETRY_S", (0.1, 0.2))


def now(room: str, age_s: float = 0.0, **changes: Any) -> RoomSeen:
    """Said now, or so long ago: a listener that comes later goes by the date."""
    return seen(room, age_s, at=datetime.now(UTC) - timedelta(seconds=age_s), **changes)


class Board:
    """A publisher in this process, over rooms of our making."""

    def __init__(self, broker: Broker, name: str, rooms: Sequence[RoomSeen], **more: Any) -> None:
        self.rooms = list(rooms)
        self.said: list[str] = []
        self.publisher = Publisher(name, lambda: self.rooms)
        self._gone = Will(online_topic(name), OFFLINE)
        self.link = Link(broker, name, self._gone, up=self.publisher.up, say=self.said.append, **more)

    def start(self) -> None:
        self.link.start()

    def connected(self) -> None:
        until(lambda: not self.link.trouble, "the board is connected")

    def stop(self) -> None:
        self.link.stop(self._gone)


def of(ear: Heard, board: str) -> list[Any]:
    return [room for room in ear.rooms() if room.board == board]


@pytest.fixture(scope="module")
def publishing(post: Post, tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[subprocess.Popen[str]]]:
    """The command in a process of its own, once a version. They start while something else is tried."""
    tmp_path = tmp_path_factory.mktemp("publishing")
    settings = tmp_path / "room.toml"
    settings.write_text(f'settings_version = 1\n[room]\nstate_dir = "{tmp_path}"\n')
    write(tmp_path / "room" / "status.json", datetime.now(UTC), room="room", rh_pct=61.5)
    processes = [
        subprocess.Popen(
            (
                *(sys.executable, "-m", "controller", "publish", "--settings", str(settings)),
                *("--mqtt", version),
                *("--broker", f"127.0.0.1:{post.port}", "--board", f"killed-{number}", "--every", "1s"),
            ),
            env=clean_environment(tmp_path), cwd=ROOT, stderr=subprocess.PIPE, text=True,
        )
        for number, version in enumerate(VERSIONS)
    ]  # fmt: skip
    yield processes
    for process in processes:
        process.kill()
        process.wait()


def test_mqtt_5_drops_what_is_no_longer_good(
    post: Post, publishing: list[subprocess.Popen[str]], started: Callable[[Any], Any]
) -> None:
    """Who comes later finds no figure, and yet that there is such a room. MQTT 5.0, 3.3.2.3.3."""
    board = Board(post.at(), "expiry", [now("larch", GOOD_FOR_S - 1.0), now("oak")])
    board.start()
    board.connected()
    board.publisher.work(board.link)
    early = started(Heard(post.at()))
    until(lambda: len(of(early, "expiry")) == 2, "both are there")
    time.sleep(2.1)
    late = started(Heard(post.at()))
    until(lambda: of(late, "expiry"), "what lies there has come")
    until(lambda: of(late, "expiry")[-1].online, "and what is good")
    larch, oak = of(late, "expiry")
    assert (larch.room, larch.sentence, larch.rh_pct) == ("larch", "Nothing is heard of this room.", None)
    assert oak.online
    assert [(room.room, room.online) for room in of(early, "expiry")] == [("larch", False), ("oak", True)]
    board.stop()


def test_a_publisher_that_is_killed_is_offline_in_both_versions(
    post: Post, publishing: list[subprocess.Popen[str]], started: Callable[[Any], Any]
) -> None:
    """The whole command, kill -9, the broker's will; and the broker saw it ask for no topic."""
    ears = [started(Heard(post.at(version))) for version in VERSIONS]
    try:
        for ear in ears:
            for number in range(len(VERSIONS)):
                name = f"killed-{number}"
                until(
                    lambda ear=ear, name=name: [room for room in of(ear, name) if room.online],
                    f"{name} online",
                )
                (room,) = of(ear, name)
                assert (room.room, room.rh_pct) == ("room", 61.5)
                assert 0.0 <= room.age_s < 20.0
    finally:
        for process in publishing:
            process.kill()
    for process in publishing:
        _, said = process.communicate()
        assert "Connected to the broker" in said
        assert "Traceback" not in said
    for ear in ears:
        for number in range(len(VERSIONS)):
            until(lambda ear=ear, number=number: not of(ear, f"killed-{number}")[0].online, "the will")
            (room,) = of(ear, f"killed-{number}")
            assert room.rh_pct is None
            assert room.sentence.startswith("This board is not connected. Its last word")
    asked = [line for line in post.log.read_text().splitlines() if "Received SUBSCRIBE from" in line]
    assert len(asked) >= len(ears)
    assert all("from hygrohold-heard-" in line for line in asked)


def test_a_broker_that_goes_and_comes_back_is_told_the_present(
    tmp_path: Path, started: Callable[[Any], Any]
) -> None:
    """It has forgotten everything meanwhile; what was not said then is not said late."""
    post = Post(tmp_path)
    post.start()
    try:
        board = started(Board(post.at(), "back", [now("larch", rh_pct=61.0), now("oak")]))
        ear = started(Heard(post.at("3.1.1")))
        board.connected()
        board.publisher.work(board.link)
        until(
            lambda: all(room.online for room in of(ear, "back")) and len(of(ear, "back")) == 2, "both rooms"
        )
        post.stop()
        until(lambda: board.link.trouble and ear.trouble, "the break is noticed")
        for rh_pct in (62.0, 63.0):
            board.rooms[0] = now("larch", rh_pct=rh_pct)
            assert board.publisher.work(board.link) == 0
        post.start()
        board.connected()
        assert board.publisher.work(board.link) == 6
        until(
            lambda: [room.rh_pct for room in of(ear, "back")] == [63.0, board.rooms[1].plain["rh_pct"]],
            "the present",
        )
        assert any("the connection broke off" in line for line in board.said)
    finally:
        post.stop()


def test_a_broker_that_takes_nothing_fills_no_memory(tmp_path: Path, started: Callable[[Any], Any]) -> None:
    """Stopped, not ended: the connection stands, and nothing is acknowledged."""
    post = Post(tmp_path)
    post.start()
    try:
        board = started(Board(post.at(), "full", [now("larch")], queue_most=10))
        ear = started(Heard(post.at()))
        board.connected()
        board.publisher.work(board.link)
        until(lambda: of(ear, "full"), "the room is heard")
        post.send(signal.SIGSTOP)
        taken = 0
        for number in range(200):
            board.rooms = [now("larch", rh_pct=40.0 + number / 10.0)]
            taken += board.publisher.work(board.link)
        assert 0 < taken <= 10  # of 400; some places may be taken by what was not acknowledged before
        post.send(signal.SIGCONT)
        until(
            lambda: board.publisher.work(board.link) or of(ear, "full")[0].rh_pct == 59.9, "room in the queue"
        )
        until(
            lambda: board.publisher.work(board.link) == 0 and of(ear, "full")[0].rh_pct == 59.9, "the newest"
        )
    finally:
        post.stop()


@pytest.mark.parametrize("version", VERSIONS)
def test_a_status_that_grows_old_is_said_and_its_figures_go(
    post: Post, tmp_path: Path, started: Callable[[Any], Any], version: Version
) -> None:
    path, began, name = tmp_path / "status.json", datetime.now(UTC), f"stale-{version.replace('.', '-')}"
    write(path, began)
    board = started(Board(post.at(version), name, [look(RoomFile("larch", path), began)]))
    ear = started(Heard(post.at(version)))
    packs: list[bytes] = []
    pack = Link(
        post.at(version), "t", filters=(f"hygrohold/{name}/+/senml",), heard=lambda *got: packs.append(got[1])
    )
    started(pack)
    board.connected()
    board.publisher.work(board.link)
    until(lambda: of(ear, name) and of(ear, name)[0].online, "the room")
    until(lambda: packs, "its figures")
    assert json.loads(packs[0])[0]["bn"] == f"hygrohold:{name}:larch:"
    board.rooms = [look(RoomFile("larch", path), began + timedelta(seconds=GOOD_FOR_S + 2.0))]
    board.publisher.work(board.link)
    until(lambda: not of(ear, name)[0].online, "said")
    assert "is not running" in of(ear, name)[0].sentence
    until(lambda: packs[-1] == b"", "the figures are gone")


# After a handshake that failed the library leaves the socket to Python to close.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_and_passwords(tmp_path: Path, started: Callable[[Any], Any]) -> None:
    openssl, passwords = shutil.which("openssl"), shutil.which("mosquitto_passwd")
    if openssl is None or passwords is None:
        pytest.skip("NOT TESTED: there is no openssl or no mosquitto_passwd here")
    make = (
        f"{openssl} req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=localhost"
    )
    for name in ("broker", "other"):
        more = ("-addext", "subjectAltName=IP:127.0.0.1", "-keyout", f"{name}.key", "-out", f"{name}.pem")
        subprocess.run((*make.split(), *more), cwd=tmp_path, check=True, capture_output=True)
    subprocess.run(
        (passwords, "-b", "-c", "users", "ann", "secret"), cwd=tmp_path, check=True, capture_output=True
    )
    for path in ("users", "broker.key"):
        (tmp_path / path).chmod(0o644)  # mosquitto gives up being root before it reads them
    tmp_path.chmod(0o755)
    post = Post(
        tmp_path,
        f"certfile {tmp_path}/broker.pem",
        f"keyfile {tmp_path}/broker.key",
        "allow_anonymous false",
        f"password_file {tmp_path}/users",
        "user root",
    )
    post.start()
    try:
        mine, other = tmp_path / "broker.pem", tmp_path / "other.pem"
        for version in VERSIONS:
            good = started(Board(post.at(version, user="ann", password="secret", ca_file=mine), "tls", []))
            good.connected()
        for more, words in (
            ({"user": "ann", "password": "wrong", "ca_file": mine}, "user and password"),
            ({"user": "ann", "password": "secret", "ca_file": other}, "its certificate is not accepted"),
            ({"user": "ann", "password": "secret"}, "hung up without an answer (does it want encryption"),
        ):
            bad = started(Board(post.at("5", **more), "tls", []))
            until(lambda bad=bad: bad.said, words)
            assert words in bad.said[0]
            assert "secret" not in bad.said[0]
    finally:
        post.stop()


def test_nothing_listens_there(started: Callable[[Any], Any]) -> None:
    board = started(Board(Broker("127.0.0.1", free_port()), "none", []))
    until(lambda: board.said, "it is said")
    assert "nothing listens there" in board.said[0]
