"""A laser receiver's live way in: its contact on a pin, a Modbus input or in packets, through `run`."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from cobs import cobs
from serial.rfc2217 import PortManager
from serial_tools import Line, TornPort
from service_process import Client, Service, write_session
from test_modbus_line import device, serving

from small_machine import STILL

RECEIVERS = ("on-pin", "on-modbus", "on-packets")


class PinServer:
    """A serial port with modem-control pins, served to the network as RFC 2217 has it.

    pyserial's `loop://` port joins its own RTS to its CTS, so that a test can work the pin.
    """

    def __init__(self) -> None:
        self._port: Any = serial.serial_for_url("loop://", timeout=0.01)
        self._port.rts = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def set(self, on: bool) -> None:
        self._port.rts = on

    def write(self, data: bytes) -> None:
        """What the manager answers goes to the client."""
        with contextlib.suppress(OSError):
            self._client.sendall(data)

    def _serve(self) -> None:
        self._client, _ = self._listener.accept()
        self._client.settimeout(0.01)
        manager = PortManager(self._port, self)
        while not self._ended.is_set():
            with contextlib.suppress(TimeoutError):
                if not (data := self._client.recv(1024)):
                    return
                self._port.write(b"".join(manager.filter(data)))
            # The client's own RTS would join in: this test alone works the pin.
            manager.check_modem_lines()

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self._client.close()
        self._listener.close()


def packet(sequence: int, states: int) -> bytes:
    content = bytes((4, sequence & 0xFF)) + struct.pack(
        "<IB", time.monotonic_ns() // 1000 & 0xFFFFFFFF, states
    )
    return bytes(cobs.encode(content + struct.pack("<I", zlib.crc32(content)))) + b"\0"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[tuple[Path, PinServer, Line, TornPort]]:
    """A service's file with a machine that stands still and three receivers, each on a way of its own."""
    write_session(tmp_path / "still.ndjson", 120.0)
    receivers = "".join(
        f'[sensor.{name}]\nbody = "stick"\ntype = "beam"\nposition_m = [0.4, 0.2, 0.1]\n'
        for name in RECEIVERS
    )
    (tmp_path / "machine.toml").write_text(STILL + receivers)
    pin, modbus, packets = PinServer(), Line(tmp_path), TornPort(tmp_path / "tty-packets")
    (tmp_path / "service.toml").write_text(
        'machine = "machine.toml"\nmachine_id = "test"\n'
        '[display]\nenabled = false\n[state]\ndirectory = "state"\n'
        '[[driver]]\nkind = "replay"\nfile = "still.ndjson"\n'
        f'[[driver]]\nkind = "contacts"\nport = "{pin.url}"\ninput = {{ on-pin = {{ pin = "cts" }} }}\n'
        f'[[driver]]\nkind = "modbus-rtu"\nport = "{modbus.ends[0].path}"\nbaud = 115200\n'
        "input = { on-modbus = { address = 20, bit = 0 } }\n"
        f'[[driver]]\nkind = "packets"\nport = "{packets.path}"\ninput = {{ on-packets = 2 }}\n'
    )
    yield tmp_path / "service.toml", pin, modbus, packets
    pin.close()
    packets.close()


async def test_a_contact_becomes_crossings_whichever_way_it_comes_in_and_its_receiver_is_well(
    site: tuple[Path, PinServer, Line, TornPort],
) -> None:
    config, pin, modbus, packets = site
    sequence, contact = 0, False

    def answered(sending: bool, pdu: Any) -> Any:
        """The digital input module's answer, with the contact as it is."""
        if sending and pdu.function_code == 2:
            pdu.bits = [contact] + [False] * 7
        return pdu

    def work(way: str, on: bool) -> None:
        nonlocal sequence, contact
        if way == "on-pin":
            pin.set(on)
        elif way == "on-modbus":
            contact = on
        else:
            packets.send(packet(sequence, 4 * on))
            sequence += 1

    async with serving(modbus, {20: device(0)}, trace_pdu=answered):
        service = Service(config)
        try:
            client = Client(await asyncio.to_thread(lambda: service.port))
            wait = asyncio.to_thread
            await wait(client.wait_for, "tip", lambda tip: tip["quality"] == "good")
            for way in RECEIVERS:
                work(way, on=False)
            for way in RECEIVERS:
                await wait(client.wait_for, f"health/{way}", lambda health: health["state"] == "ok")
            for way in RECEIVERS:
                for on in (True, False):
                    await asyncio.sleep(0.4)
                    work(way, on=on)
                event = await wait(client.wait_for, "event", lambda told: told["kind"] == "laser-crossing")
                assert event["text"] == "The receiver crossed the laser's plane."
                assert event["sensor"] == way
            client.send("laser/set", {"elevation_m": 26.0, "crossings": 3})
            reply = await wait(client.wait_for, "reply")
            assert reply["ok"], reply
            client.close()
        finally:
            service.close()
