"""The link, over a client that is none: what it asks of its library, and what it says of failures."""

from __future__ import annotations

import builtins
import contextlib
import importlib
import random
import socket
import ssl
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from controller.errors import HygroholdError, SettingsError
from controller.outlets import heard, link
from controller.outlets.link import Broker, Link, Will

PLAIN = Broker("host", 1883)
FINE = ReasonCode(PacketTypes.CONNACK, "Success")
UNAUTHORIZED = ReasonCode(PacketTypes.CONNACK, "Not authorized")


class Info(NamedTuple):
    rc: int
    fails: bool = False

    def wait_for_publish(self, timeout: float) -> None:
        if self.fails:
            raise RuntimeError("not sent")


class FakeClient:
    """What ``Link`` uses of paho's client. ``loop`` is what a stretch of the network loop does."""

    def __init__(self, *_: Any, **given: Any) -> None:
        self.given = given
        self.asked: list[tuple[str, Any]] = []
        self.rc = 0
        self.loop: Callable[[], None] = lambda: None
        self.last_fails = False
        self.properties: Any = None

    def __getattr__(self, name: str) -> Callable[..., None]:
        return lambda *given, **named: self.asked.append((name, given))

    def connect_async(self, *given: Any, properties: Any = None) -> None:
        self.asked.append(("connect_async", given))
        self.properties = properties

    def publish(self, topic: str, payload: str, **named: Any) -> Info:
        self.asked.append(("publish", (topic, payload)))
        self.properties = named.get("properties")
        return Info(self.rc, self.last_fails)

    def loop_forever(self, retry_first_connection: bool) -> None:
        self.loop()

    def named(self, name: str) -> list[Any]:
        return [given for asked, given in self.asked if asked == name]


@pytest.fixture
def clients(monkeypatch: pytest.MonkeyPatch) -> list[FakeClient]:
    made: list[FakeClient] = []

    def make(*given: Any, **named: Any) -> FakeClient:
        made.append(FakeClient(*given, **named))
        return made[-1]

    monkeypatch.setattr(link.paho, "Client", make)
    monkeypatch.setattr(link, "RETRY_S", (0.0, 0.0))
    return made


class Made(NamedTuple):
    link: Link
    client: FakeClient
    said: list[str]
    heard: list[tuple[str, bytes, bool]]
    ups: list[bool]


@pytest.fixture
def make(clients: list[FakeClient]) -> Callable[..., Made]:
    def made(broker: Broker = PLAIN, **more: Any) -> Made:
        said: list[str] = []
        messages: list[tuple[str, bytes, bool]] = []
        ups: list[bool] = []
        one = Link(
            broker, "hygrohold-a", say=said.append, up=lambda: ups.append(True),
            heard=lambda *given: messages.append(given), **more,
        )  # fmt: skip
        return Made(one, clients[-1], said, messages, ups)

    return made


def connect(made: Made, reason: ReasonCode = FINE) -> None:
    made.link._connected(made.client, None, None, reason, None)  # type: ignore[arg-type]


def test_a_publisher_asks_for_no_topic(make: Callable[..., Made]) -> None:
    made = make(will=Will("t", "offline"), queue_most=7)
    made.link.start()
    connect(made)
    made.link.stop()
    assert made.client.named("subscribe") == []
    assert "on_message" not in vars(made.client)
    assert made.client.named("max_queued_messages_set") == [(7,)]
    assert made.client.named("will_set") == [("t", "offline")]
    assert made.ups == [True]
    assert made.client.given["client_id"].startswith("hygrohold-a-")


def test_each_link_has_a_name_of_its_own(make: Callable[..., Made]) -> None:
    assert make().client.given["client_id"] != make().client.given["client_id"]


def test_a_listener_asks_anew_at_each_connection_and_bounds_what_it_takes(make: Callable[..., Made]) -> None:
    made = make(filters=("a/+", "b"))
    made.link.start()
    connect(made)
    connect(made)
    made.link.stop()
    assert made.client.named("subscribe") == [([("a/+", 1), ("b", 1)],)] * 2
    (host, port, keepalive) = made.client.named("connect_async")[0]
    assert (host, port, keepalive) == ("host", 1883, link.KEEPALIVE_S)
    assert made.client.properties.MaximumPacketSize == link.LARGEST_PACKET


def test_nothing_goes_out_without_a_connection(make: Callable[..., Made]) -> None:
    made = make()
    assert not made.link.publish("t", "x")
    connect(made)
    assert made.client.named("drop_out_messages") == [()]
    assert made.link.publish("t", "x", 70.4)
    assert made.client.properties.MessageExpiryInterval == 70
    made.client.rc = 15  # MQTT_ERR_QUEUE_SIZE
    assert not made.link.publish("t", "x")
    made.link._lost(made.client, None, None, FINE, None)  # type: ignore[arg-type]
    assert not made.link.publish("t", "x")
    assert made.said == [
        "Connected to the broker at host port 1883.",
        "No connection to the broker at host port 1883: the connection broke off. "
        "It is tried again and again.",
    ]


def test_3_1_1_knows_no_expiry(make: Callable[..., Made]) -> None:
    made = make(Broker("host", 1883, version="3.1.1"), filters=("a",))
    made.link.start()
    assert made.client.properties is None
    connect(made)
    assert made.link.publish("t", "x", 70.0)
    assert made.client.properties is None
    made.link.stop()


def test_the_same_trouble_is_said_once(make: Callable[..., Made]) -> None:
    made = make()
    for _ in range(3):
        connect(made, UNAUTHORIZED)
        made.link._lost(made.client, None, None, UNAUTHORIZED, None)  # type: ignore[arg-type]
    assert len(made.said) == 1
    assert "it refuses: user and password, or what they may do there, are not right" in made.said[0]
    assert made.link.trouble in made.said[0]


def test_a_broker_that_hangs_up_at_once_may_want_encryption(make: Callable[..., Made]) -> None:
    made = make()
    made.link._lost(made.client, None, None, FINE, None)  # type: ignore[arg-type]
    assert "it hung up without an answer (does it want encryption, --tls-ca?)" in made.link.trouble


def test_other_refusals_are_said_in_the_brokers_words(make: Callable[..., Made]) -> None:
    made = make()
    connect(made, ReasonCode(PacketTypes.CONNACK, "Server busy"))
    assert "it refuses (Server busy)" in made.said[0]
    connect(made, ReasonCode(PacketTypes.CONNACK, "Unsupported protocol version"))
    assert "try --mqtt 3.1.1" in made.said[1]


def test_a_message_that_is_not_let_in_is_said_once(make: Callable[..., Made]) -> None:
    made = make()
    refused = ReasonCode(PacketTypes.PUBACK, "Not authorized")
    for reason in (ReasonCode(PacketTypes.PUBACK, "Success"), refused, refused):
        made.link._answered(made.client, None, 1, reason, None)  # type: ignore[arg-type]
    assert len(made.said) == 1
    assert "may this user write there?" in made.said[0]


def test_a_listener_that_is_not_let_in_has_no_connection(make: Callable[..., Made]) -> None:
    made = make(filters=("a",))
    connect(made)
    granted = ReasonCode(PacketTypes.SUBACK, "Granted QoS 1")
    made.link._listening(made.client, None, 1, [granted], None)  # type: ignore[arg-type]
    assert made.link.trouble == ""
    refused = ReasonCode(PacketTypes.SUBACK, "Not authorized")
    made.link._listening(made.client, None, 1, [granted, refused], None)  # type: ignore[arg-type]
    assert "does not let this user listen (Not authorized)" in made.link.trouble


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (socket.gaierror(-2, "x"), "its name is not known here"),
        (ConnectionRefusedError(111, "x"), "nothing listens there"),
        (TimeoutError("x"), "no answer"),
        (ssl.SSLCertVerificationError("x"), "its certificate is not accepted"),
        (ssl.SSLError("x"), "no encrypted connection"),
        (OSError(113, "No route to host"), "No route to host"),
    ],
)
def test_why_a_broker_is_not_reached(make: Callable[..., Made], error: OSError, words: str) -> None:
    made = make()
    try:
        raise error
    except OSError:
        made.link._not_reached(made.client, None)  # type: ignore[arg-type]
    assert words in made.link.trouble
    made.link._not_reached(made.client, None)  # type: ignore[arg-type]
    assert made.link.trouble == "it cannot be reached"


class Message(NamedTuple):
    name: bytes
    payload: bytearray
    retain: bool

    @property
    def topic(self) -> str:
        return self.name.decode()


def test_messages_are_handed_on_and_one_without_a_name_is_not(make: Callable[..., Made]) -> None:
    made = make(filters=("a",))
    for message in (Message(b"\xff", bytearray(), False), Message(b"t", bytearray(b"x"), True)):
        made.link._message(made.client, None, message)  # type: ignore[arg-type]
    assert made.heard == [("t", b"x", True)]


def test_a_loop_that_fails_begins_anew(make: Callable[..., Made]) -> None:
    """What a broker sends can make the library fail; the link is not to die of it in silence."""
    made = make()
    again, turns = threading.Event(), []

    def loop() -> None:
        turns.append(1)
        if len(turns) == 1:
            raise ValueError("a packet that is none")
        again.set()
        made.link._ending.wait(5.0)

    made.client.loop = loop
    made.link.start()
    assert again.wait(5.0)
    assert "what came from it is not understood (ValueError)" in made.link.trouble
    assert len(made.client.named("connect_async")) == 2
    made.link.stop()


@pytest.mark.parametrize("fails", [False, True])
def test_the_last_word_is_said_where_it_can_be(make: Callable[..., Made], fails: bool) -> None:
    made = make()
    made.client.last_fails = fails
    made.link.stop(Will("t", "offline"))
    assert made.client.named("publish") == []
    connect(made)
    made.link.stop(Will("t", "offline"))
    made.link._lost(made.client, None, None, FINE, None)  # type: ignore[arg-type]
    assert made.client.named("publish") == [("t", "offline")]
    assert len(made.client.named("disconnect")) == 2
    assert made.link.trouble == ""  # an end that is meant is no trouble


def test_users_and_certificates(make: Callable[..., Made], tmp_path: Path) -> None:
    made = make(Broker("host", 8883, "ann", "secret"))
    assert made.client.named("username_pw_set") == [("ann", "secret")]
    nonsense = tmp_path / "ca.pem"
    nonsense.write_text("nonsense")
    for path in (nonsense, tmp_path / "none.pem"):
        with pytest.raises(SettingsError, match=r"--tls-ca: .*\.pem holds no certificate that can be used"):
            make(Broker("host", 8883, ca_file=path))


@pytest.mark.parametrize(
    ("module", "library", "extra"),
    [("link", "paho.mqtt", "mqtt"), ("exposition", "prometheus_client", "metrics")],
)
def test_without_its_library_each_says_how_to_get_it(
    module: str, library: str, extra: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *given: Any, **named: Any) -> Any:
        if name.startswith(library):
            raise ImportError(name)
        return real(name, *given, **named)

    monkeypatch.delitem(sys.modules, f"controller.outlets.{module}", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(HygroholdError, match=rf"pip install '\.\[{extra}\]'"):
        importlib.import_module(f"controller.outlets.{module}")


def test_what_is_heard_can_be_asked_for_at_any_time(clients: list[FakeClient]) -> None:
    changes: list[heard.HeardRoom | None] = []
    ear = heard.Heard(Broker("host", 1883), changed=changes.append)
    ear.start()
    assert ear.rooms() == ()
    assert ear.trouble == "not connected yet"
    client = clients[-1]
    client.on_message(client, None, Message(b"hygrohold/a/online", bytearray(b"online"), True))
    state = b'{"form":1,"running":true,"sentence":"On.","age_s":1.0,"good_for_s":100.0,"rh_pct":60.0}'
    client.on_message(client, None, Message(b"hygrohold/a/larch/state", bytearray(state), False))
    client.on_message(client, None, Message(b"x", bytearray(), False))
    (room,) = ear.rooms()
    assert (room.board, room.room, room.online, room.rh_pct, room.sentence) == (
        "a",
        "larch",
        True,
        60.0,
        "On.",
    )
    assert changes[0] is None
    assert changes[1] is not None
    assert (len(changes), changes[1].room, ear.ignored) == (2, "larch", 1)
    ear.stop()


@pytest.mark.process
def test_a_broker_that_talks_nonsense_ends_no_link(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a greeting of MQTT 5.0, 3.2 (or none): bytes of no meaning. It comes back each time."""
    monkeypatch.setattr(link, "RETRY_S", (0.01, 0.02))
    chance = random.Random(1)
    enough = threading.Event()
    server = socket.create_server(("127.0.0.1", 0))

    def talk() -> None:
        for number in range(30):
            with contextlib.suppress(OSError), server.accept()[0] as caller:
                caller.settimeout(0.5)
                caller.recv(4096)
                greeting = b"\x20\x03\x00\x00\x00" if number % 3 else b""
                caller.sendall(greeting + chance.randbytes(chance.randrange(1, 60)))
        enough.set()

    threading.Thread(target=talk, daemon=True).start()
    one = Link(Broker("127.0.0.1", server.getsockname()[1]), "a", filters=("a",))
    one.start()
    with server:
        assert enough.wait(15.0)
    one.stop()
