"""Reading all that has come from a port, by the system's own calls and by the library."""

from __future__ import annotations

import os
import pty
import socket
import time
import tty
from collections.abc import Iterator

import pytest
import serial

from tipdatum_drivers.serial_port import reader


class Wire:
    """A port of pyserial, and the other end of its line."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        if kind == "pty":
            self.master, slave = pty.openpty()
            tty.setraw(slave)
            self.port = serial.serial_for_url(os.ttyname(slave), timeout=0.02)
            os.close(slave)
        elif kind == "socket":
            listener = socket.create_server(("127.0.0.1", 0))
            self.port = serial.serial_for_url(f"socket://127.0.0.1:{listener.getsockname()[1]}", timeout=0.02)
            self.peer, _ = listener.accept()
            listener.close()
        else:
            self.port = serial.serial_for_url("loop://", timeout=0.02)

    def send(self, data: bytes) -> None:
        if self.kind == "pty":
            os.write(self.master, data)
        elif self.kind == "socket":
            self.peer.sendall(data)
        else:
            self.port.write(data)

    def cut(self) -> None:
        if self.kind == "pty" and self.master >= 0:
            os.close(self.master)
            self.master = -1
        elif self.kind == "socket":
            self.peer.close()

    def close(self) -> None:
        self.cut()
        self.port.close()


@pytest.fixture(params=["pty", "socket", "loop"])
def wire(request: pytest.FixtureRequest) -> Iterator[Wire]:
    wire = Wire(request.param)
    yield wire
    wire.close()


def test_all_that_has_come_is_read_in_order_and_silence_is_no_bytes(wire: Wire) -> None:
    read = reader(wire.port, 0.02)
    assert read() == b""
    sent = os.urandom(1500)
    wire.send(sent)
    found = b""
    deadline = time.monotonic() + 60.0
    while len(found) < len(sent) and time.monotonic() < deadline:
        found += read()
    assert found == sent
    assert read() == b""


def test_end_of_the_line_is_an_error_and_no_silence(wire: Wire) -> None:
    if wire.kind == "loop":
        pytest.skip("a loop has no other end")
    read = reader(wire.port, 0.02)
    wire.cut()
    with pytest.raises(OSError):  # noqa: PT011 - which of them depends on the kind of line
        read()
