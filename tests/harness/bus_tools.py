"""Real brokers, a cable that can be cut, and listeners, for tests and measurements of the bus."""

from __future__ import annotations

import contextlib
import selectors
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
PATIENCE_S = 240.0  # how long a test waits for what should come soon; never part of an assertion's meaning


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]  # the library's only untyped constructor


def free_port() -> int:
    """A TCP port on loopback that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(condition: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait for a condition; fails with `what` if it does not come."""
    until = time.monotonic() + patience_s
    while not condition():
        if time.monotonic() > until:
            raise AssertionError(f"did not happen: {what}")
        time.sleep(0.005)


def accepts(port: int) -> bool:
    """Whether something listens there."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=0.5):
            return True
    except OSError:
        return False


class Mosquitto:
    """A mosquitto process with this configuration; `{port}` in the text is replaced by its port."""

    def __init__(self, folder: Path, config: str, port: int | None = None) -> None:
        if MOSQUITTO is None:
            raise FileNotFoundError("mosquitto")
        self.port = port or free_port()
        folder.mkdir(parents=True, exist_ok=True)
        self.log = folder / f"mosquitto-{self.port}.log"
        self._file = folder / f"mosquitto-{self.port}.conf"
        self._file.write_text(config.replace("{port}", str(self.port)))
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @classmethod
    def open_to_all(cls, folder: Path, port: int | None = None, extra: str = "") -> Mosquitto:
        """A broker without users that keeps nothing."""
        lines = [
            "listener {port} 127.0.0.1",
            "allow_anonymous true",
            "set_tcp_nodelay true",
            "persistence false",
        ]
        return cls(folder, "\n".join([*lines, extra, ""]), port)

    def start(self) -> None:
        """Start, and return when it listens."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [str(MOSQUITTO), "-c", str(self._file), "-v"], stdout=log, stderr=log
            )
        until = time.monotonic() + PATIENCE_S
        while not accepts(self.port):
            if self._process.poll() is not None or time.monotonic() > until:
                raise AssertionError(f"mosquitto does not start: {self.log.read_text()[-2000:]}")
            time.sleep(0.01)

    @property
    def pid(self) -> int:
        """Process id."""
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """As a power cut would."""
        self._end(kill=True)

    def stop(self) -> None:
        """Gracefully."""
        self._end(kill=False)

    def _end(self, *, kill: bool) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill() if kill else process.terminate()
            process.wait(PATIENCE_S)


class Cable:
    """A TCP proxy on loopback: `cut` ends connections and refuses new ones, `stall` lets nothing through."""

    def __init__(self, target_port: int) -> None:
        self._target = target_port
        self._state = "up"
        self._listener = socket.create_server(("127.0.0.1", 0))
        # A cable stores nothing; a socket would by itself take in some hundred kilobytes while it is stalled.
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._listener.setblocking(False)
        self.port = int(self._listener.getsockname()[1])
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._pending: dict[socket.socket, bytearray] = {}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Pull it out."""
        self._state = "cut"
        wait_until(lambda: not self._pairs, "the cable's connections end")

    def stall(self) -> None:
        """Nothing goes through, nothing is closed."""
        self._state = "stalled"

    def restore(self) -> None:
        """As new."""
        self._state = "up"

    def close(self) -> None:
        """End."""
        self._ending.set()
        self._thread.join(PATIENCE_S)

    def _run(self) -> None:
        while not self._ending.is_set():
            if self._state == "stalled":
                time.sleep(0.01)
                continue
            if self._state == "cut":
                self._drop_all()
            self._turn()
        self._drop_all()
        self._listener.close()

    def _turn(self) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._listener, selectors.EVENT_READ)
            for one in self._pairs:
                want = selectors.EVENT_READ if len(self._pending[self._pairs[one]]) < 65536 else 0
                want |= selectors.EVENT_WRITE if self._pending[one] else 0
                if want:
                    selector.register(one, want)
            for key, events in selector.select(0.02):
                if key.fileobj is self._listener:
                    self._accept()
                    continue
                end = key.fileobj
                if isinstance(end, socket.socket) and end in self._pairs:
                    self._carry(end, events)

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        if self._state == "cut":
            near.close()
            return
        try:
            far = socket.create_connection(("127.0.0.1", self._target), timeout=1.0)
        except OSError:
            near.close()
            return
        for end, other in ((near, far), (far, near)):
            end.setblocking(False)
            end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._pairs[end] = other
            self._pending[end] = bytearray()

    def _carry(self, end: socket.socket, events: int) -> None:
        try:
            if events & selectors.EVENT_READ:
                data = end.recv(65536)
                if not data:
                    self._drop(end)
                    return
                self._pending[self._pairs[end]] += data
                end = self._pairs[end]
            if self._pending[end]:
                del self._pending[end][: end.send(self._pending[end])]
        except BlockingIOError:
            return
        except OSError:
            self._drop(end)

    def _drop(self, end: socket.socket) -> None:
        for one in (end, self._pairs[end]):
            self._pairs.pop(one, None)
            self._pending.pop(one, None)
            one.close()

    def _drop_all(self) -> None:
        for end in list(self._pairs):
            if end in self._pairs:
                self._drop(end)


class Listener:
    """An ordinary client that keeps what it hears; `messages` holds (topic, payload, message)."""

    def __init__(
        self,
        port: int,
        *filters: str,
        qos: int = 2,
        version: int = 5,
        client_id: str = "",
        keep_session: bool = False,
        setup: Callable[[mqtt.Client], None] | None = None,
    ) -> None:
        self.messages: list[tuple[str, bytes, mqtt.MQTTMessage]] = []
        self.refused: str | None = None
        self.granted: list[int] = []
        self._filters, self._qos = filters, qos
        protocol = MQTTProtocolVersion.MQTTv5 if version == 5 else MQTTProtocolVersion.MQTTv311
        clean = None if version == 5 else not keep_session
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol, clean_session=clean
        )
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._connected
        self.client.on_subscribe = self._subscribed
        self._stamps: list[int] = []
        self.client.on_message = self._heard
        if setup is not None:
            setup(self.client)
        options: dict[str, Any] = {}
        if version == 5:
            properties = _properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 3600 if keep_session else 0
            options = {"clean_start": not keep_session, "properties": properties}
        self._subscribed_once = threading.Event()
        self.client.connect("127.0.0.1", port, **options)
        self.client.loop_start()
        if not self._subscribed_once.wait(PATIENCE_S):
            raise AssertionError("the listener gets no answer")

    def topics(self, ending: str = "") -> list[str]:
        """Topics heard, in order."""
        return [topic for topic, _, _ in list(self.messages) if topic.endswith(ending)]

    def payloads(self, ending: str) -> list[bytes]:
        """Payloads of topics with that ending, in order."""
        return [payload for topic, payload, _ in list(self.messages) if topic.endswith(ending)]

    def timed(self, ending: str) -> list[tuple[int, bytes]]:
        """When each payload of such topics came, ns of the monotonic clock, and the payload."""
        found = zip(list(self._stamps), list(self.messages), strict=False)
        return [(stamp, payload) for stamp, (topic, payload, _) in found if topic.endswith(ending)]

    def wait_for(self, ending: str, count: int = 1, patience_s: float = PATIENCE_S) -> list[bytes]:
        """Wait until so many messages came on topics with that ending; returns them."""
        wait_until(lambda: len(self.payloads(ending)) >= count, f"{count} on …{ending}", patience_s)
        return self.payloads(ending)

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _heard(self, _c: mqtt.Client, _d: Any, message: mqtt.MQTTMessage) -> None:
        self._stamps.append(time.monotonic_ns())
        self.messages.append((message.topic, bytes(message.payload), message))

    def _connected(self, client: mqtt.Client, _d: Any, _f: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            self.refused = str(reason)
            self._subscribed_once.set()
        elif self._filters:
            client.subscribe([(one, self._qos) for one in self._filters])
        else:
            self._subscribed_once.set()

    def _subscribed(self, _c: mqtt.Client, _d: Any, _mid: int, reasons: list[Any], _p: Any) -> None:
        self.granted = [reason.value for reason in reasons]
        self._subscribed_once.set()


def request_properties(
    response_topic: str | None = None, correlation: bytes | None = None, **user: str
) -> Properties:
    """MQTT 5 properties of a request."""
    properties = _properties(PacketTypes.PUBLISH)
    if response_topic is not None:
        properties.ResponseTopic = response_topic
    if correlation is not None:
        properties.CorrelationData = correlation
    for key, value in user.items():
        properties.UserProperty = (key, value)
    return properties


@contextlib.contextmanager
def closing_all() -> Any:
    """Collects closables (append them) and closes them in reverse order, whatever happens."""
    found: list[Any] = []
    try:
        yield found
    finally:
        for one in reversed(found):
            (getattr(one, "stop", None) or one.close)()


def quick(_client: mqtt.Client, _data: Any, stream: Any) -> None:
    """For `on_socket_open`: small packets go out at once."""
    stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
