"""An ordinary MQTT client that only listens: for displays at the command line."""

from __future__ import annotations

import queue
import socket
import ssl
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import SecretStr

from tipdatum.bus.trouble import from_connack, from_exception, from_silence
from tipdatum.errors import InputError, PortError

ANSWER_WITHIN_S = 5.0
"""Patience with a broker that takes the connection and then says nothing."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message, with the time on `time.monotonic` at which it came."""

    topic: str
    payload: bytes
    at: float


@dataclass(frozen=True, slots=True)
class Linked:
    """The connection came (True) or went (False)."""

    up: bool
    text: str


class Listener:
    """Subscribes to one filter and keeps what it hears until it is asked; reconnects by itself.

    Args:
        topics: filter, such as tipdatum/#.
        tls: speak TLS. ca: certificates to trust, PEM; None for those that the computer trusts.

    Raises:
        PortError: the broker cannot be reached the first time, or refuses.
    """

    def __init__(
        self,
        host: str,
        port: int,
        topics: str,
        user: str | None = None,
        password: SecretStr | None = None,
        *,
        tls: bool = False,
        ca: Path | None = None,
    ) -> None:
        self._where, self._topics, self._user = f"{host}:{port}", topics, user
        self._inbox: queue.SimpleQueue[Heard | Linked] = queue.SimpleQueue()
        self._first: queue.SimpleQueue[tuple[int, str] | None] = queue.SimpleQueue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.reconnect_delay_set(1, 2)
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._disconnected
        self._client.on_message = self._message
        if user is not None:
            self._client.username_pw_set(user, password.get_secret_value() if password else None)
        if tls:
            self._client.tls_set_context(_trusting(ca))
        try:
            self._client.connect(host, port, keepalive=10)
        except (OSError, ValueError) as error:
            trouble = from_exception(error, host, port, tls=tls)
            raise PortError(trouble.text, retry_helps=trouble.may_pass) from None
        self._client.loop_start()
        try:
            code = self._first.get(timeout=ANSWER_WITHIN_S)
        except queue.Empty:
            self.close()
            raise PortError(f"{self._where} does not answer like an MQTT broker", retry_helps=False) from None
        if code is None or code[0] != 0:
            self.close()
            trouble = (
                from_silence(user, tls=tls) if code is None else from_connack(*code, user, "tipdatum-watch")
            )
            raise PortError(trouble.text, retry_helps=trouble.may_pass)

    def take(self) -> list[Heard | Linked]:
        """What was heard since the last call, in order."""
        found = []
        while not self._inbox.empty():
            found.append(self._inbox.get())
        return found

    def publish(self, topic: str, payload: bytes) -> None:
        """Send one message, QoS 1, not retained."""
        self._client.publish(topic, payload, qos=1)

    def close(self) -> None:
        """Say goodbye and end the thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._first.put((int(reason.value), str(reason)))
        if reason.is_failure:
            return
        stream = client.socket()
        if isinstance(stream, socket.socket):
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._inbox.put(Linked(True, self._where))
        client.subscribe(self._topics, qos=0)

    def _disconnected(self, _client: Any, _data: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        self._first.put(None)
        self._inbox.put(Linked(False, f"the connection to {self._where} was lost"))

    def _message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._inbox.put(Heard(message.topic, bytes(message.payload), time.monotonic()))


def _trusting(ca: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca)
    except OSError as error:  # ssl.SSLError is one
        reason = error.strerror or "it holds no certificate"
        raise InputError(f"--ca: {ca} cannot be used: {reason.lower()}") from None
