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
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from types import TracebackType
from typing import Self

from tipdatum.errors import InputError

try:
    import fcntl
except ImportError:  # not on Windows
    fcntl = None  # type: ignore[assignment]

# The broker's memory is bounded by segment size times count per topic filter; its own default of
# 100 MiB times ten lets a busy topic grow past a small computer's memory.
SEGMENT_BYTES = 1024 * 1024
SEGMENTS = 2
MAX_PAYLOAD_BYTES = 1024 * 1024
START_PATIENCE_S = 30.0  # on a busy computer's first breath; one that dies is noticed at once
START_ATTEMPTS = 5  # somebody else may take a free port between looking and listening


@dataclass(frozen=True, slots=True)
class BrokerAddresses:
    """Where the embedded broker listens: `port` plain, `ws_port` for WebSockets; both MQTT 3.1.1."""

    host: str
    port: int
    ws_port: int


class EmbeddedBroker:
    """A broker of our own in a child process.

    `port` and `ws_port` are picked from the free ones where they are None, `usual_port` before others. Use it
    as a context manager, or call `start` and `stop`. `addresses` says where it listens while it runs.

    Raises:
        InputError: a host other than loopback without users; no broker for this kind of computer.
    """

    def __init__(
        self,
        host: str = "127.0.0.1",
        port: int | None = None,
        ws_port: int | None = None,
        users: Mapping[str, str] | None = None,
        usual_port: int | None = None,
    ) -> None:
        if not users and not _is_loopback(host):
            raise InputError(
                f"the embedded broker would listen on {host}, which other computers can reach: "
                "give it users with passwords, or leave it on 127.0.0.1"
            )
        self._host = host
        self._wanted = (port, ws_port)
        self._usual_port = usual_port
        self._users = dict(users or {})
        self._process: subprocess.Popen[bytes] | None = None
        self.addresses: BrokerAddresses | None = None

    def start(self) -> BrokerAddresses:
        """Start it and return when it listens.

        Raises:
            InputError: a port that was asked for is taken, or the broker does not come up.
        """
        if self._process is not None:
            raise InputError("the embedded broker is running already")
        if find_spec("iotcore") is None:
            raise InputError(
                "there is no embedded broker for this kind of computer: install a broker such as mosquitto "
                'and name it in the service\'s file ([broker] host = "127.0.0.1")'
            )
        for _ in range(START_ATTEMPTS):
            with _one_start_at_a_time():
                addresses = self._choose()
                self._process = self._launch(addresses)
            if self._process is not None:
                self.addresses = addresses
                return addresses
        raise InputError("the embedded broker does not start; is the package iotcore whole?")

    def _choose(self) -> BrokerAddresses:
        port, ws_port = self._wanted
        if port is None and self._usual_port is not None:
            with contextlib.suppress(InputError):
                return BrokerAddresses(self._host, *_free_ports(self._host, (self._usual_port, ws_port)))
        return BrokerAddresses(self._host, *_free_ports(self._host, self._wanted))

    def stop(self) -> None:
        """End it and free its ports. Harmless when it does not run."""
        process, self._process, self.addresses = self._process, None, None
        if process is not None:
            _end(process)

    def ensure(self) -> bool:
        """Start it again, on the same ports, if it has died. True if it had.

        Raises:
            InputError: as `start`.
        """
        addresses = self.addresses
        if self.running or addresses is None:
            return False
        self.stop()
        self._wanted = (addresses.port, addresses.ws_port)
        try:
            self.start()
        finally:
            self.addresses = addresses  # also after a failure, so that the next call tries again
        return True

    @property
    def running(self) -> bool:
        """Whether the child process lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Id of the child process, 0 without one."""
        return self._process.pid if self._process is not None else 0

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _launch(self, addresses: BrokerAddresses) -> subprocess.Popen[bytes] | None:
        """The process once it listens, or None if it does not come to that."""
        # The file holds passwords: mkstemp makes it readable for its owner alone, and it is gone once the
        # broker listens.
        handle, name = tempfile.mkstemp(prefix="tipdatum-broker-", suffix=".toml")
        path = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(broker_toml(addresses, self._users))
            process = subprocess.Popen(
                [sys.executable, "-m", "tipdatum.bus.broker_child", name],
                stdin=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                # Ctrl-C in a terminal goes to the whole group; the broker must outlive the last words.
                start_new_session=True,
            )
            until = time.monotonic() + START_PATIENCE_S
            while process.poll() is None and time.monotonic() < until:
                if _listens(addresses.host, addresses.port) and _listens(addresses.host, addresses.ws_port):
                    return process
                time.sleep(0.01)
            _end(process)
            return None
        finally:
            path.unlink(missing_ok=True)


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


def _end(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    process.stdin.close()
    try:
        process.wait(2.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _listens(host: str, port: int) -> bool:
    here = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    try:
        with socket.create_connection((here, port), timeout=0.2):
            return True
    except OSError:
        return False


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@contextlib.contextmanager
def _one_start_at_a_time() -> Iterator[None]:
    """Between finding a port free and listening there no other service of this computer does the same.

    The broker does not say that it could not listen, so two that chose the same port would take each other's
    broker for their own.
    """
    if fcntl is None:
        yield
        return
    path = Path(tempfile.gettempdir()) / "tipdatum-broker.lock"
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(OSError):  # a lock file of another user: then without
            lock = stack.enter_context(path.open("a"))
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


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
