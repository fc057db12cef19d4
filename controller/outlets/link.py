"""LINK: a connection to an MQTT broker that comes back by itself. The only file that knows paho-mqtt.

In:    where the broker is and how to be let in; messages to publish; for a listener, topic filters.
Out:   messages at the broker; what a listener asked for; why there is no connection, in words.
Never: blocks its caller, asks for a topic unless made as a listener, holds more than ``queue_most`` messages,
       or sends after a break what was meant for before it.

OASIS MQTT 3.1.1 and 5.0. Every message goes at "at least once" and is retained.
"""

from __future__ import annotations

import contextlib
import secrets
import socket
import ssl
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from controller.errors import HygroholdError, SettingsError

try:
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties
except ImportError as error:
    raise HygroholdError(
        "a broker needs the library paho-mqtt, which is not installed: in the program's folder, "
        "`pip install '.[mqtt]'`"
    ) from error

KEEPALIVE_S = 30
"""A broker gives up on a silent client after one and a half of these (MQTT 5.0, 3.1.2.10); then the will."""
RETRY_S = (1, 30)
QUEUE_MOST = 100
LARGEST_PACKET = 40 * 1024
CALM_S = 2.0
Version = Literal["5", "3.1.1"]


class Broker(NamedTuple):
    """``password`` only with ``user``; ``ca_file``: TLS, with the certificates of that file alone."""

    host: str
    port: int
    user: str = ""
    password: str = ""
    ca_file: Path | None = None
    version: Version = "5"


class Will(NamedTuple):
    """What the broker says for us once we are gone without a word."""

    topic: str
    payload: str


def nothing(*_: Any) -> None:
    """Where nobody wishes to be told."""


class Link:
    """``up`` and ``heard`` (topic, payload, retained) are called from a thread of the link's own."""

    def __init__(
        self, broker: Broker, name: str, will: Will | None = None, filters: Sequence[str] = (),
        up: Callable[[], None] = nothing, heard: Callable[[str, bytes, bool], None] = nothing,
        say: Callable[[str], None] = nothing, queue_most: int = QUEUE_MOST,
    ) -> None:  # fmt: skip
        """Raises SettingsError for a CA file that cannot be used."""
        self._broker, self._filters = broker, tuple(filters)
        self._up, self._heard, self._say = up, heard, say
        self._trouble = "not connected yet"
        self._barred = ""
        self._greeted = False  # whether the broker has answered in this connection, be it by a refusal
        self._ending = threading.Event()
        self._five = broker.version == "5"
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            # two programs of one name would throw each other out for ever
            client_id=f"{name[:40]}-{secrets.token_hex(4)}",
            protocol=MQTTProtocolVersion.MQTTv5 if self._five else MQTTProtocolVersion.MQTTv311,
        )
        self._client.suppress_exceptions = True
        self._client.max_queued_messages_set(queue_most)
        self._client.reconnect_delay_set(*RETRY_S)
        if broker.user:
            self._client.username_pw_set(broker.user, broker.password)
        if broker.ca_file is not None:
            self._client.tls_set_context(_trusting(broker.ca_file))
        if will is not None:
            self._client.will_set(will.topic, will.payload, qos=1, retain=True)
        self._client.on_connect = self._connected
        self._client.on_connect_fail = self._not_reached
        self._client.on_disconnect = self._lost
        self._client.on_publish = self._answered
        if filters:
            self._client.on_message = self._message
            self._client.on_subscribe = self._listening
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)

    @property
    def trouble(self) -> str:
        """Why there is no connection, in words; "" while there is one."""
        return self._trouble

    @property
    def where(self) -> str:
        return f"{self._broker.host} port {self._broker.port}"

    def start(self) -> None:
        self._connect()
        self._thread.start()

    def stop(self, last: Will | None = None) -> None:
        """Says a last word, where there is a connection, and ends. Takes some seconds at most."""
        self._ending.set()
        if last is not None and not self._trouble:
            info = self._client.publish(last.topic, last.payload, qos=1, retain=True)
            with contextlib.suppress(ValueError, RuntimeError):
                info.wait_for_publish(CALM_S)
        self._client.disconnect()
        if self._thread.is_alive():
            self._thread.join(2 * CALM_S)

    def publish(self, topic: str, payload: str, expires_s: float | None = None) -> bool:
        """Hands a message over; False where there is no connection or the queue is full.

        ``expires_s``: the broker drops it then (MQTT 5.0, 3.3.2.3.3; 3.1.1 has no such thing).
        """
        if self._trouble:
            return False
        properties = None
        if self._five and expires_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = max(1, round(expires_s))
        info = self._client.publish(topic, payload, qos=1, retain=True, properties=properties)
        return info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    def _connect(self) -> None:
        limits = None
        if self._five and self._filters:  # a broker is not to hand on what is too large to be read
            limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            limits.MaximumPacketSize = LARGEST_PACKET
        self._client.connect_async(self._broker.host, self._broker.port, KEEPALIVE_S, properties=limits)

    def _run(self) -> None:
        """The library's loop. What a broker sends can make it fail: then it begins anew."""
        while not self._ending.is_set():
            try:
                self._client.loop_forever(retry_first_connection=True)
            except Exception as error:
                self._note(f"what came from it is not understood ({type(error).__name__})")
                with contextlib.suppress(Exception):
                    self._connect()
            self._ending.wait(RETRY_S[0])

    def _connected(self, client: paho.Client, _: Any, flags: Any, reason: Any, more: Any) -> None:
        self._greeted = True
        if reason.is_failure:
            self._note(_refusal(str(reason)))
            return
        client.drop_out_messages()  # of before the break; whoever publishes says it all anew
        self._trouble = ""
        self._say(f"Connected to the broker at {self.where}.")
        if self._filters:
            client.subscribe([(one, 1) for one in self._filters])
        self._up()

    def _not_reached(self, client: paho.Client, _: Any) -> None:
        self._note(_unreached(sys.exc_info()[1]))  # the library calls this where it has caught the error

    def _lost(self, client: paho.Client, _: Any, flags: Any, reason: Any, more: Any) -> None:
        if self._ending.is_set():
            return
        if not self._greeted:
            self._note("it hung up without an answer (does it want encryption, --tls-ca?)")
        elif not self._trouble:
            self._note("the connection broke off")
        self._greeted = False

    def _answered(self, client: paho.Client, _: Any, number: int, reason: Any, more: Any) -> None:
        """MQTT 5 only: what a broker does not let us say. In 3.1.1 it is lost without a word."""
        if reason.is_failure and str(reason) != self._barred:
            self._barred = str(reason)
            self._say(
                f"The broker at {self.where} does not take a message ({reason}): may this user write there?"
            )

    def _listening(self, client: paho.Client, _: Any, number: int, reasons: Any, more: Any) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            self._note(f"it does not let this user listen ({refused[0]})")

    def _message(self, client: paho.Client, _: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        self._heard(topic, bytes(message.payload), message.retain)

    def _note(self, words: str) -> None:
        if words != self._trouble:
            self._trouble = words
            self._say(f"No connection to the broker at {self.where}: {words}. It is tried again and again.")


def _refusal(reason: str) -> str:
    hint = {
        "Not authorized": "user and password, or what they may do there, are not right",
        "Bad user name or password": "user and password are not right",
        "Unsupported protocol version": "it does not speak this version of MQTT; try --mqtt 3.1.1",
    }.get(reason)
    return f"it refuses: {hint}" if hint else f"it refuses ({reason})"


def _unreached(error: BaseException | None) -> str:
    for kind, words in (
        (socket.gaierror, "its name is not known here (is there a network, and a name server?)"),
        (ConnectionRefusedError, "nothing listens there (is it running, is the port right?)"),
        (TimeoutError, "no answer (is the address right, is there a firewall between?)"),
        (ssl.SSLCertVerificationError, "its certificate is not accepted (CA file, name, this board's date?)"),
        (ssl.SSLError, "no encrypted connection comes about (is it the port for TLS?)"),
    ):  # fmt: skip
        if isinstance(error, kind):
            return words
    return getattr(error, "strerror", None) or "it cannot be reached"


def _trusting(ca_file: Path) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:  # an SSLError is one
        words = f"--tls-ca: {ca_file} holds no certificate that can be used: {error.strerror or error}"
        raise SettingsError(words) from error
