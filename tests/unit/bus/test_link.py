"""A connection whose other side reads slowly: packets stay whole and in order."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Iterator

import pytest

from tipdatum.bus.link import ON_THE_WAY_BYTES, FigurePackets, Link
from tipdatum.bus.link_settings import LinkSettings
from tipdatum.bus.topics import EVENT

CONNACK, SUBACK = bytes.fromhex("20020000"), bytes.fromhex("900400010000")
"""MQTT 3.1.1, sections 3.2 and 3.9: accepted; both filters granted."""


class Peer:
    """A broker that accepts and grants, and then reads only when it is told to."""

    def __init__(self) -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        settings = LinkSettings(
            "127.0.0.1", listener.getsockname()[1], "client", 60, "base/status", b"{}", "base/command/#"
        )
        self.link = Link(settings, 4, lambda _: None, lambda _: None, lambda _: None)
        self.link.open()
        self.link.write()
        self.stream, _ = listener.accept()
        listener.close()
        self.stream.recv(4096)
        self.answer(CONNACK)
        self.stream.recv(4096)
        self.answer(SUBACK)
        assert self.link.up

    def answer(self, packet: bytes) -> None:
        self.stream.sendall(packet)
        assert self.link.socket is not None
        self.link.socket.setblocking(True)
        self.link.turn(0.0, readable=True, writable=True)
        self.link.socket.setblocking(False)

    def read(self, count: int) -> bytes:
        """So many bytes; the link writes on as there is room."""
        found = bytearray()
        self.stream.settimeout(0.01)
        deadline = time.monotonic() + 60.0
        while len(found) < count and time.monotonic() < deadline:
            with contextlib.suppress(TimeoutError):
                found += self.stream.recv(65536)
            self.link.turn(0.0, readable=False, writable=True)
        return bytes(found)


@pytest.fixture
def peer() -> Iterator[Peer]:
    peer = Peer()
    yield peer
    peer.link.close()
    peer.stream.close()


def test_what_comes_after_a_packet_that_is_half_out_waits_for_the_other_half(peer: Peer) -> None:
    figures = [(f"base/value/{number}", bytes([number]) * 50_000) for number in range(40)]
    peer.link.send_figures(figures)
    assert peer.link.congested
    peer.link.send("base/event", b"it happened", EVENT)
    wanted = b"".join(FigurePackets(4).packet(*figure) for figure in figures)
    event = len("base/event") + len(b"it happened") + 2 + 2 + 2  # head, lengths, id: section 3.3
    found = peer.read(len(wanted) + event)
    assert found[: len(wanted)] == wanted
    assert found[len(wanted)] == 0x32
    assert found.endswith(b"it happened")
    assert not peer.link.congested


def test_no_room_is_left_while_much_is_under_way_and_again_when_it_has_arrived(peer: Peer) -> None:
    assert peer.link.room > 0
    peer.link.send_figures([("base/tip", bytes(1024 * 1024))])
    assert peer.link.room <= 0
    peer.read(1024 * 1024 + len("base/tip") + 2 + 4)
    assert peer.link.room > ON_THE_WAY_BYTES // 2


def test_a_peer_that_has_gone_ends_the_connection_and_raises_nothing(peer: Peer) -> None:
    peer.stream.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, bytes.fromhex("0100000000000000"))
    peer.stream.close()  # with a reset
    for _ in range(3):
        peer.link.send_figures([("base/tip", b"figures")])
    assert peer.link.ended is not None
    assert peer.link.ended.cause == "lost"
