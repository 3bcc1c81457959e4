"""One connection to the broker, from CONNECT to its end, on paho-mqtt without its thread.

The owner waits for the socket and calls `turn` and `send` under one lock; so every packet goes out from
whichever thread has it first, and no call ever waits for the network (`open` does).

The library has what is rare: CONNECT, keep-alive, subscriptions, everything with QoS 1, parsing. Live figures
go past it (`send_figures`), those of a tick as one piece. What that is worth, by
`tests/benchmarks/bus_ways.py` (a tick of ten messages fifty times a second, medians of seven alternating
rounds, beside the library with a thread of its own): 0.45 times its processor time (365 µs a tick instead
of 812, two hundredths of a core), 0.61 times its way to the subscriber. The library on the caller's thread
takes 0.95 and 0.71 times as much.
"""

from __future__ import annotations

import contextlib
import functools
import socket
import ssl
import sys
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from tipdatum.bus import trouble
from tipdatum.bus.link_settings import LinkSettings, tls_context
from tipdatum.bus.orders import MAX_BODY_BYTES, Answer, Inbound
from tipdatum.bus.topics import LIVE, RETAINED, Delivery
from tipdatum.bus.trouble import Trouble

if sys.platform == "linux":
    import fcntl
    import termios

    _UNSENT: int | None = termios.TIOCOUTQ  # SIOCOUTQ of tcp(7): bytes not yet acknowledged
else:
    _UNSENT = None

CONNECT_TIMEOUT_S = 5.0
# What lies in the kernel's buffer while the network stalls arrives late as if it were new. Figures are
# written only while less than this waits there for the other side (some fifteen figures; enough for 50 a
# second over a radio link that answers in 0.2 s), and a stalled connection is given up well before the
# keep-alive would.
ON_THE_WAY_BYTES = 8 * 1024
SEND_BUFFER_BYTES = 32 * 1024
STALL_LIMIT_MS = 4000
# The packet that carries the largest body we take, its topic and properties.
MAX_PACKET_BYTES = MAX_BODY_BYTES + 8 * 1024

PUBLISH = b"\x30"
"""First byte of a figure's packet (MQTT 5.0, section 3.3): type 3, QoS 0, not retained, no duplicate."""
MESSAGE_EXPIRY_INTERVAL = b"\x02"


class Link:
    """A connection. `protocol` is 5 or 4 (3.1.1).

    `up` is true once the broker has accepted us and hands commands on; `ended` says why it is over.
    """

    def __init__(
        self,
        settings: LinkSettings,
        protocol: int,
        on_message: Callable[[mqtt.MQTTMessage], None],
        on_acknowledged: Callable[[int], None],
        on_refused: Callable[[str], None],
    ) -> None:
        self.protocol = protocol
        self.up = False
        self.ended: Trouble | None = None
        self.fallback_helps = False
        self._settings = settings
        self._on_message = on_message
        self._on_acknowledged = on_acknowledged
        self._on_refused = on_refused
        self._next_misc = 0.0
        self._unacknowledged: set[int] = set()
        self._packets = FigurePackets(protocol)
        self._rest = b""  # of a packet that the socket took in part: it comes before any other
        self._on_the_way = 0  # bytes of figures that may be, at the most
        self._client = self._build()

    def open(self) -> None:
        """Connect and send CONNECT; the broker's answer comes with `read`. Blocks for some seconds at most.

        Raises:
            OSError, ValueError, PortError: no connection; `trouble.from_exception` has the words.
        """
        s = self._settings
        options: dict[str, Any] = {}
        if self.protocol == 5:
            properties = _properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 0
            properties.MaximumPacketSize = MAX_PACKET_BYTES
            options = {"clean_start": True, "properties": properties}
        if s.tls:
            self._client.tls_set_context(tls_context(s))
        self._client.connect(s.host, s.port, s.keepalive_s, **options)

    @property
    def socket(self) -> socket.socket | None:
        """What to wait on."""
        found = self._client.socket()
        return found if isinstance(found, socket.socket) else None

    @property
    def congested(self) -> bool:
        """Whether something still waits to be written."""
        return bool(self._rest) or bool(self._client.want_write())

    @property
    def room(self) -> int:
        """How many bytes of figures may be on their way to the other side beside those that are, roughly."""
        stream = self.socket
        if stream is None:
            return 0
        if _UNSENT is None:
            return ON_THE_WAY_BYTES
        # Asking the system is dear; it is asked when what was sent since the last answer might be too much.
        if self._on_the_way > ON_THE_WAY_BYTES // 2:
            try:
                waiting = fcntl.ioctl(stream.fileno(), _UNSENT, bytes(4))
            except OSError:
                return ON_THE_WAY_BYTES  # reading or writing will tell what is wrong
            self._on_the_way = int.from_bytes(waiting, sys.byteorder)
        return ON_THE_WAY_BYTES - self._on_the_way

    @property
    def settled(self) -> bool:
        """Whether everything is written, and acknowledged where that is asked for."""
        return not (self.congested or self._unacknowledged)

    def send_figures(self, figures: list[tuple[str, bytes]]) -> None:
        """Write live figures (topic, payload), which nobody acknowledges; not while the link is `congested`.

        They leave as one piece: most of what a small message costs is its way through the network's layers
        and the broker's waking.
        """
        packet = self._packets.packet
        self._rest = b"".join([packet(topic, payload) for topic, payload in figures])
        self._on_the_way += len(self._rest)
        self._write_rest()

    def _write_rest(self) -> bool:
        """Write what is left of the figures; whether all of it is out, so that other packets may follow."""
        stream = self.socket
        if not self._rest or stream is None:
            return not self._rest
        try:
            written = stream.send(self._rest)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return False
        except OSError:
            self.abandon(Trouble("lost", "the connection to the broker was lost"))
            return False
        self._rest = self._rest[written:]
        return not self._rest

    def send(self, topic: str, payload: bytes, delivery: Delivery, answer: Answer | None = None) -> int:
        """Hand a message over that the broker acknowledges, and try to write it. Returns its packet id."""
        properties = None
        if self.protocol == 5 and (delivery.expiry_s is not None or answer is not None):
            properties = _publish_properties(delivery.expiry_s, answer.correlation if answer else None)
        info = self._client.publish(topic, payload, delivery.qos, delivery.retain, properties)
        self._unacknowledged.add(info.mid)
        self.write()
        return info.mid

    def turn(self, now: float, *, readable: bool, writable: bool) -> None:
        """Take in what has arrived, write what waits; about once a second see to the keep-alive."""
        try:
            if readable:
                self._read()
            if writable:
                self.write()
            if now >= self._next_misc and self.ended is None:
                self._next_misc = now + 1.0
                self._client.loop_misc()
        # The library raises what its parser happens to stumble over; whatever it is, these bytes are no MQTT.
        except Exception as error:
            self.abandon(Trouble("protocol", f"what the broker sent cannot be understood: {error}"))

    def _read(self) -> None:
        while self.ended is None:
            self._client.loop_read()
            stream = self.socket
            if not (isinstance(stream, ssl.SSLSocket) and stream.pending() > 0):
                return

    def write(self) -> None:
        """Write what waits, as far as the socket takes it."""
        if self.ended is None and self._write_rest() and self._client.want_write():
            self._client.loop_write()

    def close(self) -> None:
        """Say goodbye, so that the broker does not publish the last will."""
        if self.up and self.ended is None:
            self._client.disconnect()
            self.write()
        self.abandon(Trouble("stopped", "stopped"))

    def abandon(self, why: Trouble) -> None:
        """Drop the connection as it is."""
        if self.ended is None:
            self.ended = why
        self.up = False
        stream = self.socket
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.shutdown(socket.SHUT_RDWR)
            stream.close()

    def _build(self) -> mqtt.Client:
        s = self._settings
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=s.client_id,
            # A clean start and no session to come back to: an order that was given while nobody listened
            # must not be carried out later. Events have an outbox of their own.
            clean_session=None if self.protocol == 5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if self.protocol == 5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if s.user is not None:
            client.username_pw_set(s.user, s.password.get_secret_value() if s.password else None)
        client.will_set(s.status, s.will, RETAINED.qos, RETAINED.retain)
        client.on_socket_open = _tune
        client.on_socket_register_write = lambda *_: None  # the owner looks at `congested`
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_message = lambda _client, _data, message: self._on_message(message)
        client.on_subscribe = self._subscribed
        client.on_publish = self._published
        return client

    def _connected(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            s = self._settings
            self.fallback_helps = reason.value == trouble.BAD_PROTOCOL
            self.ended = trouble.from_connack(reason.value, str(reason), s.user, s.client_id)
            return
        commands, status = self._settings.commands, self._settings.status
        if self.protocol == 5:
            # Retained commands are refused: those of the past are not even sent, new ones keep their flag.
            only_new = SubscribeOptions(
                qos=1, retainAsPublished=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND
            )
            client.subscribe([(commands, only_new), (status, SubscribeOptions(qos=0, noLocal=True))])
        else:
            client.subscribe([(commands, 1), (status, 0)])

    def _disconnected(
        self, _client: mqtt.Client, _data: Any, flags: mqtt.DisconnectFlags, reason: ReasonCode, _props: Any
    ) -> None:
        was_up, self.up = self.up, False
        if self.ended is not None:
            return
        if not was_up:
            self.fallback_helps = True
            s = self._settings
            self.ended = trouble.from_silence(s.user, tls=s.tls, certificate=s.certificate is not None)
        elif flags.is_disconnect_packet_from_server and reason.value == trouble.TAKEN_OVER:
            self.ended = Trouble("taken-over", "taken over")
        elif flags.is_disconnect_packet_from_server:
            self.ended = Trouble("lost", f"the broker ended the connection: {str(reason).lower()}")
        else:
            self.ended = Trouble("lost", "the connection to the broker was lost")

    def _published(self, _client: mqtt.Client, _data: Any, mid: int, reason: ReasonCode, _props: Any) -> None:
        self._unacknowledged.discard(mid)
        if reason.is_failure:
            self._on_refused(f"the broker refuses a message: {str(reason).lower()}")
        self._on_acknowledged(mid)

    def _subscribed(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _props: Any
    ) -> None:
        self.up = True  # not before: who reads that we are online may send a command at once
        # The first filter is the commands'; a broker that keeps our own status from us costs us little.
        if reasons and reasons[0].is_failure:
            self._on_refused("the broker does not let the service receive commands")


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]  # the library's only untyped constructor


@functools.lru_cache(maxsize=8)
def _publish_properties(expiry_s: int | None, correlation: bytes | None) -> Properties:
    """Kept, because live figures have the same ones many times a second; nobody changes them."""
    properties = _properties(PacketTypes.PUBLISH)
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    if correlation is not None:
        properties.CorrelationData = correlation
    return properties


def _tune(_client: mqtt.Client, _data: Any, stream: Any) -> None:
    """Small packets go out at once; a stalled connection is noticed."""
    stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    stream.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, STALL_LIMIT_MS)


def inbound(name: str, message: mqtt.MQTTMessage, *, retain_shown: bool) -> Inbound:
    """A message of the library as this project's; `retain_shown`: see `Inbound`."""
    properties = message.properties
    users = dict(getattr(properties, "UserProperty", []) or [])
    return Inbound(
        name=name,
        body=bytes(message.payload),
        retained=bool(message.retain),
        retain_shown=retain_shown,
        response_topic=getattr(properties, "ResponseTopic", None),
        correlation=getattr(properties, "CorrelationData", None),
        request_id=users.get("request_id"),
        by=users.get("by"),
    )


class FigurePackets:
    """PUBLISH packets of QoS 0, as bytes, for one connection. `protocol` is 5 or 4 (3.1.1)."""

    def __init__(self, protocol: int) -> None:
        self._properties = b""
        if protocol == 5:
            expiry = MESSAGE_EXPIRY_INTERVAL + (LIVE.expiry_s or 1).to_bytes(4, "big")
            self._properties = variable_length(len(expiry)) + expiry
        self._heads: dict[str, bytes] = {}

    def packet(self, topic: str, payload: bytes) -> bytes:
        """The packet of one message."""
        head = self._heads.get(topic)
        if head is None:
            name = topic.encode()
            head = self._heads[topic] = len(name).to_bytes(2, "big") + name + self._properties
        return PUBLISH + variable_length(len(head) + len(payload)) + head + payload


def variable_length(count: int) -> bytes:
    """A variable byte integer (section 1.5.5 of MQTT 5.0): seven bits a byte, the lowest first."""
    found = bytearray()
    while count > 0x7F:
        found.append(count & 0x7F | 0x80)
        count >>= 7
    found.append(count)
    return bytes(found)
