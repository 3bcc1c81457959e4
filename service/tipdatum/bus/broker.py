"""The broker that comes with the service: one small interface around iotcore (pinned in pyproject.toml).

It runs in a child process, keeps nothing on disk, listens on loopback unless it has been given users and
passwords, and ends with its parent. It speaks MQTT 3.1.1, plain and over WebSockets.

Its MQTT 5 listener stays off: a message with MQTT 5 properties that reaches a 3.1.1 subscriber ends the
whole 3.1.1 listener (tried with 0.4.0), so any MQTT 5 client could silence every display.

Larger installations use a broker of their own; `config/broker/` has examples.
"""

from __future__ import annotations

import contextlib
import ipaddress
import json
import os
import socket
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from tipdatum.errors import InputError

# The broker's memory is bounded by segment size times count per topic filter; its own default of
# 100 MiB times ten lets a busy topic grow past a small computer's memory.
SEGMENT_BYTES = 1024 * 1024
SEGMENTS = 2
MAX_PAYLOAD_BYTES = 1024 * 1024
START_ATTEMPTS = 5  # somebody else may take a free port between looking and listening


@dataclass(frozen=True, slots=True)
class BrokerAddresses:
    """Where the embedded broker listens: `port` plain, `ws_port` for WebSockets; both MQTT 3.1.1."""

    host: str
    port: int
    ws_port: int


class EmbeddedBroker:
    """A broker of our own in a child process.

    `port` and `ws_port` are picked from the free ones where they are None. Use it as a context manager,
    or call `start` and `stop`. `addresses` says where it listens while it runs.

    Raises:
        InputError: a host other than loopback without users; no broker for this kind of computer.
    """

    def __init__(
        self,
        host: str = "127.0.0.1",
        port: int | None = None,
        ws_port: int | None = None,
        users: Mapping[str, str] | None = None,
    ) -> None:
        if not users and not _is_loopback(host):
            raise InputError(
                f"the embedded broker would listen on {host}, which other computers can reach: "
                "give it users with passwords, or leave it on 127.0.0.1"
            )
        self._host = host
        self._wanted = (port, ws_port)
        self._users = dict(users or {})
        self._broker: Any = None
        self.addresses: BrokerAddresses | None = None

    def start(self) -> BrokerAddresses:
        """Start it and return when it listens.

        Raises:
            InputError: a port that was asked for is taken, or the broker does not come up.
        """
        if self._broker is not None:
            raise InputError("the embedded broker is running already")
        broker_class = _broker_class()
        trouble = ""
        for _ in range(START_ATTEMPTS):
            ports = _free_ports(self._host, self._wanted)
            addresses = BrokerAddresses(self._host, *ports)
            try:
                self._broker = self._launch(broker_class, addresses)
            except (OSError, RuntimeError) as error:
                trouble = str(error)
                if None not in self._wanted:
                    break
            else:
                self.addresses = addresses
                return addresses
        raise InputError(f"the embedded broker does not start: {trouble}")

    def stop(self) -> None:
        """End it and free its ports. Harmless when it does not run."""
        broker, self._broker, self.addresses = self._broker, None, None
        if broker is not None:
            broker.stop()

    @property
    def running(self) -> bool:
        """Whether the child process lives."""
        return self._broker is not None and bool(self._broker.is_running)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _launch(self, broker_class: Any, addresses: BrokerAddresses) -> Any:
        # The file holds passwords: mkstemp makes it readable for its owner alone, and it is gone once the
        # broker listens.
        handle, path = tempfile.mkstemp(prefix="tipdatum-broker-", suffix=".toml")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(broker_toml(addresses, self._users))
            broker = broker_class(config_path=path)
            broker.start()
            return broker
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(path)  # noqa: PTH108


def broker_toml(addresses: BrokerAddresses, users: Mapping[str, str]) -> str:
    """The broker's own configuration file for these addresses and users."""
    lines = [
        "id = 0",
        "[router]",
        "id = 0",
        "max_connections = 1000",
        "max_outgoing_packet_count = 200",
        f"max_segment_size = {SEGMENT_BYTES}",
        f"max_segment_count = {SEGMENTS}",
    ]
    for kind, name, port in (
        ("v4", "mqtt311", addresses.port),
        ("ws", "websockets", addresses.ws_port),
    ):
        lines += [
            f"[{kind}.1]",
            f'name = "{name}"',
            f'listen = "{addresses.host}:{port}"',
            "next_connection_delay_ms = 1",
            f"[{kind}.1.connections]",
            "connection_timeout_ms = 5000",
            f"max_payload_size = {MAX_PAYLOAD_BYTES}",
            "max_inflight_count = 100",
            "dynamic_filters = true",
        ]
        if users:
            # JSON's quoting of a text is TOML's basic string.
            pairs = ", ".join(f"{json.dumps(user)} = {json.dumps(word)}" for user, word in users.items())
            lines.append(f"auth = {{ {pairs} }}")
    return "\n".join(lines) + "\n"


def _broker_class() -> Any:
    try:
        from iotcore import Broker
    except ImportError:
        raise InputError(
            "there is no embedded broker for this kind of computer: install a broker such as mosquitto "
            'and name it in the service\'s file ([broker] host = "127.0.0.1")'
        ) from None
    return Broker


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _free_ports(host: str, wanted: tuple[int | None, ...]) -> list[int]:
    """The wanted ports, each None replaced by a port that is free now.

    Raises:
        InputError: a wanted port is taken or not allowed.
    """
    with contextlib.ExitStack() as stack:
        ports = []
        for port in wanted:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            probe = stack.enter_context(socket.socket(family, socket.SOCK_STREAM))
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port or 0))
            except OSError as error:
                raise InputError(
                    f"port {port} on {host} cannot be used by the embedded broker "
                    f"({os.strerror(error.errno or 0).lower()}): is another broker running there?"
                ) from None
            ports.append(int(probe.getsockname()[1]))
        return ports
